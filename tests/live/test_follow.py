"""A folder into which others write, by a clock that only the test moves."""

import gzip
import os
import threading
import time
from io import BytesIO

import numpy as np
import pytest
from astropy.io import fits

import framesort.live._follow as follow
from framesort.live import FolderFollower

HOUR = 3600 * 10**9  # ns


def image(value=1, *, extension=False):
    """Bytes of a FITS file of more than one block of data."""
    hdus = fits.HDUList([fits.PrimaryHDU(np.full((40, 50), value, dtype=np.int16))])
    if extension:
        hdus.append(fits.ImageHDU(np.full((40, 50), value, dtype=np.int16)))
    stream = BytesIO()
    hdus.writeto(stream)
    return stream.getvalue()


class Folder:
    """A folder, a follower of it, and the clock of both."""

    def __init__(self, path, **options):
        self.path, self.now, self.ticks = path, 0.0, 10**18
        path.mkdir(exist_ok=True)
        self.follower = FolderFollower(
            path, clock=lambda: self.now, sleep=self.pass_time, events=False, **options
        )

    def pass_time(self, seconds):
        self.now += seconds

    def write(self, name, content, *, after=10**9):
        """Write a file; its time is `after` nanoseconds later than that of the file before."""
        path = self.path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        self.ticks += after
        os.utime(path, ns=(self.ticks, self.ticks))
        return path

    def scan(self, after=0.0):
        self.now += after
        return self.follower.scan()


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path / "lights")


def names(paths):
    return [path.name for path in paths]


def test_a_fits_file_is_complete_at_once_when_it_is_as_long_as_it_says(folder):
    folder.write("a.fits", image())
    found = folder.scan()
    assert names(found.finished) == ["a.fits"]
    assert found == (found.finished, (), (), (), ())
    assert folder.scan(after=100.0) == ((), (), (), (), ())


@pytest.mark.parametrize("there", [0, 5, 80, 2000, 2880, 2881, 5760, -2881, -1])
@pytest.mark.parametrize("extension", [False, True])
def test_a_truncated_file_is_waited_for_however_long(folder, there, extension):
    whole = image(extension=extension)
    # At -2881 of a file with data of 1.4 blocks, data are missing; at -1 only what fills up.
    if extension and there == 5760:
        there = 5760 + 2880 + 100  # within the header of the extension
    folder.write("a.fits", whole[:there])
    data_there = there == -1
    for _ in range(9):
        found = folder.scan(after=0.2)
        assert found.finished == ()
        assert names(found.waiting) == ["a.fits"]
    later = folder.scan(after=100.0)
    assert names(later.finished) == (["a.fits"] if data_there else [])
    folder.write("a.fits", whole)
    assert names(folder.scan().finished) == ["a.fits"]


def test_the_same_file_is_never_given_half(folder):
    """Written a kilobyte at a time, it is given once, with the last."""
    whole = image(extension=True)
    primary = len(image())
    given = []
    for end in range(1000, len(whole) + 1000, 1000):
        folder.write("a.fits", whole[:end])
        given += [(min(end, len(whole)), name) for name in names(folder.scan(0.1).finished)]
    assert primary % 1000  # no part ends where the first image ends
    assert given == [(len(whole), "a.fits")]


def test_a_file_that_ends_with_its_first_image_is_given_again_when_another_follows(folder):
    whole = image(extension=True)
    folder.write("a.fits", whole[: len(image())])
    assert names(folder.scan().finished) == ["a.fits"]
    folder.write("a.fits", whole)
    found = folder.scan()
    assert names(found.finished) == names(found.rewritten) == ["a.fits"]


def test_headers_without_data_want_an_extension(folder):
    """The first HDU of a tile-compressed file is a header only."""
    stream = BytesIO()
    fits.HDUList(
        [fits.PrimaryHDU(), fits.CompImageHDU(np.arange(2000, dtype=np.int16).reshape(40, 50))]
    ).writeto(stream)
    whole = stream.getvalue()
    folder.write("a.fits", whole[:2880])
    assert folder.scan(after=60.0).finished == ()
    folder.write("a.fits", whole)
    assert names(folder.scan().finished) == ["a.fits"]


