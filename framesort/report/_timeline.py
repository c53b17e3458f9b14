"""The night against time: heater power, exposures, star widths."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib import dates as mdates
from matplotlib.axes import Axes
from numpy.typing import NDArray

from framesort.records import HEATER_STATES, column_values
from framesort.report._columns import (
    as_number,
    column_texts,
    column_truths,
    iso_seconds,
    start_seconds,
)
from framesort.report._style import (
    INK,
    MARKERS,
    QUIET,
    RULE,
    STATE_COLOURS,
    STATES,
    plain_text,
)

__all__ = [
    "draw_history",
    "draw_timeline",
    "draw_widths",
    "night_rows",
    "states_of",
]

_ROW = 20.0
"""Height of a row of exposures below the power curve, percent of full power."""


def states_of(table: Table) -> NDArray[np.str_]:
    """Heater state of each frame, "unknown" where the table has none."""
    states = column_texts(table, "heater_state")
    return np.where(np.isin(states, STATES), states, "unknown")


def night_rows(table: Table, *, gap: float = 6.0) -> list[NDArray[np.int_]]:
    """Rows of each night of a table, which is split at gaps longer than `gap` hours.

    Frames without a start time are in none.
    """
    seconds = start_seconds(table)
    order = [i for i in np.argsort(seconds, kind="stable") if np.isfinite(seconds[i])]
    if not order:
        return []
    breaks = np.flatnonzero(np.diff(seconds[order]) > gap * 3600) + 1
    return list(np.split(np.array(order), breaks))


def _days(seconds: Any) -> NDArray[np.float64]:
    """Seconds since 1970 as days of matplotlib's epoch, whatever that is set to."""
    whole = np.round(np.asarray(seconds, dtype=float) * 1e6)
    return np.asarray(mdates.date2num(whole.astype("datetime64[us]")), dtype=float)


def _clock_axis(axes: Axes, first: float, last: float, *, label: bool = True) -> None:
    """Hours and minutes UTC from `first` to `last`, seconds since 1970, with a margin."""
    margin = max(60.0, 0.015 * (last - first))
    axes.set_xlim(*_days([first - margin, last + margin]))
    axes.xaxis.set_major_locator(mdates.AutoDateLocator(tz=UTC, minticks=3, maxticks=8))
    axes.xaxis.set_major_formatter(mdates.DateFormatter("%H:%M", tz=UTC))
    if label:
        begin = datetime.fromtimestamp(first, tz=UTC)
        axes.set_xlabel(f"UTC, {begin:%d %B %Y}".replace(", 0", ", "))


def _step_seconds(value: Any, otherwise: float) -> float:
    seconds = iso_seconds(value)
    return seconds if np.isfinite(seconds) else otherwise


def _draw_power(axes: Axes, steps: Sequence[Mapping[str, Any]], first: float, last: float) -> None:
    """Power as filled steps, with a gap where it is unknown."""
    spans = sorted(
        (
            _step_seconds(s.get("start"), first),
            _step_seconds(s.get("stop"), last),
            as_number(s.get("power")),
        )
        for s in steps
    )
    spans = [(a, b, p) for a, b, p in spans if b > first and a < last and b > a]
    if not spans:
        return
    x = _days([t for a, b, _ in spans for t in (max(a, first), min(b, last))])
    y = np.array([p for _, _, p in spans for _ in (0, 1)], dtype=float)
    axes.fill_between(x, 0, y, color=STATE_COLOURS["on"], alpha=0.22, linewidth=0)
    axes.plot(x, y, color=STATE_COLOURS["on"], linewidth=1.3)
    for a, b, p in spans:
        if np.isnan(p):
            begin, end = _days([max(a, first), min(b, last)])
            axes.axvspan(begin, end, color=RULE, alpha=0.35, linewidth=0)


def _draw_bars(axes: Axes, table: Table, bottom: float) -> None:
    """One bar per exposure: filled if in a set, else hollow; underlined if in the sharp set."""
    starts, lengths = start_seconds(table), column_values(table, "exposure")
    states = states_of(table)
    sharp, deep = column_truths(table, "sharp_set"), column_truths(table, "deep_set")
    chosen = sharp | deep if {"sharp_set", "deep_set"} & set(table.colnames) else sharp | True
    timed = np.isfinite(starts)
    days = _days(np.where(timed, starts, 0.0))
    wide = np.where(np.isfinite(lengths), lengths, 0.0) / 86400
    for state in STATES:
        for filled in (True, False):
            rows = np.flatnonzero(timed & (states == state) & (chosen == filled))
            if rows.size:
                axes.broken_barh(
                    list(zip(days[rows], wide[rows], strict=True)),
                    (bottom + 4, _ROW - 8),
                    facecolors=STATE_COLOURS[state] if filled else "none",
                    edgecolors=STATE_COLOURS[state],
                    linewidth=0.8,
                    hatch="////" if state == "part" and not filled else None,
                )
    rows = np.flatnonzero(timed & sharp)
    if rows.size:
        axes.broken_barh(
            list(zip(days[rows], wide[rows], strict=True)),
            (bottom + 0.2, 1.8),
            facecolors=INK,
            linewidth=0,
        )


