"""Reading of heater logs: a file or table to a `HeaterTrace`."""

import warnings
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import HeaterLogError, HeaterLogWarning
from framesort.files import StrPath
from framesort.heater._columns import ColumnName, Fields, find_columns
from framesort.heater._current import trace_from_current
from framesort.heater._forms import (
    guess_form,
    make_trace,
    note_gaps,
    steps_from_intervals,
    steps_from_samples,
    steps_from_switches,
)
from framesort.heater._scale import scale_power
from framesort.heater._stamps import Clock, read_stamps
from framesort.heater._tables import rows_of_table
from framesort.heater._text import Rows, read_rows
from framesort.heater._values import parse_values
from framesort.records import HeaterTrace

__all__ = ["FORMS", "read_heater_log"]

FORMS = ("auto", "samples", "switches", "states", "intervals", "current")
"""Values of `form` of `read_heater_log`."""

_EARLIEST, _LATEST = 631152000.0, 4102444800.0
"""The years 1990 to 2100; other times are from a clock that was not set."""


@dataclass
class _Report:
    """Notes on the interpretation, and on rows that could not be read."""

    notes: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)

    def fault(self, lines: NDArray[np.int_] | list[int], text: str) -> None:
        """Name rows by their line numbers."""
        if len(lines):
            self.faults.append(f"{_lines(lines)}: {text}")


def _lines(lines: NDArray[np.int_] | list[int]) -> str:
    shown = ", ".join(str(n) for n in lines[:5])
    more = f" and {len(lines) - 5} more" if len(lines) > 5 else ""
    return f"line{'s' if len(lines) > 1 else ''} {shown}{more}"


def read_heater_log(
    path: StrPath | Table,
    *,
    form: str = "auto",
    zone: str | None = None,
    time_column: ColumnName | None = None,
    stop_column: ColumnName | None = None,
    value_column: str | int | None = None,
    full_current: float | None = None,
    full_power: float | None = None,
    start: Time | datetime | str | None = None,
    max_gap: float | None = None,
    day_first: bool | None = None,
    off_below: float = 0.5,
) -> HeaterTrace:
    """Read heater power from a log of columns.

    Parameters
    ----------
    path : path or `~astropy.table.Table`
        Columns separated by tab, semicolon, bar, comma or blanks, with or without a heading; or
        the same as a table.
    form : str
        "samples" of power at a cadence; "switches": a row whenever the power was changed;
        "states": samples of on and off; "intervals": from, to and power; "current":
        supply current of the whole rig; "auto": determined from headings and rows, and
        recorded in the notes.
    zone : str or None
        Time zone of times without one: IANA name or offset such as "-07:00". None: UTC, or an
        error if the heading says local.
    time_column, stop_column, value_column : str, int or pair, optional
        Heading (any case) or number from 1; a pair for date and time of day in two columns.
    full_current : float or None
        Amperes that the heater draws at full power; None to calibrate from the steps.
        Only for currents.
    full_power : float or None
        Reading at full power if it is not percent (watts, or a duty of 0..255).
    start : `~astropy.time.Time`, datetime, str or None
        Start of a log that counts seconds or has no dates, UTC unless it has a zone.
    max_gap : float or None
        Longest time without a sample, in seconds, over which the power counts as known.
        None: a minute or five cadences, whichever is longer. Not used for events and intervals.
    day_first : bool or None
        Whether 03/04/2024 is the third of April. None: determined from the dates, or an error.
    off_below : float
        Powers below this percentage are off: noise of a measured power.

    Returns
    -------
    HeaterTrace
        `notes` list interpretations, and rows left out or sorted, by line number.

    Raises
    ------
    HeaterLogError
        The file cannot be read or interpreted; the message says what to do.

    Warns
    -----
    HeaterLogWarning
        Once, if rows were left out or put in order.
    """
    if form not in FORMS:
        raise HeaterLogError(f"form must be one of {', '.join(FORMS)}, got {form!r}")
    where = "heater table" if isinstance(path, Table) else str(path)
    rows = rows_of_table(path) if isinstance(path, Table) else read_rows(path)
    fields = find_columns(
        rows,
        time_column=time_column,
        stop_column=stop_column,
        value_column=value_column,
        where=where,
    )
    report = _Report()
    report.fault(rows.short, "too few columns, left out")
    clock = Clock(where, zone, start, day_first)
    begin = _drop_impossible(read_stamps(rows, fields.begin, report, clock), rows, report, where)
    values, worded = parse_values(rows.columns[fields.value])
    if form == "intervals" or (form == "auto" and fields.end):
        if not fields.end:
            raise HeaterLogError(
                f"{where}: no column of end times; name it with stop_column (--stop-column)"
            )
        end = read_stamps(rows, fields.end, report, clock, may_be_empty=True)
        end = np.where(np.isnan(begin), np.nan, end)
        trace = _read_intervals(rows, begin, end, values, fields, worded, full_power, where, report)
    else:
        seconds, values = _clean(rows, begin, values, where, report)
        if form == "auto":
            form = _choose_form(seconds, values, fields, report)
        if form == "current":
            trace = _read_current(seconds, values, fields, full_current, max_gap, where, report)
        else:
            power = scale_power(
                values, fields.value_words, worded, full_power, off_below, where, report.notes
            )
            if form == "switches":
                steps = steps_from_switches(seconds, power)
            else:
                steps = steps_from_samples(seconds, power, max_gap=max_gap)
                holes = np.diff(steps[0])[np.isnan(steps[1])]
                report.notes.extend(note_gaps(holes))
            entries = float(seconds[0]), float(seconds[-1])
            trace = make_trace(steps, [*report.notes, *report.faults], entries=entries)
    if report.faults:
        warnings.warn(f"{where}: " + "; ".join(report.faults), HeaterLogWarning, stacklevel=2)
    return trace


