"""The schedule of a replay in closed form; a replayed night, by a clock that only sleep moves."""

import math
from datetime import timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framesort.errors import InputError, OutputError
from framesort.simulation import ReplayOptions, replay_night
from framesort.simulation._replay_plan import FrameFile, LogFile, LogLine, log_lines, plan_replay

BEGIN = 1_728_936_720.0  # 2024-10-14T20:12:00Z


class Clock:
    """Seconds that pass only while somebody sleeps; `tick` is called before each sleep."""

    def __init__(self, tick=lambda now: None):
        self.now, self.tick = 1000.0, tick

    def __call__(self):
        return self.now

    def sleep(self, seconds):
        assert seconds > 0
        self.tick(self.now - 1000.0)
        self.now += seconds


def replay(night, out, clock=None, **options):
    clock = Clock() if clock is None else clock
    return replay_night(night, out, clock=clock, sleep=clock.sleep, **options)


def frame(number, start, exposure, size=4000):
    return FrameFile(f"{number}.fits", f"live/{number}.fits", size, start, exposure)


def steps(actions):
    return [(a.at, a.target, a.first, a.last, a.name, a.whole) for a in actions]


def test_a_frame_appears_at_the_end_of_its_exposure_in_parts():
    frames = [frame(2, BEGIN + 90.0, 30.0), frame(1, BEGIN, 60.0)]
    done = steps(plan_replay(frames, [], speed=60.0, parts=2, writing=0.2))
    # 60 seconds of the night are one; the second frame ends at 120.
    assert done == [
        (1.0, "live/1.fits", 0, 2000, "", False),
        (1.2, "live/1.fits", 2000, 4000, "", True),
        (2.0, "live/2.fits", 0, 2000, "", False),
        (2.2, "live/2.fits", 2000, 4000, "", True),
    ]


def test_writing_takes_at_most_half_an_exposure():
    done = plan_replay([frame(1, BEGIN, 60.0)], [], speed=600.0, parts=3, writing=10.0)
    assert [a.at for a in done] == pytest.approx([0.1, 0.125, 0.15])


def test_renaming_comes_last():
    done = steps(plan_replay([frame(1, BEGIN, 60.0)], [], speed=60.0, parts=1, rename=True))
    assert done == [
        (1.0, "live/1.fits.part", 0, 4000, "", False),
        (1.0, "live/1.fits.part", 4000, 4000, "live/1.fits", True),
    ]


def test_an_empty_frame_is_made_once():
    assert len(plan_replay([frame(1, BEGIN, 60.0, size=0)], [], speed=60.0)) == 1


def test_lines_have_their_time_and_some_are_torn():
    lines = (
        LogLine(-math.inf, 0, 10),
        LogLine(BEGIN - 60.0, 10, 20),
        LogLine(BEGIN + 60.0, 20, 30),
        LogLine(BEGIN + 120.0, 30, 40),
        LogLine(BEGIN + 9000.0, 40, 50),
    )
    log = LogFile("ring.csv", "live/ring.csv", lines)
    done = plan_replay([frame(1, BEGIN, 60.0)], [log], speed=60.0, parts=1, torn=3)
    assert steps(done) == [
        (0.0, "live/ring.csv", 0, 10, "", True),
        (0.0, "live/ring.csv", 10, 20, "", True),
        (1.0, "live/ring.csv", 20, 25, "", False),
        (1.0, "live/1.fits", 0, 4000, "", True),
        (1.5, "live/ring.csv", 25, 30, "", True),
        (2.0, "live/ring.csv", 30, 40, "", True),
        (11.0, "live/ring.csv", 40, 50, "", True),  # ten minutes after the last exposure
    ]


def test_without_waiting_the_order_is_the_same():
    lines = tuple(LogLine(BEGIN + 7.0 * k, 10 * k, 10 * k + 10) for k in range(40))
    log = LogFile("ring.csv", "live/ring.csv", lines)
    frames = [frame(k, BEGIN + 65.0 * k, 60.0) for k in range(4)]

    def order(speed):
        actions = plan_replay(frames, [log], speed=speed, writing=0.0)
        return [(a.target, a.first, a.last) for a in actions]

    assert order(math.inf) == order(60.0)
    assert {a.at for a in plan_replay(frames, [log], speed=math.inf)} == {0.0}


@pytest.mark.parametrize("wrong", [{"speed": 0.0}, {"speed": math.nan}, {"speed": 1.0, "parts": 0}])
def test_values_that_make_no_sense_are_refused(wrong):
    with pytest.raises(InputError, match="must be above 0"):
        plan_replay([frame(1, BEGIN, 60.0)], [], **wrong)


def test_times_of_lines_in_several_forms():
    content = (
        b"time,power\n"
        b"2024-10-14T20:12:00Z,0\n"
        b"2024-10-14 22:12:30.5,0\n"  # local, two hours ahead
        b"\n"
        b"2024-10-14T22:11:00+02:00,0\n"  # the clock went back
        b"1728936780,100"
    )
    lines = log_lines(content, timezone(timedelta(hours=2)), clock_offset=-1.0)
    seconds = [line.time - BEGIN for line in lines]
    assert seconds == [-math.inf, 1.0, 31.5, 31.5, 31.5, 61.0]
    assert b"".join(content[one.first : one.last] for one in lines) == content


