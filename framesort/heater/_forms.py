"""From sorted times and percentages to steps: samples, switch events, intervals."""

import numpy as np
from numpy.typing import NDArray

from framesort.records import HeaterTrace

__all__ = [
    "Steps",
    "guess_form",
    "steps_from_intervals",
    "steps_from_samples",
    "steps_from_switches",
    "tell_gaps",
]

Floats = NDArray[np.float64]
Steps = tuple[Floats, Floats]
"""Edges and power of a `HeaterTrace`."""


def guess_form(seconds: Floats, values: Floats) -> str:
    """Tell "switches" (each row says something new, at irregular times) from "samples".

    A sampling logger repeats itself at a steady cadence; a list of events hardly ever
    does either. Ten rows or more at a steady cadence are samples even if every value
    differs, as those of a measured power do.
    """
    if len(seconds) < 3:
        return "switches"
    gaps = np.diff(seconds)
    steady = float(np.mean(np.abs(gaps - np.median(gaps)) <= 0.2 * np.median(gaps))) >= 0.8
    news = bool(np.all(np.diff(values) != 0))
    if news:
        return "samples" if steady and len(seconds) >= 10 else "switches"
    # Repeats hours apart are somebody pressing "off" twice.
    return "samples" if steady or np.median(gaps) <= 60 else "switches"


def _merge(edges: Floats, power: Floats) -> Steps:
    """Join neighbouring steps of one power."""
    same = (power[1:] == power[:-1]) | (np.isnan(power[1:]) & np.isnan(power[:-1]))
    keep = np.r_[True, ~same]
    return np.r_[edges[:-1][keep], edges[-1]], power[keep]


def steps_from_samples(seconds: Floats, power: Floats, *, max_gap: float | None) -> Steps:
    """Steps of a sampled power: a change lies midway between the two samples that differ.

    The log ends one cadence (the median interval) after its last sample, and so does
    each stretch before a gap. `max_gap` None stands for a minute or five cadences,
    whichever is longer.
    """
    gaps = np.diff(seconds)
    cadence = float(np.median(gaps)) if gaps.size else 1.0
    limit = max(60.0, 5 * cadence) if max_gap is None else max_gap
    hole = gaps > limit
    change = (np.diff(power) != 0) & ~hole
    before, after = np.flatnonzero(hole), np.flatnonzero(hole) + 1
    times = np.r_[
        seconds[0],
        seconds[:-1][change] + gaps[change] / 2,
        seconds[before] + np.minimum(cadence, gaps[before] / 2),
        seconds[after],
    ]
    level = np.r_[power[0], power[1:][change], np.full(before.size, np.nan), power[after]]
    order = np.argsort(times, kind="stable")
    return _merge(np.r_[times[order], seconds[-1] + cadence], level[order])


def tell_gaps(seconds: Floats) -> list[str]:
    """Say how long a log is silent, if at all, from the lengths of its gaps."""
    if not len(seconds):
        return []
    gaps = "1 gap" if len(seconds) == 1 else f"{len(seconds)} gaps"
    return [f"{gaps} of up to {max(seconds):.0f} s without a sample: the power there is unknown."]


def steps_from_switches(seconds: Floats, power: Floats) -> Steps:
    """Steps of switch events, each holding to the next and the last for good.

    Before the first event the heater is off if that event switches it on, else unknown.
    """
    first = 0.0 if power[0] > 0 else np.nan
    return _merge(np.r_[-np.inf, seconds, np.inf], np.r_[first, power])


def steps_from_intervals(begin: Floats, end: Floats, power: Floats) -> tuple[Floats, Floats, bool]:
    """Steps of a list of intervals; the third item tells whether some overlap.

    Off outside the intervals, as such a list names the times the heater was on. If it
    names times with power 0 as well, what it does not name is unknown. Where
    intervals of different power overlap the power is unknown.
    """
    outside = np.nan if np.any(power == 0) else 0.0
    times = np.unique(np.r_[begin, end])
    # Lowest and highest power of the intervals over each piece, from sorted begins and ends.
    low, high = np.full(len(times) - 1, np.inf), np.full(len(times) - 1, -np.inf)
    for a, b, p in zip(
        np.searchsorted(times, begin), np.searchsorted(times, end), power, strict=True
    ):
        low[a:b], high[a:b] = np.minimum(low[a:b], p), np.maximum(high[a:b], p)
    level = np.where(low > high, outside, np.where(low == high, low, np.nan))
    if np.isfinite(times[-1]):  # else the last interval has no end
        times, level = np.r_[times, np.inf], np.r_[level, outside]
    edges, level = _merge(np.r_[-np.inf, times], np.r_[outside, level])
    return edges, level, bool(np.any(low < high))


def make_trace(steps: Steps, notes: list[str], confidence: Floats | None = None) -> HeaterTrace:
    """A trace from a log."""
    return HeaterTrace(
        edges=steps[0], power=steps[1], notes=tuple(notes), confidence=confidence, source="log"
    )