def test_space_that_is_reserved_is_no_file_yet(folder):
    folder.write("a.fits", bytes(20000))
    assert names(folder.scan(after=60.0).waiting) == ["a.fits"]
    folder.write("a.fits", image() + bytes(5000))  # more than needed does no harm
    assert names(folder.scan().finished) == ["a.fits"]


def test_what_is_no_fits_file_is_given_when_it_has_settled(folder):
    folder.write("a.fits", b"GIF89a")
    assert folder.scan().finished == ()
    assert names(folder.scan(after=2.0).finished) == ["a.fits"]


def test_packed_files_are_complete_when_they_no_longer_change(folder):
    packed = gzip.compress(image())
    folder.write("a.fits.gz", packed[:100])
    assert folder.scan().finished == ()
    folder.write("a.fits.gz", packed)
    assert folder.scan(after=1.9).finished == ()
    assert folder.scan(after=1.9).finished == ()  # 3.8 seconds old, unchanged for 1.9
    assert names(folder.scan(after=0.2).finished) == ["a.fits.gz"]
    folder.write("b.fits.gz", b"")
    assert folder.scan(after=50.0).finished == folder.scan(after=50.0).finished == ()


def test_incomplete_for_ten_minutes_is_named_once_and_not_lost(folder):
    whole = image()
    folder.write("a.fits", whole[:5000])
    folder.write("b.fits.gz", b"")
    said = [text for _ in range(100) for text in folder.scan(after=12.0).problems]
    assert said == [
        f"{folder.path / 'a.fits'}: incomplete for 10 minutes",
        f"{folder.path / 'b.fits.gz'}: incomplete for 10 minutes",
    ]
    folder.write("a.fits", whole)
    found = folder.scan(after=1.0)
    assert names(found.finished) == ["a.fits"]
    assert found.rewritten == ()


