"""Heater power from arrays in memory."""

from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.heater._forms import limit_reach
from framesort.records import HeaterTrace

__all__ = ["make_stepped_heater"]


def make_stepped_heater(time: Any, power: Any = None, *, end: Any = None) -> HeaterTrace:
    """Heater power from times and the power from each of them on.

    Parameters
    ----------
    time : (n,) `~astropy.time.Time`, array_like of datetime, or `~astropy.table.Table`
        Moments at which the power was set, in any order, in any time scale; datetimes without a
        zone are UTC. A table (or TimeSeries) has the columns ``time`` and ``power``.
    power : (n,) float array_like or `~astropy.units.Quantity`
        Percent of full power; a dimensionless quantity is a share of 1. NaN or masked where it
        is not known.
    end : Time, datetime or None
        End of the last power; None for 14 hours, the longest time that a power holds.

    Returns
    -------
    HeaterTrace
        Unknown before the first time. The last of several equal times is used.

    Raises
    ------
    HeaterLogError
        No moment, lengths differ, or a power is not from 0 to 100.
    """
    if isinstance(time, Table):
        missing = {"time", "power"} - set(time.colnames)
        if missing:
            raise HeaterLogError(
                f"a heater table needs the columns time and power, got {time.colnames}"
            )
        time, power = time["time"], time["power"]
    seconds = np.atleast_1d(_seconds(time))
    if getattr(power, "unit", None) is not None:
        power = u.Quantity(power).to_value(u.percent)
    level: NDArray[np.float64] = np.atleast_1d(
        np.ma.filled(np.ma.asarray(power, dtype=float), np.nan)
    )
    if len(seconds) != len(level) or not len(seconds):
        raise HeaterLogError(
            f"time and power must have one length of 1 or more, got {len(seconds)} and {len(level)}"
        )
    wrong = (level < 0) | (level > 100)
    if wrong.any():
        raise HeaterLogError(f"power must be from 0 to 100 percent, got {level[wrong][0]:g}")
    order = np.argsort(seconds, kind="stable")
    seconds, level = seconds[order], level[order]
    last = np.r_[np.diff(seconds) > 0, True]
    seconds, level = seconds[last], level[last]
    stop = np.inf if end is None else float(_seconds(end))
    if stop <= seconds[-1]:
        raise HeaterLogError("end must lie after the last moment")
    steps = np.r_[-np.inf, seconds, stop], np.r_[np.nan, level]
    # A given end makes the power known up to it.
    entries = np.r_[seconds, stop] if np.isfinite(stop) else seconds
    stated = np.r_[np.zeros(len(seconds) - 1, dtype=bool), True][: len(entries) - 1]
    edges, power = limit_reach(steps, entries, stated)
    return HeaterTrace(
        edges=edges, power=power, source="given", entries=(float(seconds[0]), float(seconds[-1]))
    )


def _seconds(time: Any) -> Any:
    """Seconds since 1970 UTC."""
    try:
        return np.asarray(Time(time).utc.unix, dtype=float)
    except ValueError as error:
        raise HeaterLogError(f"time must be Time or datetime, got {type(time).__name__}") from error