def _drop_impossible(
    seconds: NDArray[np.float64], rows: Rows, report: _Report, where: str
) -> NDArray[np.float64]:
    """The times, with NaN for those of a clock that was not set, which are reported.

    Raises
    ------
    HeaterLogError
        Most of them are.
    """
    found = np.isfinite(seconds)
    wrong = found & ~((seconds > _EARLIEST) & (seconds < _LATEST))
    if not wrong.any():
        return seconds
    low, high = (
        str(np.datetime64(round(t), "s")) for t in (seconds[wrong].min(), seconds[wrong].max())
    )
    if wrong.sum() > found.sum() / 2:
        raise HeaterLogError(
            f"{where}: the times {low} to {high} in {wrong.sum()} of {found.sum()} rows show that "
            "the logger's clock was not set. Correct the dates, or replace the times by seconds "
            "from the first row and give its time with start (--log-start)"
        )
    report.fault(np.asarray(rows.lines)[wrong], f"time {low}, of a clock not yet set, left out")
    return np.where(wrong, np.nan, seconds)


def _choose_form(
    seconds: NDArray[np.float64], values: NDArray[np.float64], fields: Fields, report: _Report
) -> str:
    words = fields.value_words
    amperes = words & {"current", "amps", "amp", "ampere", "amperes", "a", "ma", "milliamps"}
    if amperes and not words & {"heater", "heating", "dew"}:
        form = "current"
    elif words & {"event", "action", "switch"}:
        form = "switches"
    else:
        form = guess_form(seconds, values)
    meaning = {
        "current": "the supply current of the whole rig",
        "switches": "switch events, each holding until the next, for 14 hours at most",
        "samples": "samples of the heater's power",
    }
    report.notes.append(f"Rows were read as {meaning[form]} (form={form!r}).")
    return form


