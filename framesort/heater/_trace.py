"""Columns, tables and plots of a trace; traces without a log."""

from typing import TYPE_CHECKING

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.records import HeaterTrace, add_column, keep_switches, unix_seconds

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "add_heater_columns",
    "describe_trace",
    "draw_trace",
    "make_constant_heater",
    "make_header_heater",
    "tabulate_trace",
]

_OFF, _ON = 0.005, 0.995
"""A heater share below the first is off, above the second on: half a percent of an exposure."""


def make_constant_heater(power: float) -> HeaterTrace:
    """A heater of one power all night, given by the user.

    Parameters
    ----------
    power : float
        Percent of full power, 0..100.

    Raises
    ------
    HeaterLogError
        `power` is outside 0..100.
    """
    if not 0 <= power <= 100:
        raise HeaterLogError(f"heater power must be 0 to 100 percent, got {power}")
    return HeaterTrace(
        edges=np.array([-np.inf, np.inf]), power=np.array([float(power)]), source="given"
    )


def make_header_heater(
    start: Time, exposure: NDArray[np.float64], power: NDArray[np.float64]
) -> HeaterTrace:
    """Heater power from the frame headers, one value a frame.

    Parameters
    ----------
    start : (n,) `~astropy.time.Time`
        Start of each exposure; frames with a masked start are left out.
    exposure : (n,) float array_like
        Seconds.
    power : (n,) float array_like
        Percent of full power, NaN where the header has none.

    Returns
    -------
    HeaterTrace
        Known during the exposures only. Where one begins before another has ended,
        as rounded times do, the later one counts.

    Raises
    ------
    HeaterLogError
        No frame with a start, an exposure and a power of 0..100.
    """
    begin = unix_seconds(start)
    end, level = begin + np.asarray(exposure, dtype=float), np.array(power, dtype=float)
    level[~((level >= 0) & (level <= 100))] = np.nan
    good = np.isfinite(begin) & (end > begin) & np.isfinite(level)
    if not good.any():
        raise HeaterLogError(
            "no frame has a start, an exposure time and a heater power of 0 to 100 percent; "
            "check the name of the keyword"
        )
    order = np.argsort(begin[good], kind="stable")
    begin, end, level = begin[good][order], end[good][order], level[good][order]
    distinct = np.r_[np.diff(begin) > 0, True]
    begin, end, level = begin[distinct], end[distinct], level[distinct]
    end = np.minimum(end, np.r_[begin[1:], np.inf])
    edges = np.column_stack([begin, end]).ravel()
    steps = np.column_stack([level, np.full(len(level), np.nan)]).ravel()[:-1]
    keep = np.r_[np.diff(edges) > 0, True]
    return HeaterTrace(edges=edges[keep], power=steps[keep[:-1]])


def add_heater_columns(
    table: Table, trace: HeaterTrace, *, clock_offset: float | NDArray[np.float64] = 0.0
) -> None:
    """Add the heater's columns to a table of frames.

    They are heater_share, heater_power, heater_state, state_source, minutes_since_switch and
    previous_power.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start (`~astropy.time.Time`) and exposure (seconds); changed in place.
    trace : HeaterTrace
        What the heater did. A power that holds at any time holds for frames without a start too.
    clock_offset : float or (n,) float ndarray
        Seconds to add to the log's times so that they agree with the camera's clock: minus
        an hour for a log whose clock is an hour ahead. One a frame where nights differ.

    Notes
    -----
    The state is "off" for a share below 0.005, "on" above 0.995, "part" between and
    "unknown" where the trace does not cover the exposure. A change of power that stays
    above zero for the whole exposure is "on". The last switch is that before the middle of the
    exposure, as `keep_switches` finds it; NaN where the trace has none or does not cover the time
    since.
    """
    begin = unix_seconds(table["start"]) - clock_offset
    exposure = np.asarray(table["exposure"], dtype=float)
    if trace.constant:
        begin = np.zeros(len(table))
    share, power = trace.average(begin, begin + exposure)
    state = np.full(len(table), "unknown", dtype=object)
    state[share < _OFF] = "off"
    state[(share >= _OFF) & (share <= _ON)] = "part"
    state[share > _ON] = "on"
    add_column(table, "heater_share", share)
    add_column(table, "heater_power", power)
    add_column(table, "heater_state", state)
    add_column(table, "state_source", [trace.source if s != "unknown" else "" for s in state])
    minutes, before = _last_switch(trace, begin + exposure / 2)
    add_column(table, "minutes_since_switch", minutes)
    add_column(table, "previous_power", before)


