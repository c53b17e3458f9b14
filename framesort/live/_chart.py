"""Geometry of the night so far: bars of the frames, ticks, hours, as numbers for the page."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from framesort.live._status import LiveFrame, LiveStatus
from framesort.records import HEATER_STATES

__all__ = ["Panel", "Timeline", "draw_timeline"]

_SPAN = 18 * 3600.0
"""Longest time shown, seconds: frames with a wrong date must not squeeze the night."""

_LEAST_SPAN = 3600.0
"""Shortest, so that the first frames of the night are not drawn as blocks."""

_LEAST_WIDTH = 1.5
"""Of a bar, in thousandths of the width, so that short exposures remain visible."""

_STRIP_TOPS = {"off": 62.0, "part": 31.0, "on": 0.0, "unknown": 85.0}
"""Upper end of the bars of the heater's state: its height shows it as well as its colour."""


@dataclass(frozen=True)
class Panel:
    """One row of bars. Places are thousandths of the width and percent of the height from above.

    Attributes
    ----------
    name, title, label : str
        For the style, the reader, and the screen reader.
    ticks : list of (float, str)
        Places of the rules with their text.
    bars : list of (str, str)
        Heater state and the outline of its bars, as the path of an SVG file.
    """

    name: str
    title: str
    label: str
    ticks: list[tuple[float, str]]
    bars: list[tuple[str, str]]


@dataclass(frozen=True)
class Timeline:
    """The night so far.

    Attributes
    ----------
    panels : list of `Panel`
        FWHM, transparency, state of the heater.
    states : list of str
        States that occur.
    hours : list of (float, str)
        Labels of the time axis, their places in percent.
    events : list of float
        Places of the events, thousandths.
    note : str
        What is not shown; "" if nothing.
    """

    panels: list[Panel]
    states: list[str]
    hours: list[tuple[float, str]]
    events: list[float]
    note: str


@dataclass(frozen=True)
class _Axis:
    begin: float
    end: float

    def place(self, seconds: float) -> float:
        return round(1000 * (seconds - self.begin) / (self.end - self.begin), 1)


def _length(frame: LiveFrame) -> float:
    return frame.exposure if math.isfinite(frame.exposure) and frame.exposure > 0 else 0.0


def _choose_frames(status: LiveStatus) -> list[LiveFrame]:
    """Frames with a date in this night: not long before, and not after, the status was made."""
    dated = [frame for frame in status.frames if math.isfinite(frame.start)]
    starts = sorted(frame.start for frame in dated)
    if not starts:
        return []
    now = status.time
    if not math.isfinite(now) or not starts[0] <= now + _SPAN or now - starts[-1] > _SPAN:
        now = starts[len(starts) // 2] + _SPAN / 2
    return [frame for frame in dated if now - _SPAN <= frame.start <= now + 3600.0]


def _outline(spans: Iterable[tuple[float, float, float, float]]) -> str:
    """Rectangles from left, right, top, bottom as one path."""
    return "".join(f"M{a:g} {t:.1f}H{b:g}V{u:.1f}H{a:g}Z" for a, b, t, u in spans)


def _bars(
    frames: Sequence[LiveFrame], axis: _Axis, tops: Sequence[tuple[float, float]]
) -> list[tuple[str, str]]:
    """Outlines by state of bars that reach from top to bottom; NaN: none."""
    spans: dict[str, list[tuple[float, float, float, float]]] = {}
    for frame, (top, bottom) in zip(frames, tops, strict=True):
        if not (math.isfinite(top) and math.isfinite(bottom)):
            continue
        left = axis.place(frame.start)
        right = axis.place(frame.start + _length(frame))
        gap = 0.12 * (right - left)
        right = max(round(right - gap, 1), left + _LEAST_WIDTH)
        state = frame.heater_state if frame.heater_state in HEATER_STATES else "unknown"
        spans.setdefault(state, []).append((left, right, top, bottom))
    return [(state, _outline(spans[state])) for state in HEATER_STATES if state in spans]


def _median(values: Iterable[float]) -> float:
    known = sorted(value for value in values if math.isfinite(value))
    return known[len(known) // 2] if known else math.nan


def _say(frames: Sequence[LiveFrame], name: str, pattern: str) -> str:
    """Medians by state in words, for those who do not see the bars."""
    parts = []
    for state, words in HEATER_STATES.items():
        middle = _median(getattr(f, name) for f in frames if f.heater_state == state)
        if math.isfinite(middle):
            parts.append(f"{words}: median {pattern.format(middle)}")
    return "; ".join(parts) or "no values yet"


def _sign(text: str) -> str:
    """A change as "+10%" for reading."""
    return "0" if text in ("+0%", "-0%") else text.replace("%", " %").replace("-", "−")


def _width_panel(frames: Sequence[LiveFrame], axis: _Axis) -> Panel:
    """FWHM against the median with the heater off: bars up and down from 1."""
    values = [f.fwhm_ratio for f in frames]
    known = sorted(v for v in values if math.isfinite(v) and v > 0)
    # The largest few may leave the plot: one frame with clouds must not flatten all others.
    high = known[min(len(known) - 1, int(0.98 * len(known)))] if known else 1.0
    low = known[int(0.02 * len(known))] if known else 1.0
    step = next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0) if high - 1 <= 4 * s), 5.0)
    top = 1 + step * max(2, min(6, math.ceil((high - 1) / step - 1e-9)))
    bottom = max(1 - step * (2 if low < 1 - step else 1), 0.0)

    def place(ratio: float) -> float:
        return 100 * (top - min(max(ratio, bottom), top)) / (top - bottom)

    tops = []
    for ratio in values:
        if not (math.isfinite(ratio) and ratio > 0):
            tops.append((math.nan, math.nan))
            continue
        a, b = sorted((place(ratio), place(1.0)))
        tops.append((min(a, place(1.0) - 1.5), max(b, place(1.0) + 1.5)))
    marks = range(math.ceil((bottom - 1) / step - 1e-9), round((top - 1) / step) + 1)
    ticks = [(round(place(1 + k * step), 1), _sign(f"{k * step:+.0%}")) for k in marks]
    return Panel(
        "width",
        "FWHM against the heater-off median",
        f"FWHM over the heater-off median. {_say(frames, 'fwhm_ratio', '{:.2f}')}.",
        ticks,
        _bars(frames, axis, tops),
    )


