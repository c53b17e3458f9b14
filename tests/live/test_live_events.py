"""Events are told once, by the user's own command, whatever happens to the program."""

import json
import sys
import time
from dataclasses import replace

import numpy as np
import pytest

from framesort.errors import InputError
from framesort.live import (
    CAUTION,
    EventCommands,
    FilterMinutes,
    Journal,
    LiveEvent,
    LiveFrame,
    SkyVerdict,
    _commands,
    find_events,
    find_hints,
)

DEW = LiveEvent(kind="dew", text="Dew is probable.", time=1000.0, key="dew 940")
WRITE = (
    "import os, sys; f = open({path!r}, 'a'); "
    "f.write(os.environ['FRAMESORT_EVENT'] + '|' + os.environ['FRAMESORT_MESSAGE'] + '|' "
    "+ os.environ['FRAMESORT_TIME'] + '|' + sys.stdin.read())"
)


def command(tmp_path):
    code = WRITE.format(path=str(tmp_path / "told"))
    return f'"{sys.executable}" -c "{code}"'


def test_command_gets_the_message_once(tmp_path):
    commands = EventCommands({"dew": command(tmp_path)}, Journal(tmp_path / "j"))
    assert commands.report(DEW, "2026-02-11T20:00:00") == []
    again = replace(DEW, key="dew 1500", time=1500.0)  # the same dew, nine minutes later
    assert commands.report(again, "later") == []
    assert commands.collect(wait=True) == []
    told = (tmp_path / "told").read_text()
    assert told == "dew|Dew is probable.|2026-02-11T20:00:00|Dew is probable.\n"


def test_told_events_survive_a_restart(tmp_path):
    EventCommands({}, Journal(tmp_path / "j")).report(DEW, "")
    commands = EventCommands({"dew": command(tmp_path)}, Journal(tmp_path / "j"))
    commands.report(DEW, "")
    commands.collect(wait=True)
    assert not (tmp_path / "told").exists()
    assert commands.reported() == [DEW]


def test_dew_hours_later_is_another_event(tmp_path):
    journal = Journal(tmp_path / "j")
    commands = EventCommands({}, journal)
    commands.report(DEW, "")
    commands.report(replace(DEW, key="dew 9000", time=9000.0), "")
    assert len(journal.events) == 2


def test_a_line_cut_off_by_a_kill_costs_one_event_only(tmp_path):
    journal = Journal(tmp_path / "j")
    journal.add(DEW)
    with open(tmp_path / "j", "a") as stream:
        stream.write('{"kind": "clo')
    later = replace(DEW, kind="cloud", key="cloud 9000", time=9000.0)
    Journal(tmp_path / "j").add(later)
    assert Journal(tmp_path / "j").events == [DEW, later]
    assert json.loads((tmp_path / "j").read_text().splitlines()[0])["kind"] == "dew"


def test_no_shell_reads_the_command_or_the_message(tmp_path):
    code = "import sys; open(sys.argv[1], 'w').close()"
    words = f'"{sys.executable}" -c "{code}" "{tmp_path}/$(id);a;b"'
    hostile = replace(DEW, text="$(touch /tmp/framesort-was-here); `id`")
    commands = EventCommands({"dew": words}, Journal(tmp_path / "j"))
    assert commands.report(hostile, "") == []
    assert commands.collect(wait=True) == []
    assert sorted(path.name for path in tmp_path.iterdir()) == ["$(id);a;b", "j"]


@pytest.mark.parametrize(
    ("commands", "named"),
    [
        ({"rain": "true"}, "no such event"),
        ({"dew": ""}, "is empty"),
        ({"dew": "say 'dew"}, "cannot be read"),
    ],
)
def test_wrong_commands_are_one_line(commands, named, tmp_path):
    with pytest.raises(InputError, match=named):
        EventCommands(commands, Journal(tmp_path / "j"))