def _clean(
    rows: Rows,
    seconds: NDArray[np.float64],
    values: NDArray[np.float64],
    where: str,
    report: _Report,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rows with a time and a value, in order of time, one a time."""
    lines = np.asarray(rows.lines)
    good = np.isfinite(seconds) & np.isfinite(values)
    report.fault(lines[np.isfinite(seconds) & ~good], "no number or state, left out")
    _need_rows(good, where)
    seconds, values, lines = seconds[good], values[good], lines[good]
    back = np.flatnonzero(np.diff(seconds) < 0) + 1
    if back.size:
        report.fault(lines[back], "earlier than the row before, rows were put in order of time")
        order = np.argsort(seconds, kind="stable")
        seconds, values, lines = seconds[order], values[order], lines[order]
    twice = np.r_[np.diff(seconds) == 0, False]
    if twice.any():
        # A logger faster than its clock's resolution writes such rows: the last one counts.
        differs = twice & np.r_[np.diff(values) != 0, False]
        report.fault(lines[differs], "same time as the next row with another value, left out")
        same = twice & ~differs
        if same.any():
            report.notes.append(f"{_lines(lines[same])}: same time and value as the next row.")
        seconds, values = seconds[~twice], values[~twice]
    return seconds, values


def _need_rows(good: NDArray[np.bool_], where: str) -> None:
    if not good.any() or good.mean() < 0.5:
        raise HeaterLogError(
            f"{where}: only {int(good.sum())} of {len(good)} rows have a time and a value; "
            "check the file, or name the columns with time_column and value_column"
        )


def _read_intervals(
    rows: Rows,
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    values: NDArray[np.float64],
    fields: Fields,
    worded: bool,
    full_power: float | None,
    where: str,
    report: _Report,
) -> HeaterTrace:
    lines = np.asarray(rows.lines)
    end = _close_open_ends(rows, begin, end, fields, report)
    timed = np.isfinite(begin) & ~np.isnan(end)
    good = timed & np.isfinite(values) & (end > begin)
    report.fault(lines[timed & ~np.isfinite(values)], "no number or state, left out")
    report.fault(lines[timed & (end <= begin)], "ends before it begins, left out")
    _need_rows(good, where)
    power = scale_power(
        values[good], fields.value_words, worded, full_power, 0.0, where, report.notes
    )
    edges, level, overlap = steps_from_intervals(begin[good], end[good], power)
    report.notes.append(
        "Times outside the list of intervals are "
        + ("unknown, since it also has times without power." if np.any(power == 0) else "off.")
    )
    if overlap:
        report.faults.append("intervals of different power overlap, the power there is unknown")
    times = np.r_[begin[good], end[good]]
    times = times[np.isfinite(times)]
    entries = float(times.min()), float(times.max())
    return make_trace((edges, level), [*report.notes, *report.faults], entries=entries)


def _close_open_ends(
    rows: Rows,
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    fields: Fields,
    report: _Report,
) -> NDArray[np.float64]:
    """Ends of the intervals; an empty one, as of a heater still on, is the next begin."""
    cells = zip(*(rows.columns[i] for i in fields.end), strict=True)
    empty = np.isfinite(begin) & np.array([not "".join(texts) for texts in cells], dtype=bool)
    if not empty.any():
        return end
    later = np.append(np.sort(begin[np.isfinite(begin)]), np.inf)
    end = end.copy()
    end[empty] = later[np.searchsorted(later, begin[empty], side="right")]
    report.fault(
        np.asarray(rows.lines)[empty], "no end, extended to the next row or the end of the log"
    )
    return end


def _read_current(
    seconds: NDArray[np.float64],
    values: NDArray[np.float64],
    fields: Fields,
    full_current: float | None,
    max_gap: float | None,
    where: str,
    report: _Report,
) -> HeaterTrace:
    unit = 1e-3 if fields.value_words & {"ma", "milliamps"} else 1.0
    trace = trace_from_current(
        seconds,
        values * unit,
        full_current=full_current,
        max_gap=max_gap,
        where=where,
        notes=report.notes,
    )
    return replace(trace, notes=(*trace.notes, *report.faults))
