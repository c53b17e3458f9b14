"""From sorted times and percentages to steps: samples, switch events, intervals."""

import numpy as np
from numpy.typing import NDArray

from framesort.records import HeaterTrace, Note

__all__ = [
    "REACH",
    "Steps",
    "limit_reach",
    "look_like_switches",
    "make_trace",
    "note_gaps",
    "steps_from_intervals",
    "steps_from_samples",
    "steps_from_switches",
]

Floats = NDArray[np.float64]
Steps = tuple[Floats, Floats]
"""Edges and power of a `HeaterTrace`."""

REACH = 14 * 3600.0
"""Longest time in seconds that a switch holds: less than the time from night to night."""


def look_like_switches(seconds: Floats, values: Floats) -> bool:
    """Distinguish switches (a change in every row, at irregular times) from samples.

    A sampling logger repeats values at a regular cadence; a list of events rarely does either.
    Ten rows or more at a regular cadence are samples even if every value differs, as for a
    measured power.
    """
    if len(seconds) < 3:
        return True
    gaps = np.diff(seconds)
    steady = float(np.mean(np.abs(gaps - np.median(gaps)) <= 0.2 * np.median(gaps))) >= 0.8
    if np.all(np.diff(values) != 0):
        return not (steady and len(seconds) >= 10)
    # Repeated values hours apart are repeated switch events.
    return not steady and bool(np.median(gaps) > 60)


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


def note_gaps(seconds: Floats) -> list[Note]:
    """A note on the gaps of a log, from their lengths."""
    if not len(seconds):
        return []
    gaps = "1 gap" if len(seconds) == 1 else f"{len(seconds)} gaps"
    text = f"{gaps} of up to {max(seconds):.0f} s without a sample: the power there is unknown."
    return [Note("log gap", text)]


def steps_from_switches(seconds: Floats, power: Floats) -> Steps:
    """Steps of switch events, each holding to the next, but for `REACH` at most.

    For as long before the first event the heater is off if that event switches it on, else
    unknown.
    """
    first = 0.0 if power[0] > 0 else np.nan
    steps = _merge(np.r_[-np.inf, seconds, np.inf], np.r_[first, power])
    return limit_reach(steps, seconds)


def limit_reach(steps: Steps, entries: Floats, stated: NDArray[np.bool_] | None = None) -> Steps:
    """Make the power unknown where no entry of a log is near enough.

    Parameters
    ----------
    steps : Steps
        Edges, the outer ones endless, and power.
    entries : (n,) float ndarray
        Times of the log's entries, increasing. Each holds for `REACH` after it; one that follows
        a longer gap also for `REACH` before it, like the first one, if the heater was off before
        the gap.
    stated : (n - 1,) bool ndarray or None
        True where the log states that its power holds from one entry to the next, at any
        distance; None for nowhere.

    Returns
    -------
    Steps
        Known from `REACH` before the first entry to `REACH` after the last at most.
    """
    edges, power = steps
    gap = np.diff(entries) > REACH
    if stated is not None:
        gap &= ~stated
    begins = np.r_[-np.inf, entries[:-1][gap] + REACH, entries[-1] + REACH]
    ends = np.r_[entries[0] - REACH, entries[1:][gap], np.inf]
    # After a gap: off as before it, for the night of the next entry.
    off = power[np.searchsorted(edges, begins[1:-1], side="right") - 1] == 0
    ends[1:-1][off] = np.maximum(ends[1:-1][off] - REACH, begins[1:-1][off])
    cuts = np.unique(np.r_[edges[np.isfinite(edges)], begins[1:], ends[:-1]])
    middle = (cuts[1:] + cuts[:-1]) / 2
    level = np.append(power, np.nan)[np.searchsorted(edges, middle, side="right") - 1].copy()
    for begin, end in zip(begins, ends, strict=True):
        level[(middle > begin) & (middle < end)] = np.nan
    known = np.flatnonzero(np.isfinite(level))
    if known.size:
        cuts, level = cuts[known[0] : known[-1] + 2], level[known[0] : known[-1] + 1]
    return _merge(cuts, level)


def steps_from_intervals(begin: Floats, end: Floats, power: Floats) -> tuple[Floats, Floats, bool]:
    """Steps of a list of intervals; the third item is whether some overlap.

    Off outside the intervals, for `REACH` at most, since such a list has the times with the heater
    on; one without an end (inf) lasts as long. If the list has times with power 0 as well, other
    times are unknown. Where intervals of different power overlap the power is unknown.
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
    overlap = bool(np.any(low < high))
    entries = times[np.isfinite(times)]
    named = (low <= high)[: len(entries) - 1]
    edges, level = _merge(np.r_[-np.inf, times], np.r_[outside, level])
    return *limit_reach((edges, level), entries, named), overlap


def make_trace(
    steps: Steps,
    notes: list[Note],
    confidence: Floats | None = None,
    entries: tuple[float, float] | None = None,
) -> HeaterTrace:
    """A trace from a log; `entries` as `HeaterTrace` has them."""
    return HeaterTrace(
        edges=steps[0],
        power=steps[1],
        notes=tuple(notes),
        confidence=confidence,
        source="log",
        entries=entries,
    )
