"""Logs of several nights as one."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.records import HeaterTrace

__all__ = ["join_traces", "shift_trace"]

Floats = NDArray[np.float64]


def shift_trace(trace: HeaterTrace, seconds: float) -> HeaterTrace:
    """The trace with an offset added to its times."""
    return HeaterTrace(
        edges=trace.edges + seconds,
        power=trace.power,
        source=trace.source,
        notes=trace.notes,
        confidence=trace.confidence,
        entries=None
        if trace.entries is None
        else (trace.entries[0] + seconds, trace.entries[1] + seconds),
    )


def join_traces(traces: Sequence[HeaterTrace]) -> HeaterTrace:
    """Join several logs, such as one per night, into one trace.

    Parameters
    ----------
    traces : sequence of HeaterTrace
        In any order. Where two of them have a power, the one that begins later is used; a state
        after the last entry of a log ends where the next log begins.

    Returns
    -------
    HeaterTrace
        With the notes of all; unknown where none has data.

    Raises
    ------
    HeaterLogError
        One of several holds no time at all, as a constant power does.
    """
    if len(traces) == 1:
        return traces[0]
    limits = []
    for trace in traces:
        span = trace.span
        if span is None:
            raise HeaterLogError("a heater log without times cannot be joined with another log")
        limits.append(span)
    order = sorted(range(len(traces)), key=lambda k: (limits[k], k))
    begins = [limits[k][0] for k in order]
    edges = np.unique(np.concatenate([trace.edges for trace in traces]))
    low = np.where(np.isfinite(edges[:-1]), edges[:-1], edges[1:] - 2.0)
    middle = (low + np.where(np.isfinite(edges[1:]), edges[1:], low + 2.0)) / 2
    power, sure = np.full(len(middle), np.nan), np.ones(len(middle))
    for n, k in enumerate(order):
        trace = traces[k]
        place = np.searchsorted(trace.edges, middle) - 1
        inside = (place >= 0) & (place < len(trace.power))
        last = max([limits[k][1], *begins[n + 1 : n + 2]])
        # The time before the first entry is used for the first log only.
        inside &= (middle < last if n + 1 < len(order) else True) & (
            (middle > begins[n]) | (n == 0)
        )
        value = np.where(inside, trace.power[np.clip(place, 0, len(trace.power) - 1)], np.nan)
        known = np.isfinite(value)
        power[known] = value[known]
        if trace.confidence is not None:
            sure[known] = trace.confidence[place[known]]
        else:
            sure[known] = 1.0
    within = np.zeros(len(middle), dtype=bool)
    for low_end, high_end in limits:
        within |= (middle > low_end) & (middle < high_end)
    for k in order[1:]:  # the time before a later log, where no other log has data
        trace = traces[k]
        place = np.searchsorted(trace.edges, middle) - 1
        before = (place >= 0) & (middle < limits[k][0]) & np.isnan(power) & ~within
        power[before] = trace.power[place[before]]
    keep = np.r_[True, ~(_same(power[1:], power[:-1]) & (sure[1:] == sure[:-1]))]
    notes = tuple(dict.fromkeys(note for k in order for note in traces[k].notes))
    return HeaterTrace(
        edges=np.r_[edges[:-1][keep], edges[-1]],
        power=power[keep],
        source=traces[order[0]].source,
        notes=notes,
        confidence=None if (sure == 1).all() else sure[keep],
        entries=(min(begins), max(end for _, end in limits)),
    )


def _same(one: Floats, two: Floats) -> NDArray[np.bool_]:
    return np.asarray((one == two) | (np.isnan(one) & np.isnan(two)))