def test_a_command_that_fails_is_named(tmp_path):
    commands = EventCommands({"dew": "/no/such/program"}, Journal(tmp_path / "j"))
    (line,) = commands.report(DEW, "")
    assert "/no/such/program cannot be run" in line
    failing = f'"{sys.executable}" -c "raise SystemExit(3)"'
    commands = EventCommands({"cloud": failing}, Journal(tmp_path / "k"))
    assert commands.report(replace(DEW, kind="cloud", key="cloud 1"), "") == []
    assert commands.collect(wait=True) == ["--on cloud: the command ended with status 3"]


def test_a_command_that_hangs_is_ended_and_named(tmp_path, monkeypatch):
    monkeypatch.setattr(_commands, "LONGEST", 1.0)
    hanging = f'"{sys.executable}" -c "import time; time.sleep(60)"'
    both = EventCommands({"dew": hanging, "cloud": hanging}, Journal(tmp_path / "j"))
    begin = time.monotonic()
    both.report(DEW, "")
    both.report(replace(DEW, kind="cloud", key="cloud 1"), "")
    lines = both.collect(wait=True)
    assert lines == [f"--on {kind}: the command was ended after 1 s" for kind in ("dew", "cloud")]
    assert time.monotonic() - begin < 10.0  # one after the other, but of one minute each
    assert both.collect(wait=True) == []


def frame(k=0, **changes):
    return LiveFrame(file=f"/lights/{k:03d}.fits", start=60.0 * k, exposure=60.0, **changes)


def kinds(*args):
    return [event.kind for event in find_events(*args)]


def test_dew_and_cloud_need_two_frames():
    sure, calm = (
        SkyVerdict(dew=0.97, reasons=("light down 6 %",), minutes_to_loss=20.0),
        SkyVerdict(),
    )
    assert kinds([frame()], [calm, sure], ()) == []
    (event,) = find_events([frame()], [sure, sure], ())
    assert event.kind == "dew" and "in about 20 min: light down 6 %." in event.text
    assert kinds([frame()], [replace(calm, cloud=0.95)] * 2, ()) == ["cloud"]


def test_bad_frames():
    assert kinds([frame(heater_state="off", fwhm=4.0, fwhm_ratio=2.0)], (), ()) == ["frame-bad"]
    assert kinds([frame(heater_state="on", fwhm=4.0, fwhm_ratio=2.0)], (), ()) == []
    assert kinds([frame(transparency=0.3)], (), ()) == ["frame-bad"]
    assert kinds([frame(transparency=0.9, fwhm_ratio=1.1, heater_state="off")], (), ()) == []
    (event,) = find_events([frame(7, reason="few stars")], (), ())
    assert event.text == "007.fits: few stars."


def test_a_bad_frame_that_is_renamed_is_one_event():
    bad = frame(7, transparency=0.3, sky=1000.0, noise=20.0)

    def key(**changes):
        return find_events([replace(bad, **changes)], (), ())[0].key

    assert key(file="renamed.fits") == key()
    others = [{"start": bad.start + 0.1}, {"noise": 20.5}, {"sky": 1001.0}]
    assert len({key(), *(key(**change) for change in others)}) == 4
    blank = {"sky": float("nan"), "noise": float("nan"), "reason": "unreadable"}
    assert key(**blank) != key(**blank, file="other.fits")


def test_goal_is_told_once():
    done = FilterMinutes(filter="L", off=61.0, goal=60.0)
    first, second = (find_events([frame(k)], (), [done])[0] for k in (0, 9))
    assert first.kind == "goal" and first.key == second.key
    assert kinds([frame()], (), [FilterMinutes(filter="L", off=59.0, goal=60.0)]) == []


def margins(values, state):
    return [frame(k, heater_state=state, dew_margin=v) for k, v in enumerate(values)]