def _light_panel(frames: Sequence[LiveFrame], axis: _Axis) -> Panel:
    tops = [
        (100 * (1 - min(max(f.transparency, 0.0), 1.1) / 1.1), 100.0)
        if math.isfinite(f.transparency)
        else (math.nan, math.nan)
        for f in frames
    ]
    ticks = [(round(100 * (1 - v / 1.1), 1), f"{100 * v:.0f} %") for v in (0.0, 0.5, 1.0)]
    return Panel(
        "light",
        "Transparency, of the best frame",
        f"Transparency. {_say(frames, 'transparency', '{:.0%}')}.",
        ticks,
        _bars(frames, axis, tops),
    )


def _state_panel(frames: Sequence[LiveFrame], axis: _Axis) -> Panel:
    counts = {
        words: sum(f.heater_state == state for f in frames)
        for state, words in HEATER_STATES.items()
    }
    listed = ", ".join(f"{number} {words}" for words, number in counts.items() if number)
    tops = [(_STRIP_TOPS.get(f.heater_state, 85.0), 100.0) for f in frames]
    return Panel("strip", "Heater", f"Frames: {listed}.", [], _bars(frames, axis, tops))


def _hours(axis: _Axis, zone: tzinfo) -> list[tuple[float, str]]:
    """Labels at round times of the zone, at most six."""
    span = axis.end - axis.begin
    step = next((s for s in (900, 1800, 3600, 7200, 10800) if span / s <= 5.5), 21600)
    shift = datetime.fromtimestamp(axis.begin, tz=zone).utcoffset()
    offset = shift.total_seconds() if shift is not None else 0.0
    first = math.ceil((axis.begin + offset) / step) * step - offset
    count = int((axis.end - first) // step) + 1
    return [
        (axis.place(t) / 10, f"{datetime.fromtimestamp(t, tz=zone):%H:%M}")
        for t in (first + k * step for k in range(count))
        if 2 < axis.place(t) / 10 < 98
    ]


def draw_timeline(status: LiveStatus, *, zone: tzinfo = UTC) -> Timeline | None:
    """The frames of the night as bars; None without a frame that has a date.

    Parameters
    ----------
    status : `LiveStatus`
        State of the night.
    zone : `~datetime.tzinfo`
        Of the labels.

    Returns
    -------
    timeline : `Timeline` or None
        A bar a frame: its left end at the start of the exposure, its width nearly the
        exposure. NaN has no bar.
    """
    frames = _choose_frames(status)
    if not frames:
        return None
    begin = min(f.start for f in frames)
    end = max(f.start + min(_length(f), 7200.0) for f in frames)
    axis = _Axis(begin, max(end, begin + _LEAST_SPAN))
    missing = len(status.frames) - len(frames)
    note = (
        f"Not shown, since without a date in this night: {missing} of {len(status.frames)} frames."
    )
    present = {f.heater_state if f.heater_state in HEATER_STATES else "unknown" for f in frames}
    return Timeline(
        [_width_panel(frames, axis), _light_panel(frames, axis), _state_panel(frames, axis)],
        [state for state in HEATER_STATES if state in present],
        _hours(axis, zone),
        [axis.place(e.time) for e in status.events if axis.begin <= e.time <= axis.end],
        note if missing else "",
    )
