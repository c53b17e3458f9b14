"""The changes of heater power that count, without noise of a log and ramps of seconds."""

from dataclasses import replace

import numpy as np

from framesort.records._frames import HeaterTrace

__all__ = ["keep_switches"]

_LEAST = 2.5
"""Percent of power below which a step is noise of the log, not a change."""

_RAMP = 30.0
"""Seconds: a shorter stay at a power between two others belongs to the change between them."""

_LONGEST = 3600.0
"""Seconds for which a step counts at most in the mean power of a run of steps."""


def keep_switches(trace: HeaterTrace) -> HeaterTrace:
    """The trace with only the changes that count.

    Parameters
    ----------
    trace : HeaterTrace
        What the heater did.

    Returns
    -------
    HeaterTrace
        Steps that differ by less than 2.5 % from the mean power since the last change are one
        step with that mean; a step of less than 30 seconds between a lower and a higher power
        belongs to the change between them, which is then at its end. Unknown steps stay.
    """
    runs: list[tuple[float, float, float]] = []  # begin, power, weight
    for begin, end, power in zip(trace.edges[:-1], trace.edges[1:], trace.power, strict=True):
        weight = float(min(end - begin, _LONGEST))
        if runs and _same(runs[-1][1], power):
            start, mean, so_far = runs[-1]
            if np.isfinite(power):
                mean += (power - mean) * weight / (so_far + weight)
            runs[-1] = start, mean, so_far + weight
            continue
        while len(runs) > 1 and runs[-1][2] < _RAMP and _between(runs[-2][1], runs[-1][1], power):
            runs.pop()
        runs.append((float(begin), float(power), weight))
    return replace(
        trace,
        edges=np.array([*(begin for begin, _, _ in runs), trace.edges[-1]]),
        power=np.array([power for _, power, _ in runs]),
        confidence=None,
    )


def _same(one: float, other: float) -> bool:
    if np.isnan(one) or np.isnan(other):
        return bool(np.isnan(one) and np.isnan(other))
    return abs(one - other) < _LEAST


def _between(before: float, power: float, after: float) -> bool:
    """Whether a power lies between two others; false where one is unknown."""
    return min(before, after) <= power <= max(before, after)
