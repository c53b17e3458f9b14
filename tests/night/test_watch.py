"""A night watched as it comes in: lines, goal, log that grows; sorting measures nothing again."""

import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framesort.cli import main
from framesort.errors import InputError, OutputError
from framesort.files import open_whole
from framesort.live import _log
from framesort.night import WatchOptions, sort_night, watch_night
from framesort.night import _read as reading
from framesort.quality import _cache

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def frames(simulated):
    """Frames of the night in order of time, without its darks."""
    return sorted(path for path in Path(simulated.frames).glob("*.fits") if "dark" not in path.name)


def watch_until(count, folder, *, out, **arguments):
    """Watch until so many frames were shown; the status, frames and lines of trouble."""
    stop, shown, lines = threading.Event(), [], []

    def show(status, news, troubles):
        shown.extend(news)
        lines.extend(troubles)
        if len(shown) >= count:
            stop.set()

    arguments.setdefault("options", WatchOptions(poll=0.05, settle=0.2))
    status = watch_night(folder, out=out, show=show, stop=stop, **arguments)
    return status, shown, lines


@pytest.fixture(scope="module")
def watched(simulated, frames, tmp_path_factory):
    """Frames and the log written while they are watched, each frame in two parts."""
    base = tmp_path_factory.mktemp("watch")
    folder, log = base / "lights", base / "ring.csv"
    folder.mkdir()
    rows = Path(simulated.log).read_text().splitlines(keepends=True)
    share = -(-len(rows) // len(frames))
    log.write_text(rows.pop(0))

    def camera():
        for k, path in enumerate(frames):
            content = path.read_bytes()
            with open(folder / path.name, "wb") as stream:
                stream.write(content[:-5000])
                stream.flush()
                time.sleep(0.02)
                stream.write(content[-5000:])
            with open(log, "a") as stream:
                stream.write("".join(rows[k * share : (k + 1) * share]))

    thread = threading.Thread(target=camera)
    thread.start()
    goal = WatchOptions(poll=0.05, settle=0.2, goals={"L": 12.0})
    result = watch_until(len(frames), folder, out=base / "out", heater=log, options=goal)
    thread.join()
    return base, folder, log, result


def test_every_frame_is_measured_once(watched, frames):
    _, _, _, (status, shown, troubles) = watched
    assert sorted(Path(frame.file).name for frame in shown) == [path.name for path in frames]
    assert troubles == [] and len(status.frames) == len(frames)
    assert all(frame.fwhm > 1 and not frame.reason for frame in status.frames)


def test_minutes_and_goal(watched):
    _, _, _, (status, _, _) = watched
    minutes = {one.filter: one for one in status.minutes}
    assert minutes["L"].off + minutes["L"].on == pytest.approx(21.0, abs=1.01)
    assert minutes["L"].off >= 12.0 and minutes["L"].missing == 0.0
    assert [event.kind for event in status.events].count("goal") == 1


def test_heated_frames_are_wider_and_carry_the_spike(watched):
    _, _, _, (status, _, _) = watched
    lum = [frame for frame in status.frames if frame.filter == "L"]
    on = [frame for frame in lum if frame.heater_state == "on"]
    off = [frame for frame in lum if frame.heater_state == "off"]
    assert len(on) >= 5 and len(off) >= 10
    assert np.median([f.fwhm_ratio for f in on]) > 1.1
    assert np.median([f.fwhm_ratio for f in off]) == pytest.approx(1.0, abs=0.02)
    assert np.median([f.spike for f in on]) > 4 * np.median([f.spike_err for f in on])
    assert status.star_last.startswith("data:image/png;base64,") and status.star_off


def test_sorting_afterwards_measures_nothing_and_gives_the_same_table(
    watched, tmp_path, monkeypatch
):
    base, folder, log, _ = watched
    fresh = sort_night(folder, out=tmp_path / "fresh", heater=log)
    measured = []
    plain = reading.measure_frames

    def counted(*args, measurer, **options):
        def one(*pixels, **more):
            measured.append(1)
            return measurer(*pixels, **more)

        return plain(*args, measurer=measurer, **options)

    monkeypatch.setattr(reading, "measure_frames", counted)
    kept = len(list((base / "out" / "cache").glob("*.npz")))
    again = sort_night(folder, out=base / "out", heater=log)
    assert measured == [] and len(list((base / "out" / "cache").glob("*.npz"))) == kept
    for name in fresh.table.colnames:
        one, two = (np.ma.filled(np.ma.asarray(t[name])) for t in (fresh.table, again.table))
        assert np.array_equal(one, two, equal_nan=one.dtype.kind == "f"), name


def test_a_damaged_frame_is_named_and_the_watch_goes_on(frames, tmp_path):
    folder = tmp_path / "lights"
    folder.mkdir()
    fits.PrimaryHDU(np.zeros((400, 520), np.float32)).writeto(folder / "000-dark-sky.fits")
    shutil.copy(frames[0], folder / "001.fits")
    status, _, _ = watch_until(2, folder, out=tmp_path / "out", heater=0.0)
    reasons = {Path(frame.file).name: frame.reason for frame in status.frames}
    assert reasons["001.fits"] == "" and reasons["000-dark-sky.fits"]
    assert [event.kind for event in status.events] == ["frame-bad"]


def act_after(acts, folder, *, out, **arguments):
    """Watch; each act is called when its number of frames was shown, the last one ends it."""
    stop, shown, lines, acts = threading.Event(), [], [], list(acts)

    def show(status, news, troubles):
        shown.extend(news)
        lines.extend(troubles)
        while acts and len(shown) >= acts[0][0]:
            act = acts.pop(0)[1]
            stop.set() if act is None else act()

    arguments.setdefault("options", WatchOptions(poll=0.05, settle=0.2))
    return watch_night(folder, out=out, show=show, stop=stop, **arguments), lines


def test_frames_that_are_renamed_written_again_or_deleted_count_once(frames, tmp_path):
    folder = tmp_path / "lights"
    folder.mkdir()
    one, two, three, four = (folder / f"{k}.fits" for k in (1, 2, 3, 4))
    for path, source in ((one, frames[0]), (two, frames[1]), (three, frames[2])):
        shutil.copy(source, path)
    acts = [
        (3, lambda: one.rename(four)),
        (4, lambda: shutil.copy(frames[3], two)),
        (5, lambda: (three.unlink(), shutil.copy(frames[4], one))),
        (6, None),
    ]
    status, lines = act_after(acts, folder, out=tmp_path / "out", heater=0.0)
    assert {frame.file for frame in status.frames} == {str(one), str(two), str(four)}
    assert [one.off for one in status.minutes] == [3.0]
    assert len(lines) == 3 and "written again" in lines[1]
    assert "removed or renamed" in lines[0] and "first: 3.fits" in lines[2]


def test_a_result_folder_that_is_full_is_named_once_and_the_log_is_read_later(
    frames, simulated, tmp_path, monkeypatch
):
    folder, out, log = tmp_path / "lights", tmp_path / "out", tmp_path / "ring.csv"
    folder.mkdir()
    log.write_bytes(Path(simulated.log).read_bytes())
    full = [True]

    @contextmanager
    def refusing(path, **options):
        if full[0]:
            raise OutputError(f"{path}: cannot be written (No space left on device)")
        with open_whole(path, **options) as stream:
            yield stream

    for module in (_log, _cache):
        monkeypatch.setattr(module, "open_whole", refusing)
    shutil.copy(frames[0], folder)
    acts = [
        (1, lambda: shutil.copy(frames[1], folder)),
        (2, lambda: (full.clear(), full.append(False), shutil.copy(frames[2], folder))),
        (3, None),
    ]
    status, lines = act_after(acts, folder, out=out, heater=log)
    assert len(lines) == 2 and all("No space left" in line for line in lines)
    assert lines[0].startswith("heater log: ") and "used but not kept" in lines[1]
    assert [frame.heater_state for frame in status.frames] == ["off"] * 3
    assert len(list((out / "cache").glob("*.npz"))) == 1


def test_measurements_that_cannot_be_kept_are_named_once(frames, tmp_path):
    folder, out = tmp_path / "lights", tmp_path / "out"
    folder.mkdir()
    out.mkdir()
    (out / "cache").write_text("a file where the folder should be\n")
    shutil.copy(frames[0], folder)
    acts = [
        (1, lambda: shutil.copy(frames[1], folder)),
        (2, lambda: ((out / "cache").unlink(), shutil.copy(frames[2], folder))),
        (3, lambda: (shutil.rmtree(out / "cache"), (out / "cache").touch(),
                     shutil.copy(frames[3], folder))),
        (4, None),
    ]  # fmt: skip
    status, lines = act_after(acts, folder, out=out, heater=0.0)
    assert len(status.frames) == 4 and len(lines) == 2
    for line, name in zip(lines, (frames[0].name, frames[3].name), strict=True):
        assert f"1 of 1 measurements are used but not kept (first: {name})" in line


def test_the_last_frame_is_told_again_when_the_log_covers_it(frames, simulated, tmp_path):
    folder, log = tmp_path / "lights", tmp_path / "ring.csv"
    folder.mkdir()
    shutil.copy(frames[0], folder)
    stop = threading.Event()

    def show(status, news, troubles):
        if news:
            assert status.heater == "unknown"
            log.write_bytes(Path(simulated.log).read_bytes())
        if status.heater == "off":
            stop.set()

    options = WatchOptions(poll=0.05, settle=0.2, until=time.time() + 30)
    status = watch_night(
        folder, out=tmp_path / "out", heater=log, options=options, show=show, stop=stop
    )
    assert [one.off for one in status.minutes] == [1.0]


def test_rows_of_the_log_that_cannot_be_read_are_named_once(frames, simulated, tmp_path):
    folder, log = tmp_path / "lights", tmp_path / "ring.csv"
    folder.mkdir()
    shutil.copy(frames[0], folder)
    rows = Path(simulated.log).read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join([*rows[:20], b"2026-99-11,abc\n", *rows[20:-1]]))

    def grow():
        with open(log, "ab") as stream:
            stream.write(rows[-1])
        shutil.copy(frames[1], folder)

    status, lines = act_after([(1, grow), (2, None)], folder, out=tmp_path / "out", heater=log)
    (line,) = lines
    assert line == "heater log: ring.csv: line 21: no time, left out"
    assert [frame.heater_state for frame in status.frames] == ["off"] * 2