def test_heater_forgotten_off_while_the_margin_closes():
    closing = [3.0 - 0.1 * k for k in range(25)]
    (event,) = find_events(margins(closing, "off"), (), ())
    assert event.kind == "forgotten" and "closing by 6.0 K an hour" in event.text
    assert kinds(margins(closing, "on"), (), ()) == []
    assert kinds(margins(closing[::-1], "off"), (), ()) == []


def without_log(heated, *, spike=0.01, err=0.003, wide=1.25, number=25, seed=1):
    """A night without log, its dew margin closing; measured as 400 x 320 pixels with 250 stars.

    Without heat a frame alone shows the strongest of the noise at all angles.
    """
    rng = np.random.default_rng(seed)
    frames = margins([2.6 - 0.1 * k for k in range(number)], "unknown")
    return [
        replace(
            f,
            fwhm=float((wide if heat else 1.0) * rng.normal(2.9, 0.04)),
            spike_raw=abs(float(rng.normal(spike if heat else 1.4 * err, 0.4 * err))),
            spike_raw_err=err,
        )
        for f, heat in zip(frames, heated, strict=True)
    ]


@pytest.mark.parametrize("seed", range(11, 16))
def test_heater_forgotten_off_without_a_log(seed):
    (event,) = find_events(without_log([False] * 25, seed=seed), (), ())
    assert event.kind == "forgotten" and event.key.startswith("forgotten:off")
    assert event.text.startswith(
        "No log covers the last frames, but the stars show no sign of heat (spike below "
    )
    assert "the dew margin is 0.2 K and closing by 6.0 K an hour." in event.text
    # Switched off during the night; the margin above a kelvin.
    assert kinds(without_log([True] * 15 + [False] * 10, seed=seed), (), ()) == ["forgotten"]
    assert kinds(without_log([False] * 25, seed=seed)[:16], (), ()) == []


@pytest.mark.parametrize("seed", range(11, 16))
def test_no_heater_is_called_forgotten_while_the_stars_show_heat_or_nothing(seed):
    # On all night: the spike alone shows it. On in the end: also where the spike is too faint.
    assert kinds(without_log([True] * 25, wide=1.0, seed=seed), (), ()) == []
    assert kinds(without_log([False] * 24 + [True], seed=seed), (), ()) == []
    late = [False] * 18 + [True] * 7
    assert kinds(without_log(late, seed=seed), (), ()) == []
    assert kinds(without_log(late, spike=0.004, seed=seed), (), ()) == []
    # Nothing known: errors as in a narrow filter, no spike measured, few frames.
    assert kinds(without_log([False] * 25, err=0.006, seed=seed), (), ()) == []
    off = without_log([False] * 25, seed=seed)
    blind = [replace(f, spike_raw=float("nan"), spike_raw_err=float("nan")) for f in off]
    assert kinds(blind, (), ()) == []
    assert kinds(off[-8:], (), ()) == []
    # A log that does not cover the last frame yet: frames before it are known.
    covered = [replace(f, heater_state="on") for f in off[:-1]]
    assert kinds([*covered, off[-1]], (), ()) == []


def test_heater_forgotten_on_without_risk():
    dry = margins([8.0] * 40, "on")
    dry = [replace(f, fwhm_ratio=1.2) for f in dry]
    (event,) = find_events(dry, (), ())
    assert event.kind == "forgotten" and "stars are +20 % wider" in event.text
    assert kinds(margins([8.0] * 20, "on"), (), ()) == []  # not half an hour yet
    assert kinds(margins([2.0] * 40, "on"), (), ()) == []


def test_hints_on_heat_come_with_the_caution():
    wet = find_hints([frame(heater_state="off")], SkyVerdict(dew=0.95), ())
    assert len(wet) == 2 and wet[-1] == CAUTION
    assert find_hints([frame(heater_state="off")], SkyVerdict(focus=0.95), ()) == (
        "Stars widen without dew or cloud: check focus.",
    )
    assert find_hints([], SkyVerdict(), ()) == ()
