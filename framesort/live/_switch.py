"""The last switch of the heater, and what the stars have done since."""

import math
from collections.abc import Sequence

import numpy as np

from framesort.live._status import LiveFrame
from framesort.records import HeaterTrace

__all__ = ["find_switch", "since_switch"]

STEP = 5.0
"""Percent by which the power of a heater that stays on must change to count as a switch."""

BEFORE = 10
"""Frames before the switch, the last ones, with which those since are compared."""


def find_switch(frames: Sequence[LiveFrame], trace: HeaterTrace | None) -> float:
    """When the heater was switched last, seconds since 1970 UTC; NaN if unknown.

    Parameters
    ----------
    frames : sequence of LiveFrame
        In order of time.
    trace : HeaterTrace or None
        The log so far; without one, the power in the headers counts, and the switch is the start
        of the first frame of the present power.
    """
    if trace is not None:
        before, after = trace.power[:-1], trace.power[1:]
        known = np.isfinite(before + after)
        change = ((before > 0) != (after > 0)) | (np.abs(after - before) > STEP)
        steps = trace.edges[1:-1][known & change]
        return float(steps[-1]) if len(steps) else math.nan
    timed = [f for f in frames if math.isfinite(f.start)]
    since = math.nan
    for frame in reversed(timed):
        now, last = frame.heater_power, timed[-1].heater_power
        if not math.isfinite(now + last):
            return math.nan
        if (now > 0) != (last > 0) or abs(now - last) > STEP:
            return since
        since = frame.start
    return math.nan


def since_switch(frames: Sequence[LiveFrame], switched: float) -> tuple[int, float]:
    """Frames since the heater was switched, and their FWHM over that of the frames before.

    Parameters
    ----------
    frames : sequence of LiveFrame
        In order of time.
    switched : float
        As `find_switch` gives it.

    Returns
    -------
    number : int
        Frames whose exposure began after the switch.
    ratio : float
        Median FWHM of those of the last frame's group over that of up to 10 usable frames of this
        group that ended before the switch, of the heater state that the last of them has; NaN
        where there are none.
    """
    since = [f for f in frames if f.start >= switched]
    if not since:
        return 0, math.nan
    group = since[-1].group
    before = [
        f
        for f in frames
        if f.start + f.exposure <= switched and f.group == group and f.fwhm > 0 and not f.reason
    ]
    before = [f for f in before if f.heater_state == before[-1].heater_state][-BEFORE:]
    after = [f.fwhm for f in since if f.group == group and f.fwhm > 0 and not f.reason]
    if not (before and after):
        return len(since), math.nan
    return len(since), float(np.median(after) / np.median([f.fwhm for f in before]))