def test_frames_after_the_last_line_of_the_weather_log_take_its_values(frames, tmp_path):
    folder, weather = tmp_path / "lights", tmp_path / "weather.csv"
    folder.mkdir()
    weather.write_text(
        "time,temperature,humidity\n2026-02-11T19:50:00Z,10,90\n2026-02-11T20:00:00Z,10,90\n"
    )
    stop, margins = threading.Event(), []

    def show(status, news, troubles):
        margins.extend(frame.dew_margin for frame in news)
        if len(margins) == 2:
            stop.set()
        elif news:  # the log does not change any more
            shutil.copy(frames[1], folder / "b.fits")

    shutil.copy(frames[0], folder / "a.fits")
    options = WatchOptions(poll=0.05, settle=0.2, weather=weather)
    watch_night(folder, out=tmp_path / "out", heater=0.0, options=options, show=show, stop=stop)
    # Dew point 8.4 deg C (10 deg C and 90 %, WMO constants); the plate is 3 K below the air.
    assert margins == [pytest.approx(-1.43, abs=0.02)] * 2


def test_wrong_folders_are_one_line(tmp_path):
    with pytest.raises(InputError, match="no such folder"):
        watch_night(tmp_path / "none", out=tmp_path / "out")
    (tmp_path / "lights").mkdir()
    for out in ("lights", "lights/out"):
        with pytest.raises(InputError, match="lies in the watched folder"):
            watch_night(tmp_path / "lights", out=tmp_path / out)