def _last_switch(
    trace: HeaterTrace, times: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Minutes since the last change of power and the power before it; NaN where unknown."""
    kept = keep_switches(trace)
    before = np.r_[np.nan, kept.power[:-1]]
    step = np.searchsorted(kept.edges, times, side="right") - 1
    inside = (step >= 0) & (step < len(kept.power))
    step = np.where(inside, step, 0)
    known = inside & np.isfinite(kept.power[step]) & np.isfinite(before[step])
    with np.errstate(invalid="ignore"):
        minutes = (times - kept.edges[step]) / 60
    return np.where(known, minutes, np.nan), np.where(known, before[step], np.nan)


def describe_trace(trace: HeaterTrace) -> Table:
    """The steps of a trace as a table, a row a step.

    Returns
    -------
    `~astropy.table.Table`
        start, stop (text, ISO 8601 UTC to the second; "" for no limit), seconds (inf
        for no limit, as of a constant power), power (percent, NaN where unknown),
        confidence (1 where the log leaves no doubt, NaN where unknown). ``meta["notes"]`` holds
        the trace's notes, ``meta["entries"]`` the times of the log's first and last entry
        (empty if it knows none).
    """
    certain = np.where(np.isnan(trace.power), np.nan, 1.0)
    table = Table(
        {
            "start": [_iso(t) for t in trace.edges[:-1]],
            "stop": [_iso(t) for t in trace.edges[1:]],
            "seconds": np.diff(trace.edges),
            "power": trace.power,
            "confidence": certain if trace.confidence is None else trace.confidence,
        }
    )
    table.meta["notes"] = list(trace.notes)
    table.meta["entries"] = [_iso(t) for t in trace.span or ()]
    return table


def tabulate_trace(trace: HeaterTrace, first: float, last: float) -> Table:
    """The steps of a trace as a table that `read_heater_log` reads as the same trace.

    Parameters
    ----------
    trace : HeaterTrace
        What the heater did.
    first, last : float
        Seconds since 1970: where an endless step begins and ends in the table.

    Returns
    -------
    `~astropy.table.Table`
        start, stop (text, ISO 8601 UTC to the millisecond), power (percent), a row for each step
        whose power is known; between them it is not.
    """
    edges = trace.edges.copy()
    if np.isneginf(edges[0]):
        edges[0] = min(first, *edges[1:-1]) if len(edges) > 2 else first
    if np.isposinf(edges[-1]):
        edges[-1] = max(last, *edges[1:-1]) if len(edges) > 2 else last
    texts = [f"{np.datetime64(round(1000 * t), 'ms')}Z" if np.isfinite(t) else "" for t in edges]
    rows = [
        (start, stop, power)
        for start, stop, power, begin, end in zip(
            texts[:-1], texts[1:], trace.power, edges[:-1], edges[1:], strict=True
        )
        if np.isfinite(power) and end > begin
    ]
    return Table(
        {
            "start": np.array([row[0] for row in rows], dtype=str),
            "stop": np.array([row[1] for row in rows], dtype=str),
            "power": np.array([row[2] for row in rows], dtype=float),
        },
        units={"power": "%"},
        meta={"time": "UTC; what no row names is not known", "source": trace.source},
    )


def _iso(seconds: float) -> str:
    return str(Time(round(seconds), format="unix").isot)[:19] + "Z" if np.isfinite(seconds) else ""


def draw_trace(ax: "Axes", trace: HeaterTrace) -> None:
    """Draw a trace: power against time, unknown stretches shaded.

    Parameters
    ----------
    ax : `~matplotlib.axes.Axes`
        Drawn on; nothing is shown or saved.
    trace : HeaterTrace
        What the heater did. What it says of the time beyond its entries is drawn for a tenth of
        their span, or an hour if nothing else is known.
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    low, high = trace.span or (0.0, 3600.0)
    margin = 0.1 * (high - low) or 3600.0
    edges = np.clip(trace.edges, low - margin, high + margin)
    times = np.array([np.datetime64(round(t * 1000), "ms") for t in edges])
    ax.stairs(trace.power, times, fill=True, color="C0", alpha=0.2, linewidth=0)
    ax.stairs(trace.power, times, baseline=None, color="C0", linewidth=1.5)
    unknown = np.flatnonzero(np.isnan(trace.power))
    for i in unknown:
        label = "not known" if i == unknown[0] else None
        ax.axvspan(times[i], times[i + 1], color="0.85", zorder=0, label=label)
    if unknown.size:
        ax.legend(loc="upper right", frameon=False)
    locator = AutoDateLocator()
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))
    ax.set_ylim(-5, 105)
    ax.set_xlim(times[0], times[-1])
    ax.set_xlabel("time (UTC)")
    ax.set_ylabel("heater power (%)")
