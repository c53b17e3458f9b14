"""A night that is killed, shared, edited by hand or run out of disk."""

import errno
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from small_frames import draw_frame, write_frame

from framesort.cli import main
from framesort.errors import InputError, OutputError, QualityWarning
from framesort.files import open_whole, read_table, remove_leftovers, write_fits, write_table
from framesort.frames import find_frames
from framesort.night import merge_night, process_night, sort_night
from framesort.quality import measure_frames

pytestmark = pytest.mark.slow


@pytest.mark.skipif(not hasattr(os, "fork"), reason="forks a warm process")
def test_killed_nights_end_as_undisturbed_ones(few_frames, tmp_path):
    """The long version, with more moments and workers, is tests/bench/kill_night.py."""
    script = Path(__file__).with_name("kill_stages.py")
    done = subprocess.run(
        [sys.executable, str(script), str(few_frames), str(tmp_path)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = json.loads(done.stdout)
    assert [stage["hit"] for stage in told.values()] == [True] * 3
    for stage in told.values():
        assert stage["differs"] == []
        assert stage["again"] == 0
    assert told["measuring"]["kept"] >= 2
    assert told["stacking"]["kept"] == told["writing"]["kept"] == 6


@pytest.fixture(scope="module")
def night(few_frames, tmp_path_factory):
    """The few frames, sorted and merged."""
    out = tmp_path_factory.mktemp("night") / "out"
    process_night([few_frames], out=out, heater=0.0)
    return out


@pytest.fixture
def copy(night, tmp_path):
    """A copy of the night's results that a test may spoil."""
    shutil.copytree(night, tmp_path / "out")
    return tmp_path / "out"


# The cache ------------------------------------------------------------------------------------


def count(monkeypatch):
    """Images that are measured from now on, in this process."""
    from framesort.quality import _frames

    measured = []

    def measurer(image, saturation=None):
        measured.append(1)
        return _frames.measure_image(image, saturation=saturation)

    return measured, measurer


def test_a_changed_frame_costs_one_frame(few_frames, tmp_path, monkeypatch):
    frames = tmp_path / "frames"
    shutil.copytree(few_frames, frames)
    paths = [str(path) for path in sorted(frames.iterdir())]
    measured, measurer = count(monkeypatch)
    first = measure_frames(paths, cache=tmp_path / "cache", measurer=measurer)
    assert len(measured) == 6
    shutil.move(paths[0], frames / "renamed.fits")  # the content counts, not the name
    paths[0] = str(frames / "renamed.fits")
    os.utime(paths[1])
    (frames / "2.fits").unlink()
    write_frame(frames / "2.fits", draw_frame(99).astype(np.uint16))
    second = measure_frames(paths, cache=tmp_path / "cache", measurer=measurer)
    assert len(measured) == 7
    assert [a.fwhm == b.fwhm for a, b in zip(first, second, strict=True)] == [
        True, True, False, True, True, True,
    ]  # fmt: skip
    measure_frames(paths, cache=tmp_path / "cache", measurer=measurer, saturation=60000.0)
    assert len(measured) == 13  # another setting of the measurement
    measure_frames(paths, measurer=measurer)
    assert len(measured) == 19  # no cache asked for


SPOIL = {
    "empty": lambda data: b"",
    "cut": lambda data: data[: len(data) // 2],
    "noise": lambda data: bytes(len(data)),
    "one bit": lambda data: data[:700] + bytes([data[700] ^ 1]) + data[701:],
    "foreign": lambda data: b"PK\x03\x04" + b"somebody else's archive" * 20,
}


@pytest.mark.parametrize("spoil", SPOIL.values(), ids=SPOIL.keys())
def test_a_spoilt_cache_is_rebuilt_not_trusted(few_frames, tmp_path, spoil):
    path = str(few_frames / "1.fits")
    cache = tmp_path / "cache"
    wanted = measure_frames([path], cache=cache)[0]
    (kept,) = cache.iterdir()
    sound = kept.read_bytes()
    kept.write_bytes(spoil(sound))
    got = measure_frames([path], cache=cache)[0]
    assert got.fwhm == wanted.fwhm
    assert np.array_equal(got.star_list["flux"], wanted.star_list["flux"])
    # By construction: the archive written anew holds what the first one held.
    with np.load(kept, allow_pickle=False) as again:
        assert np.array_equal(again["star_flux"], wanted.star_list["flux"])


def test_another_version_and_another_frame_are_not_trusted(few_frames, tmp_path, monkeypatch):
    cache = tmp_path / "cache"
    paths = [str(few_frames / "1.fits"), str(few_frames / "2.fits")]
    first = [measure_frames([path], cache=cache)[0] for path in paths]
    one, two = sorted(cache.iterdir(), key=lambda path: path.stat().st_mtime_ns)
    shutil.copy(one, two)  # the measurement of one frame under the name of another
    assert measure_frames([paths[1]], cache=cache)[0].fwhm == first[1].fwhm
    measured, measurer = count(monkeypatch)
    measurer.__qualname__ = "measure"
    measure_frames(paths, cache=cache, measurer=measurer)
    monkeypatch.setattr("framesort.__version__", "0.0.0")
    measure_frames(paths, cache=cache, measurer=measurer)
    assert len(measured) == 4


def test_a_cache_that_cannot_be_written_or_read_is_done_without(few_frames, tmp_path):
    path = str(few_frames / "1.fits")
    (tmp_path / "cache").write_text("a file, not a folder")
    wanted = measure_frames([path])[0]
    with pytest.warns(QualityWarning, match="used but not kept"):
        assert measure_frames([path], cache=tmp_path / "cache")[0].fwhm == wanted.fwhm
    cache = tmp_path / "other"
    measure_frames([path], cache=cache)
    (kept,) = cache.iterdir()
    kept.unlink()
    kept.mkdir()
    with pytest.warns(QualityWarning, match="used but not kept"):
        assert measure_frames([path], cache=cache)[0].fwhm == wanted.fwhm


# Writing --------------------------------------------------------------------------------------


class FullDisk:
    """Stands for `os.fsync` on a disk that is full."""

    def __init__(self, after=0):
        self.left = after

    def __call__(self, handle):
        self.left -= 1
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("after", [0, 9])
def test_a_full_disk_is_one_line_and_leaves_nothing_half_done(
    few_frames, tmp_path, monkeypatch, capsys, after
):
    """Real small disks are in tests/bench/faults_disk.py."""
    monkeypatch.setattr("os.fsync", FullDisk(after))
    out = tmp_path / "out"
    call = ["night", str(few_frames), "--heater", "0", "--out", str(out), "--workers", "1"]
    assert main(call) == 2
    (line,) = [text for text in capsys.readouterr().err.splitlines() if "note:" not in text]
    assert "cannot be written (No space left on device)" in line
    assert not list(out.rglob("*.part"))
    monkeypatch.undo()
    if after:
        assert main(call) == 0


def test_the_old_file_stays_where_the_new_one_fails(tmp_path, monkeypatch):
    path = tmp_path / "a.fits"
    write_fits(path, np.zeros((4, 4), np.float32))
    before = path.read_bytes()
    monkeypatch.setattr("os.fsync", FullDisk())
    with pytest.raises(OutputError, match="No space left"):
        write_fits(path, np.ones((4, 4), np.float32))
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_leftovers_are_swept_but_not_under_a_writer(tmp_path):
    stale = tmp_path / ".a.fits.abcdefgh.part"
    stale.write_bytes(b"half")
    mine = tmp_path / ".something of mine.part"
    mine.touch()
    with open_whole(tmp_path / "b.fits") as stream:
        stream.write(b"whole")
        remove_leftovers(tmp_path)
        assert not stale.exists()
    assert sorted(path.name for path in tmp_path.iterdir()) == [mine.name, "b.fits"]


def test_a_second_run_into_the_same_folder_is_refused(few_frames, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    holder = (
        "import sys, time; from framesort.night._folder import hold_folder\n"
        "with hold_folder(sys.argv[1], make=True):\n print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holder, str(out)], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(OutputError, match="another run is writing here"):
            sort_night([few_frames], out=out)
        other.kill()  # a lock does not outlive its process
    sort_night([few_frames], out=out, heater=0.0)


def test_somebodys_own_files_are_not_written_over(few_frames, tmp_path):
    for name in ("frames.ecsv", "L/deep.fits", "report.html"):
        out = tmp_path / name.replace("/", "-")
        (out / name).parent.mkdir(parents=True)
        (out / name).write_text("mine")
        with pytest.raises(OutputError, match="stands where a result would be written"):
            process_night([few_frames], out=out, overwrite=True)
        assert (out / name).read_text() == "mine"
    lists = tmp_path / "out" / "sets"
    lists.mkdir(parents=True)
    (lists / "notes.txt").write_text("mine")
    sort_night([few_frames], out=tmp_path / "out", heater=0.0)
    assert (lists / "notes.txt").read_text() == "mine"


# Security -------------------------------------------------------------------------------------


def tree(folder):
    """Every file below a folder with its content."""
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize("label", ["../../x", "/tmp/x", "..", "a/b", ".hidden", "x\0y"])
def test_a_table_edited_by_the_user_leads_nowhere_else(copy, label):
    table = read_table(copy / "frames.ecsv")
    table["group"] = [label] * len(table)
    write_table(copy / "frames.ecsv", table)
    before = tree(copy.parent)
    with pytest.raises(InputError):
        merge_night(copy, overwrite=True)
    after = tree(copy.parent)
    assert {p for p in after if before.get(p) != after[p]} == set()


def test_words_in_headers_and_names_do_no_harm(few_frames, tmp_path, capsys):
    frames = tmp_path / "in" / "frames"
    frames.mkdir(parents=True)
    shutil.copy(few_frames / "0.fits", frames)
    names = ["<script>alert(1)<", "new\nline", "\x1b[31mred", "=cmd()", os.fsdecode(b"\xff\xfe")]
    for k, name in enumerate(names):
        data = draw_frame(20 + k).astype(np.uint16)
        write_frame(frames / f"{name}.fits", data, OBJECT="<script>alert(2)</script>")
    for k, name in enumerate(("../../up", "cache")):
        write_frame(frames / f"filter{k}.fits", draw_frame(k + 50).astype(np.uint16), FILTER=name)
    (frames / "\x1b]0;title\x07.fits").write_text("no frame")
    log = tmp_path / "in" / "log.csv"
    log.write_text(
        "time,heater power <script>alert(3)</script>\n"
        + "".join(f"2026-02-11T20:{m:02d}:00Z,0\n" for m in range(0, 59, 2))
        + "\x1b[2J=cmd(),x\n"
    )
    before = tree(tmp_path)
    out = tmp_path / "out"
    call = ["night", str(frames), "--heater", str(log), "--out", str(out), "--workers", "1"]
    assert main(call) == 1  # what is no frame is left out
    shown = capsys.readouterr()
    assert not set(shown.out + shown.err) & {"\x1b", "\x07", "\r"}
    after = tree(tmp_path)
    assert {p: before[p] for p in before} == {p: after[p] for p in before}
    assert all(p.is_relative_to(out) for p in after.keys() - before.keys())
    page = (out / "report.html").read_text(errors="replace").lower()
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert len(read_table(out / "frames.ecsv")) == 9
    # The lists lead back to the same frames, whatever bytes are in their names.
    listed = find_frames([f"@{out}/sets/L-deep.txt"])
    assert {path.name for path in listed} == {"0.fits", *(f"{name}.fits" for name in names)}
    call = ["sort", str(frames), "--heater", "0", "--out", f"{out}3", "--json", "--workers", "1"]
    assert main(call) == 1
    told = capsys.readouterr().out
    assert not set(told) & {"\x1b", "\x07"}
    assert json.loads(told[told.index("{") :])["status"] == 1


def test_no_pickle_is_read(few_frames, tmp_path):
    """An array of objects is a program; the cache and tables must not run it."""
    mark = tmp_path / "ran"

    class Bomb:
        def __reduce__(self):
            return (Path.touch, (mark,))

    path = str(few_frames / "1.fits")
    cache = tmp_path / "cache"
    wanted = measure_frames([path], cache=cache)[0]
    (kept,) = cache.iterdir()
    with np.load(kept, allow_pickle=False) as sound:
        arrays = dict(sound) | {"numbers": np.array([Bomb()], dtype=object)}
    np.savez(kept, **arrays)
    assert measure_frames([path], cache=cache)[0].fwhm == wanted.fwhm
    table = tmp_path / "frames.ecsv"
    table.write_text(
        "# %ECSV 1.0\n# ---\n# datatype:\n# - {name: file, datatype: string, subtype: json}\n"
        "# meta: !!python/object/apply:os.system ['touch ran']\n# schema: astropy-2.0\nfile\n1\n"
    )
    with pytest.raises(InputError):
        merge_night(tmp_path)
    assert not mark.exists()


def test_nested_settings_end_in_one_line(tmp_path, few_frames, capsys):
    """Ten thousand brackets: deeper than a reader may go."""
    for ending, text in ((".toml", "clip = " + "[" * 10_000), (".json", "[" * 100_000)):
        path = tmp_path / f"settings{ending}"
        path.write_text(text)
        call = ["sort", str(few_frames), "--settings", str(path), "--out", str(tmp_path / "out")]
        assert main(call) == 2
        assert "internal error" not in capsys.readouterr().err