def contents(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_a_replayed_night_is_the_night_bit_for_bit(night, tmp_path):
    folder, truth = night
    before = contents(folder)
    clock = Clock()
    done = replay(folder, tmp_path / "live", clock, speed=60.0)
    assert contents(folder) == before
    logs = {"heater_power.csv", "heater_switches.csv", "supply_current.csv"}
    wanted = {n: c for n, c in before.items() if n.startswith("frames/") or n in logs}
    assert contents(tmp_path / "live") == wanted
    assert [Path(name).name for name in done.frames[:6]] == [Path(n).name for n in truth["file"]]
    assert {Path(name).name for name in done.logs} == logs
    assert done.undated == ()
    # The last frame, a flat, ends less than two minutes before the last line of the logs.
    assert done.seconds == pytest.approx(clock.now - 1000.0)


@pytest.mark.parametrize("rename", [False, True])
def test_what_a_reader_meets_on_the_way(night, tmp_path, rename):
    """Frames that are complete have ended; a half-written one is there unless renamed."""
    folder, truth = night
    begin = truth["start"][0].unix
    ends = {
        Path(row["file"]).name: (row["start"].unix - begin + row["exposure"]) / 60 for row in truth
    }
    sizes = {p.name: p.stat().st_size for p in (folder / "frames").iterdir()}
    live, halves, torn = tmp_path / "live", set(), 0

    def look(now):
        nonlocal torn
        for path in (live / "frames").glob("*.fits"):
            if path.name in ends:
                assert now >= ends[path.name] - 1e-6
            if path.stat().st_size < sizes[path.name]:
                halves.add(path.name)
        torn += not (live / "heater_power.csv").read_bytes().endswith(b"\n")

    replay(folder, live, Clock(look), speed=60.0, options=ReplayOptions(rename=rename))
    assert len(halves) == (0 if rename else len(sizes))
    assert torn > 0
    assert not list(live.rglob("*.part"))


def test_what_is_there_is_not_replaced_unless_asked(night, tmp_path):
    folder, _ = night
    live = tmp_path / "live"
    replay(folder, live, speed=math.inf)
    first = contents(live)
    with pytest.raises(OutputError, match="--overwrite"):
        replay(folder, live, speed=math.inf)
    replay(folder, live, speed=math.inf, overwrite=True)
    assert contents(live) == first
    (live / "frames" / "mine.fits").write_bytes(b"mine")
    with pytest.raises(OutputError, match=r"not of this night \(first: mine.fits\)"):
        replay(folder, live, speed=math.inf, overwrite=True)
    assert (live / "frames" / "mine.fits").read_bytes() == b"mine"


def test_originals_are_safe_from_a_replay_into_their_folder(night, tmp_path):
    folder, _ = night
    before = contents(folder)
    for out in (folder, folder / "frames", folder / "frames" / "live"):
        with pytest.raises(InputError, match="the night lies in this folder"):
            replay(folder, out, overwrite=True)
    # Also through a link that stands where a frame is to be written.
    (tmp_path / "frames").mkdir()
    (tmp_path / "frames" / "001-L.fits").symlink_to(folder / "frames" / "001-L.fits")
    replay(folder, tmp_path, speed=math.inf, overwrite=True)
    assert not (tmp_path / "frames" / "001-L.fits").is_symlink()
    assert contents(folder) == before


@pytest.mark.parametrize("rename", [False, True])
def test_stopped_by_the_user_nothing_is_half_written(night, tmp_path, rename):
    folder, _ = night
    live, whole = tmp_path / "live", contents(folder)

    def stop(now):
        log = live / "heater_power.csv"
        part = [
            p
            for p in (live / "frames").iterdir()
            if p.stat().st_size < len(whole[f"frames/{p.name.removesuffix('.part')}"])
        ]
        if part and not log.read_bytes().endswith(b"\n"):
            raise KeyboardInterrupt

    options = ReplayOptions(rename=rename, torn=1)
    with pytest.raises(KeyboardInterrupt):
        replay(folder, live, Clock(stop), speed=60.0, options=options)
    left = contents(live)
    assert left
    for name, content in left.items():
        assert content.endswith(b"\n") if name.endswith("csv") else content == whole[name]
        assert whole[name].startswith(content)


def test_any_folder_of_frames(tmp_path):
    """Subfolders are kept; frames without a time are there first; notes are no log."""
    night = tmp_path / "night"
    (night / "L").mkdir(parents=True)
    cards = {"DATE-OBS": "2024-10-14T20:12:00", "EXPOSURE": 60.0}
    fits.PrimaryHDU(np.zeros((4, 4)), fits.Header(cards)).writeto(night / "L" / "b.fits")
    fits.PrimaryHDU(np.zeros((4, 4))).writeto(night / "a.fit")
    (night / "damaged.fits").write_bytes(b"SIMPLE")
    (night / "ring.log").write_text("2024-10-14 22:12:30 on 60\n2024-10-14 22:12:59 off\n")
    (night / "notes.txt").write_text("clouds at ten\nwarm\nnothing else\n")
    seen = []
    clock = Clock(lambda now: seen.append((now, sorted(contents(tmp_path / "live")))))
    options = ReplayOptions(parts=1, zone="+02:00", torn=0)
    done = replay(night, tmp_path / "live", clock, speed=30.0, options=options)
    assert [Path(name).name for name in done.undated] == ["a.fit", "damaged.fits"]
    assert seen == [
        (0.0, ["frames/a.fit", "frames/damaged.fits"]),
        (1.0, ["frames/a.fit", "frames/damaged.fits", "ring.log"]),
        (pytest.approx(59 / 30), ["frames/a.fit", "frames/damaged.fits", "ring.log"]),
    ]
    assert done.seconds == pytest.approx(2.0)
    assert (tmp_path / "live" / "frames" / "L" / "b.fits").exists()


def test_a_folder_without_frames(tmp_path):
    (tmp_path / "night").mkdir()
    with pytest.raises(InputError, match="no FITS file"):
        replay(tmp_path / "night", tmp_path / "live")
