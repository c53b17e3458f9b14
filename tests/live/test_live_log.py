"""A log to which others append, by a clock that only the test moves."""

import os

import pytest

from framesort.errors import InputError
from framesort.heater import read_heater_log
from framesort.live import LogFollower

HEADER = b"time_utc,heater_percent\n"


def line(minute, percent=60, end=b"\n"):
    return b"2024-10-14T%02d:%02d:00Z,%d" % (20 + minute // 60, minute % 60, percent) + end


def lines(first, last):
    return b"".join(line(minute) for minute in range(first, last))


class Log:
    """A log, a follower of it and the clock of both."""

    def __init__(self, path):
        self.path, self.now, self.ticks = path, 0.0, 10**18
        self.follower = LogFollower(path, clock=lambda: self.now)

    def write(self, content, mode="wb"):
        """In place: the file stays the same, only its content changes."""
        with open(self.path, mode) as stream:
            stream.write(content)
        self.stamp()

    def replace(self, content):
        """As programs do that write another file and rename it."""
        other = self.path.with_suffix(".new")
        other.write_bytes(content)
        os.replace(other, self.path)
        self.stamp()

    def stamp(self):
        self.ticks += 10**9
        os.utime(self.path, ns=(self.ticks, self.ticks))

    def read(self, after=0.1):
        self.now += after
        return self.follower.read()


@pytest.fixture
def log(tmp_path):
    return Log(tmp_path / "ring.csv")


def test_lines_as_they_are_appended(log):
    log.write(HEADER)
    assert log.read() == HEADER
    for minute in range(5):
        log.write(line(minute), "ab")
        assert log.read() == HEADER + lines(0, minute + 1)
    assert log.follower.take_problems() == []


def test_nothing_new_is_the_same_object(log):
    log.write(HEADER + lines(0, 3))
    first = log.read()
    assert log.read() is first
    assert log.read(after=9.0) is first  # settled, but nothing is added by that
    log.stamp()  # written again with the same content
    assert log.read() is first
    log.write(line(3), "ab")
    assert log.read() is not first


def test_only_what_is_new_is_read(log, monkeypatch):
    log.write(HEADER + lines(0, 600))
    log.read()
    taken = []
    monkeypatch.setattr(log.follower, "_take", lambda *_: taken.append(1))
    log.read(), log.read(after=50.0)
    assert taken == []


def test_a_half_written_line_is_left_out_until_it_ends(log):
    log.write(HEADER + line(0) + line(1)[:17])
    assert log.read() == HEADER + line(0)
    assert log.read(after=1.0) == HEADER + line(0)
    log.write(line(1)[17:], "ab")
    assert log.read() == HEADER + lines(0, 2)


def test_or_until_it_has_not_changed_for_a_while(log):
    log.write(HEADER + line(0) + line(1, 6, end=b""))
    assert log.read() == HEADER + line(0)
    assert log.read(after=2.0) == HEADER + line(0) + line(1, 6, end=b"")
    # It was half-written nevertheless: what comes then takes its place.
    log.write(b"0\n" + line(2), "ab")
    assert log.read() == HEADER + line(0) + line(1, 60) + line(2)


def test_a_log_that_is_cut_and_begins_anew(log):
    """As rotation by copying and cutting does; the header is not repeated."""
    log.write(HEADER + lines(0, 5))
    log.read()
    log.write(b"")
    assert log.read() == HEADER + lines(0, 5)
    log.write(HEADER)
    assert log.read() == HEADER + lines(0, 5)
    log.write(line(5), "ab")
    assert log.read() == HEADER + lines(0, 6)
    log.write(line(6), "ab")
    assert log.read() == HEADER + lines(0, 7)
    assert log.follower.take_problems() == [
        f"{log.path}: the log began anew; what was read before is kept"
    ]
    log.write(HEADER + lines(7, 9))
    assert log.read() == HEADER + lines(0, 9)  # and once more


def test_a_new_file_of_the_name(log):
    log.write(HEADER + lines(0, 5))
    log.read()
    log.replace(HEADER + lines(5, 20))  # longer than the one before
    assert log.read() == HEADER + lines(0, 20)
    log.replace(line(20) + line(21))  # without a header
    assert log.read() == HEADER + lines(0, 22)


def test_first_bytes_that_differ_in_the_same_file(log):
    log.write(HEADER + lines(0, 5))
    log.read()
    log.write(b"# new\n" + HEADER + lines(5, 20))
    assert log.read() == HEADER + lines(0, 5) + b"# new\n" + HEADER + lines(5, 20)


def test_a_program_that_writes_the_whole_log_again_repeats_nothing(log):
    log.write(HEADER + lines(0, 5))
    log.read()
    log.replace(HEADER + lines(0, 6))
    assert log.read() == HEADER + lines(0, 6)
    log.write((HEADER + lines(0, 6))[:40])  # caught in the middle, in place
    assert log.read() == HEADER + lines(0, 6)
    log.write(HEADER + lines(0, 7))
    assert log.read() == HEADER + lines(0, 7)
    assert log.follower.take_problems() == []


def test_a_program_that_keeps_only_the_last_lines(log):
    for first in range(20):
        log.write(HEADER + lines(first, first + 10))
        assert log.read() == HEADER + lines(0, first + 10)


def test_an_unended_line_before_a_new_beginning(log):
    log.write(HEADER + line(0) + line(1, end=b""))
    log.read()
    log.read(after=3.0)
    log.replace(HEADER + line(2))
    assert log.read() == HEADER + lines(0, 3)
    log.write(line(3)[:9], "ab")  # half-written, and lost with its file
    log.read()
    log.replace(HEADER + line(4))
    assert log.read() == HEADER + lines(0, 3) + line(4)


def test_missing_for_a_while_is_named_once_and_what_was_read_is_kept(log):
    assert log.read() == b""
    assert log.read() == b""
    (said,) = log.follower.take_problems()
    assert said.startswith(f"{log.path}: the log cannot be read (No such file")
    log.write(HEADER + line(0))
    first = log.read()
    away = log.path.rename(log.path.with_suffix(".away"))
    assert log.read() is first
    assert log.read(after=99.0) is first
    assert len(log.follower.take_problems()) == 1
    away.rename(log.path)
    assert log.read() is first
    log.write(line(1), "ab")
    assert log.read() == HEADER + lines(0, 2)
    assert log.follower.take_problems() == []


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-be", "utf-8-sig"])
def test_other_encodings(log, encoding):
    """Half a letter is half a line; read as they would be by `read_heater_log`."""
    mark = "\ufeff" if encoding == "utf-16-be" else ""
    content = (mark + (HEADER + lines(0, 4)).decode()).encode(encoding)
    for end in range(len(content) + 1):
        log.write(content[:end])
        text = log.read().decode("utf-8-sig")
        assert (HEADER + lines(0, 4)).decode().startswith(text)
        assert text.endswith("\n") or not text
    assert text.encode() == HEADER + lines(0, 4)


def test_lines_that_end_with_carriage_returns(log):
    for end in (b"\r", b"\r\n"):
        log.replace(line(0, end=end) + line(1, end=end) + b"2024-10")
        assert log.read().endswith(line(0, end=end) + line(1, end=end))


def test_a_snapshot_is_read_as_the_log(log, tmp_path):
    log.write(HEADER + line(0, 0) + line(10, 80) + line(20, 80)[:-3])
    path = log.follower.snapshot(tmp_path / "out")
    assert path == tmp_path / "out" / "ring.csv"
    assert path.read_bytes() == HEADER + line(0, 0) + line(10, 80)
    assert read_heater_log(path).power.max() == 80
    before = path.stat().st_mtime_ns, path.stat().st_ino
    assert log.follower.snapshot(tmp_path / "out") == path
    assert (path.stat().st_mtime_ns, path.stat().st_ino) == before  # not written again
    log.now += 5.0
    log.follower.snapshot(tmp_path / "out")
    assert path.read_bytes() == log.path.read_bytes()
    assert list((tmp_path / "out").iterdir()) == [path]


def test_a_snapshot_never_replaces_the_log(log, tmp_path):
    log.write(HEADER)
    with pytest.raises(InputError, match="must go elsewhere"):
        log.follower.snapshot(tmp_path)
    assert log.path.read_bytes() == HEADER
    assert not LogFollower(tmp_path / "none.csv").snapshot(tmp_path / "out").exists()