def test_slow_but_within_ten_minutes_is_not_named(folder):
    whole = image()
    for share in range(1, 50):
        folder.write("a.fits", whole[: len(whole) * share // 50])
        assert folder.scan(after=12.0).problems == ()
    folder.write("a.fits", whole)
    assert names(folder.scan(after=11.0).finished) == ["a.fits"]
    assert folder.scan(after=9999.0).problems == ()


@pytest.mark.parametrize("temporary", [".a.fits", "a.fits.part", "a.fits.tmp", "a.TMP"])
def test_renamed_into_place_is_new_at_once(folder, temporary):
    path = folder.write(temporary, image()[:100])
    assert folder.scan(after=9.0) == ((), (), (), (), ())
    path.write_bytes(image())
    path.rename(folder.path / "a.fits")
    assert names(folder.scan().finished) == ["a.fits"]


def test_packed_files_too_if_they_were_seen_before(folder):
    path = folder.write("a.fits.gz.part", gzip.compress(image()))
    folder.scan()
    path.rename(folder.path / "a.fits.gz")
    assert names(folder.scan(after=0.1).finished) == ["a.fits.gz"]
    path = folder.write("b.fits.gz.part", gzip.compress(image()))
    path.rename(folder.path / "b.fits.gz")
    assert folder.scan(after=0.1).finished == ()
    assert names(folder.scan(after=2.0).finished) == ["b.fits.gz"]


def test_renamed_to_another_name_is_a_new_file(folder):
    path = folder.write("a.fits", image())
    folder.scan()
    path.rename(folder.path / "b.fits")
    found = folder.scan()
    assert names(found.finished) == ["b.fits"]
    assert names(found.gone) == ["a.fits"]
    assert found.problems == found.rewritten == ()


def test_deleted_while_waiting_is_named(folder):
    path = folder.write("a.fits", image()[:5000])
    complete = folder.write("b.fits", image())
    folder.scan()
    path.unlink()
    complete.unlink()
    found = folder.scan()
    assert found.problems == (f"{path}: removed or renamed before it was complete",)
    assert sorted(names(found.gone)) == ["a.fits", "b.fits"]
    assert folder.scan() == ((), (), (), (), ())
    folder.write("a.fits", image())  # once more, from the beginning
    found = folder.scan()
    assert names(found.finished) == ["a.fits"]
    assert found.rewritten == ()


def test_the_same_name_written_again_is_given_again(folder):
    whole = image(2)
    folder.write("a.fits", image(1))
    folder.scan()
    folder.write("a.fits", whole[:5000])
    found = folder.scan()
    assert (found.finished, names(found.waiting)) == ((), ["a.fits"])
    folder.write("a.fits", whole)
    found = folder.scan()
    assert names(found.finished) == names(found.rewritten) == ["a.fits"]
    assert folder.scan(after=10.0) == ((), (), (), (), ())


def test_deleted_and_written_again_is_rewritten_but_put_back_is_not(folder):
    path = folder.write("a.fits", image(1))
    folder.scan()
    path.rename(folder.path.parent / "away.fits")
    assert names(folder.scan().gone) == ["a.fits"]
    (folder.path.parent / "away.fits").rename(path)
    assert folder.scan() == ((), (), (), (), ())
    path.unlink()
    folder.scan()
    folder.write("a.fits", image(2))
    assert names(folder.scan().rewritten) == ["a.fits"]


@pytest.mark.parametrize("jump", [HOUR, -HOUR, 10**6 * HOUR])
@pytest.mark.parametrize("name", ["b.fits", "b.fits.gz"])
def test_a_clock_that_jumps_does_no_harm(folder, jump, name):
    folder.write("a.fits", image())
    assert names(folder.scan().finished) == ["a.fits"]
    folder.write(name, image()[:5000], after=jump)
    assert names(folder.scan().waiting) == [name]
    folder.write(name, image(), after=1)
    found = folder.scan(after=0.1), folder.scan(after=3.0)
    assert [names(one.finished) for one in found] == (
        [[name], []] if name == "b.fits" else [[], [name]]
    )


def test_in_order_of_time_then_of_numbers_in_names(folder):
    for name in ("c10.fits", "c9.fits", "b.fits"):
        folder.write(name, image(), after=0)
    folder.write("a.fits", image(), after=5)
    folder.write("z.fits", image(), after=-50)
    assert names(folder.scan().finished) == ["z.fits", "b.fits", "c9.fits", "c10.fits", "a.fits"]


def test_a_folder_that_is_missing_for_a_while(folder):
    folder.write("a.fits", image())
    folder.write("b.fits", image()[:5000])
    folder.scan()
    away = folder.path.parent / "away"
    folder.path.rename(away)
    found = folder.scan()
    assert len(found.problems) == 1
    assert "No such file or directory" in found.problems[0]
    assert found.gone == found.finished == ()
    assert names(found.waiting) == ["b.fits"]
    for _ in range(5):
        assert folder.scan(after=1.0)[-1] == ()
        assert folder.follower.wait(3.0) is False
    away.rename(folder.path)
    assert folder.follower.wait(3.0)
    assert folder.scan() == ((), (folder.path / "b.fits",), (), (), ())  # nothing twice
    folder.write("b.fits", image())
    assert names(folder.scan().finished) == ["b.fits"]
    folder.path.rename(away)
    assert len(folder.scan().problems) == 1  # named anew


def test_an_empty_place_where_a_drive_was(folder, monkeypatch):
    path = folder.write("a.fits", image())
    folder.scan()
    path.rename(folder.path.parent / "away.fits")
    monkeypatch.setattr(follow, "device_of", lambda folder: -7)
    found = folder.scan()
    assert found.problems == (
        f"{folder.path}: this folder cannot be read (its drive is not mounted); it is tried again",
    )
    assert found.gone == ()
    (folder.path.parent / "away.fits").rename(path)
    assert folder.scan() == ((), (), (), (), ())
    # On the drive that is there now, the same is a removed file.
    path.unlink()
    assert names(folder.scan().gone) == ["a.fits"]


def test_a_folder_that_is_made_later(tmp_path):
    follower = FolderFollower(tmp_path / "later", events=False)
    assert len(follower.scan().problems) == 1
    assert follower.scan().problems == ()
    (tmp_path / "later").mkdir()
    (tmp_path / "later" / "a.fits").write_bytes(image())
    assert names(follower.scan().finished) == ["a.fits"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_subfolders_to_a_depth_of_three_and_no_links(folder):
    for k in range(5):
        folder.write("/".join([*"abcd"[:k], f"{k}.fits"]), image())
    (folder.path / "loop").symlink_to(folder.path)
    folder.write(".trash/x.fits", image())
    assert names(folder.scan().finished) == ["0.fits", "1.fits", "2.fits", "3.fits"]


def test_a_subfolder_that_cannot_be_read_loses_nothing(folder, monkeypatch):
    path = folder.write("L/a.fits", image())
    folder.write("b.fits", image())
    folder.scan()
    scandir = os.scandir

    def refuse(where):
        if where == str(path.parent):
            raise PermissionError(13, "Permission denied")
        return scandir(where)

    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", refuse)
        found = folder.scan()
        assert found == ((), (), (), (), found.problems)
        assert len(found.problems) == 1
        assert found.problems[0].startswith(f"{path.parent}: this folder cannot be read (Perm")
    assert folder.scan() == ((), (), (), (), ())


def test_other_names_and_a_folder_for_results_are_left_alone(tmp_path):
    folder = Folder(
        tmp_path / "lights", suffixes=(".FITS", ".tif"), exclude=tmp_path / "lights/out"
    )
    for name in ("a.fits", "b.TIF", "c.txt", "d.fits.gz", "out/e.fits"):
        folder.write(name, image())
    folder.scan()
    assert names(folder.scan(after=3.0).finished) == ["b.TIF"]
    assert folder.scan(after=3.0).finished == ()


def test_names_that_steer_a_terminal_stay_in_one_line(folder):
    folder.write("a\nb\x1b.fits", image()[:3000]).unlink()
    folder.write("a\nb\x1b.fits", image()[:3000])
    folder.scan()
    (text,) = folder.scan(after=700.0).problems
    assert text == f"{folder.path / 'a?b?.fits'}: incomplete for 10 minutes"


def test_waiting_ends_with_a_change_or_when_a_file_has_settled(folder):
    assert folder.follower.wait(5.0) is False
    assert folder.now == 5.0
    folder.write("a.fits.gz", b"x" * 100)
    assert folder.follower.wait(60.0)
    assert folder.now == 6.0  # the folder is listed once a second
    folder.scan()
    assert folder.follower.wait(60.0)
    assert folder.now == 8.0  # settled
    assert names(folder.scan().finished) == ["a.fits.gz"]
    assert folder.follower.wait(0.5) is False
    assert folder.now == 8.5


def test_two_thousand_files_are_scanned_in_no_time(folder):
    content = image()
    for k in range(2000):
        (folder.path / f"{k:04d}.fits").write_bytes(content)
    assert len(folder.scan().finished) == 2000
    taken = []
    for _ in range(5):
        begin = time.process_time()
        assert folder.scan(after=2.0) == ((), (), (), (), ())
        taken.append(time.process_time() - begin)
    assert min(taken) < 0.05


@pytest.mark.slow
def test_events_of_the_system_end_the_wait(tmp_path):
    """With the true clock: a new file ends a wait long before its end."""
    pytest.importorskip("watchfiles")
    with FolderFollower(tmp_path) as follower:
        follower.scan()
        threading.Timer(1.0, lambda: (tmp_path / "a.fits").write_bytes(image())).start()
        begin = time.monotonic()
        assert follower.wait(30.0)
        assert 0.5 < time.monotonic() - begin < 15.0
        assert names(follower.scan().finished) == ["a.fits"]
        # What happens between two waits is not lost.
        (tmp_path / "b.fits").write_bytes(image())
        assert follower.wait(30.0)
        assert names(follower.scan().finished) == ["b.fits"]
        # A folder that is replaced by another one is listened to again.
        tmp_path.rename(tmp_path.with_name("away"))
        assert len(follower.scan().problems) == 1
        tmp_path.mkdir()
        (tmp_path / "c.fits").write_bytes(image())
        assert follower.wait(5.0)
        assert names(follower.scan().finished) == ["c.fits"]


def test_a_system_that_reports_nothing_is_not_asked_for_ever(tmp_path, monkeypatch):
    watchfiles = pytest.importorskip("watchfiles")

    def silent(*paths, **options):
        while True:
            yield set()

    monkeypatch.setattr(watchfiles, "watch", silent)
    follower = FolderFollower(tmp_path)
    for k in range(4):
        follower.wait(0.01)
        (tmp_path / f"{k}.fits").write_bytes(image())
        assert len(follower.scan().finished) == 1
        assert follower._events.listening == (k < 2)