def test_command_line_until_a_time(frames, tmp_path, capsys):
    folder = tmp_path / "lights"
    folder.mkdir()
    for path in frames[:3]:
        shutil.copy(path, folder / path.name)
    until = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 4))
    words = ["watch", str(folder), "--heater", "0", "--out", str(tmp_path / "out"), "--goal", "L=5"]
    assert main([*words, "--until", until, "--workers", "1"]) == 0
    shown = capsys.readouterr()
    lines = [line for line in shown.out.splitlines() if "FWHM" in line and ".fits" in line]
    assert len(lines) == 3 and "L: 2 heater-off min missing" in shown.out
    assert "goes on from here without measuring again" in shown.err


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_a_watch_that_was_killed_goes_on(number, frames, tmp_path):
    folder, out = tmp_path / "lights", tmp_path / "out"
    folder.mkdir()
    told = tmp_path / "told"
    note = f"\"{sys.executable}\" -c \"open({str(told)!r}, 'a').write('x')\""
    words = [sys.executable, "-m", "framesort", "watch", str(folder), "--out", str(out)]
    words += ["--heater", "0", "--workers", "1", "--poll", "0.1", "--goal", "3"]
    words += ["--on", "goal", note]
    for begin in range(0, 9, 3):
        process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert process.stdout is not None
        for path in frames[begin : begin + 3]:
            shutil.copy(path, folder / path.name)
        seen = 0
        for line in process.stdout:
            seen += ".fits" in line
            if seen == begin + 3:
                break
        process.send_signal(number)
        process.communicate(timeout=60)
    assert len(list((out / "cache").glob("*.npz"))) == 9
    assert told.read_text() == "x"  # the goal of L; that of Ha is not reached
