"""Lines for a terminal: one a frame, and the state of the night."""

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from framesort.live._status import FilterMinutes, LiveFrame, LiveStatus, SkyVerdict

__all__ = ["clock_text", "describe_heater", "describe_state", "frame_line", "status_lines"]


def clock_text(seconds: float) -> str:
    """Hours and minutes UTC of seconds since 1970; a dash where not known."""
    return f"{datetime.fromtimestamp(seconds, UTC):%H:%M}" if math.isfinite(seconds) else "-"


def _number(value: float, form: str, unit: str = "") -> str:
    return f"{value:{form}}{unit}" if math.isfinite(value) else "-"


def frame_line(frame: LiveFrame) -> str:
    """One frame in one line: time, filter, heater, FWHM, spike, transparency, sky, name."""
    heater = frame.heater_state
    if heater in ("on", "part") and math.isfinite(frame.heater_power):
        heater = f"{heater} {frame.heater_power:.0f}%"
    width = _number(frame.fwhm, ".2f", " px")
    if math.isfinite(frame.fwhm_ratio):
        width += f" ({100 * (frame.fwhm_ratio - 1):+.0f} %)"
    name = frame.file.replace("\\", "/").rpartition("/")[2]
    cells = [
        clock_text(frame.start),
        f"{frame.filter:6s}",
        f"{_number(frame.exposure, '.0f', ' s'):>6s}",
        f"{heater:9s}",
        f"FWHM {width:16s}",
        f"spike {_number(100 * frame.spike, '.1f', ' %'):>6s}",
        f"light {_number(100 * frame.transparency, '.0f', ' %'):>5s}",
        f"sky {_number(frame.sky, '.0f'):>6s}",
        name,
    ]
    return "  ".join(cells) + (f"  {frame.reason}" if frame.reason else "")


def describe_state(
    frames: Sequence[LiveFrame], sky: SkyVerdict, minutes: Sequence[FilterMinutes]
) -> str:
    """The present state in one sentence."""
    if not frames:
        return "No frame yet."
    last = frames[-1]
    if sky.dew > 0.5:
        state = f"Dew is probable ({100 * sky.dew:.0f} %)"
        if sky.minutes_to_loss > 0:
            state += f"; it costs a tenth of the light in about {sky.minutes_to_loss:.0f} min"
    elif sky.cloud > 0.5:
        state = f"Cloud ({100 * sky.cloud:.0f} %)"
    elif sky.focus > 0.5:
        state = f"Stars widen, focus is the probable cause ({100 * sky.focus:.0f} %)"
    else:
        state = "No dew, no cloud"
    heater = {"off": "heater off", "on": "heater on", "part": "heater switched"}.get(
        last.heater_state, "heater state unknown"
    )
    width = (
        f", FWHM {100 * (last.fwhm_ratio - 1):+.0f} % against heater off"
        if math.isfinite(last.fwhm_ratio)
        else ""
    )
    goal = ""
    missing = [one for one in minutes if one.missing > 0]
    if missing:
        goal = "; " + ", ".join(
            f"{one.filter or 'all'}: {one.missing:.0f} heater-off min missing" for one in missing
        )
    return f"{state}; {heater}{width}{goal}."


def describe_heater(last: LiveFrame) -> str:
    """The heater's state in the last frame, with its power: "on, 60 %"."""
    if last.heater_state == "on" and math.isfinite(last.heater_power):
        return f"on, {last.heater_power:.0f} %"
    return {"part": "switched during the last frame"}.get(last.heater_state, last.heater_state)


def _since_switch(status: LiveStatus) -> list[str]:
    """A line on the frames and minutes since the heater was switched; none where not known."""
    ends = [f.start + f.exposure for f in status.frames if math.isfinite(f.start + f.exposure)]
    state = status.heater.partition(",")[0]
    if not (math.isfinite(status.switched) and ends and state not in ("", "unknown")):
        return []
    minutes = max(max(ends) - status.switched, 0.0) / 60
    number = status.frames_since_switch
    if number == 0:
        return [f"heater switched {minutes:.0f} min before the end of the last frame"]
    width = (
        f"; FWHM {100 * (status.fwhm_since_switch - 1):+.0f} % against before"
        if math.isfinite(status.fwhm_since_switch)
        else ""
    )
    frames = "1 frame" if number == 1 else f"{number} frames"
    return [f"heater {state} for {frames}, {minutes:.0f} min{width}"]


def status_lines(status: LiveStatus) -> list[str]:
    """The state of the night in a few lines."""
    lines = [status.sentence, *_since_switch(status)]
    for one in status.minutes:
        goal = ""
        if math.isfinite(one.goal):
            when = f", at this rate at {clock_text(one.ready)} UTC" if one.missing > 0 else ""
            if one.missing > 0 and not math.isfinite(one.ready):
                when = ", not at the present rate"
            goal = f"; goal {one.goal:.0f} min, {one.missing:.0f} missing{when}"
        lines.append(
            f"{one.filter or 'no filter'}: {one.off:.0f} min heater off, {one.on:.0f} min on{goal}"
        )
    lines += [f"why: {'; '.join(status.sky.reasons)}"] if status.sky.reasons else []
    lines += list(status.hints)
    return lines