def draw_timeline(axes: Axes, table: Table, *, steps: Sequence[Mapping[str, Any]] = ()) -> None:
    """Draw heater power against time with a bar for each exposure below it.

    A bar has the colour of the heater state; it is hollow for frames in neither set and
    underlined for frames of the sharp-star set.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    table : `~astropy.table.Table`
        frames.ecsv; only the column `start` is required. Frames without a start are not drawn.
    steps : sequence of mapping
        Heater power: "start", "stop" (ISO texts, UTC, None for open) and "power" (percent or
        None). Without steps, the mean power of each frame is drawn.
    """
    starts = start_seconds(table)
    timed = np.isfinite(starts)
    if not timed.any():
        axes.text(0.5, 0.5, "no start times", transform=axes.transAxes, ha="center")
        return
    lengths = np.nan_to_num(column_values(table, "exposure"))
    first, last = float(starts[timed].min()), float((starts + lengths)[timed].max())
    power = column_values(table, "heater_power")
    known = bool(steps) or bool(np.isfinite(power[timed]).any())
    if steps:
        _draw_power(axes, steps, first - 600, last + 600)
    elif known:
        for i in np.flatnonzero(timed & np.isfinite(power)):
            axes.plot(
                _days([starts[i], starts[i] + lengths[i]]),
                [power[i]] * 2,
                color=STATE_COLOURS["on"],
                linewidth=1.6,
            )
    filters = column_texts(table, "filter")
    names = list(dict.fromkeys(filters[timed]))
    centres = []
    for k, name in enumerate(names):
        bottom = -10 - (k + 1) * _ROW
        _draw_bars(axes, table[filters == name], bottom)
        centres.append(bottom + _ROW / 2)
    levels = [0, 50, 100] if known else []
    axes.set_yticks(
        levels + centres,
        [f"{level} %" for level in levels] + [plain_text(name) or "frames" for name in names],
    )
    low, high = -14 - len(names) * _ROW, 106 if known else -6
    axes.set_ylim(low, high)
    if known:
        axes.set_ylabel("heater power", y=(50 - low) / (high - low))
    axes.axhline(0, color=RULE, linewidth=0.8, zorder=0)
    _clock_axis(axes, first, last)


def draw_history(
    axes: Axes,
    table: Table,
    *,
    column: str,
    label: str,
    clock_label: bool = True,
    limits: tuple[float, float] | None = None,
) -> None:
    """Draw a column against time, one marker per frame in the colour of its heater state.

    Values far above the others are drawn as triangles at the upper edge, so that single outliers
    do not set the scale. The dashed line is the median with the heater off.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    table : `~astropy.table.Table`
        frames.ecsv; frames without start or value are not drawn.
    column : str
        Name of the column.
    label : str
        Of the y axis, with the unit.
    clock_label : bool
        Label the time axis with the date.
    limits : (float, float) or None
        Minimum range of the y axis; None for the range of the values.
    """
    starts, values = start_seconds(table), column_values(table, column)
    states = states_of(table)
    good = np.isfinite(starts) & np.isfinite(values)
    axes.set_ylabel(label)
    if not good.any():
        axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", va="center")
        return
    low, high = np.percentile(values[good], [2, 95])
    top = high + 0.5 * max(high - low, 0.05 * abs(high))
    if limits is not None:
        low, top = min(low, limits[0]), max(top, limits[1])
    for state in STATES:
        rows = good & (states == state)
        inside = rows & (values <= top)
        style: dict[str, Any] = {"color": STATE_COLOURS[state], "linestyle": "none"}
        axes.plot(
            _days(starts[inside]),
            values[inside],
            marker=MARKERS[state],
            markersize=4.5,
            label=HEATER_STATES[state] if rows.any() else "_",
            **style,
        )
        beyond = rows & (values > top)
        axes.plot(
            _days(starts[beyond]),
            np.full(beyond.sum(), top),
            marker="^",
            markersize=5,
            fillstyle="none",
            **style,
        )
    off = good & (states == "off")
    if off.any():
        middle = float(np.median(values[off]))
        axes.axhline(middle, color=QUIET, linewidth=0.9, linestyle=(0, (5, 4)), zorder=0)
    bottom = min(float(values[good].min()), low)
    axes.set_ylim(bottom - 0.12 * (top - bottom), top + 0.06 * (top - bottom))
    _clock_axis(axes, float(starts[good].min()), float(starts[good].max()), label=clock_label)


def draw_widths(axes: Axes, table: Table, *, clock_label: bool = True) -> None:
    """Draw the FWHM against time, by heater state.

    Parameters are those of `draw_history`.
    """
    draw_history(axes, table, column="fwhm", label="FWHM (px)", clock_label=clock_label)
