"""Reading of heater logs: a file or table to a `HeaterTrace`."""

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import HeaterLogError, HeaterLogWarning
from framesort.files import StrPath
from framesort.heater._columns import CURRENT, Fields, find_columns
from framesort.heater._current import trace_from_current
from framesort.heater._forms import (
    Steps,
    look_like_switches,
    make_trace,
    note_gaps,
    steps_from_intervals,
    steps_from_samples,
    steps_from_switches,
)
from framesort.heater._options import LogOptions
from framesort.heater._report import Report, name_lines
from framesort.heater._scale import scale_power
from framesort.heater._stamps import read_stamps
from framesort.heater._tables import rows_of_table
from framesort.heater._text import Rows, read_rows
from framesort.heater._values import parse_values
from framesort.records import HeaterTrace, Note

__all__ = ["FORMS", "read_heater_log"]

Floats = NDArray[np.float64]

_OFF_BELOW = 0.5
"""Powers below this percentage are off: noise of a measured power."""

_EARLIEST, _LATEST = 631152000.0, 4102444800.0
"""The years 1990 to 2100; other times are from a clock that was not set."""


@dataclass(frozen=True)
class _Log:
    """The rows of a log with their times and values; NaN where there is none."""

    where: str
    rows: Rows
    fields: Fields
    begin: Floats
    values: Floats
    worded: bool
    options: LogOptions
    report: Report

    @cached_property
    def points(self) -> tuple[Floats, Floats]:
        """Times and values of the rows that have both, in order of time, one a time."""
        return _clean(self.rows, self.begin, self.values, self.where, self.report)

    def scale(self, values: Floats, off_below: float = _OFF_BELOW) -> Floats:
        """Percent of full power, 0 below `off_below`."""
        full_power, notes = self.options.full_power, self.report.notes
        words = self.fields.value_words
        return scale_power(values, words, self.worded, full_power, off_below, self.where, notes)

    def trace(self, steps: Steps, first: float, last: float) -> HeaterTrace:
        """The trace with all that was reported, and the times of the first and last entry."""
        notes = [*self.report.notes, *self.report.faults]
        return make_trace(steps, notes, entries=(float(first), float(last)))


def read_heater_log(path: StrPath | Table, options: LogOptions | None = None) -> HeaterTrace:
    """Read heater power from a log of columns.

    Parameters
    ----------
    path : path or `~astropy.table.Table`
        Columns separated by tab, semicolon, bar, comma or blanks, with or without a heading; or
        the same as a table.
    options : LogOptions or None
        How to read it; None: determined from the log.

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
    options = options or LogOptions()
    if options.form not in FORMS:
        raise HeaterLogError(f"form must be one of {', '.join(FORMS)}, got {options.form!r}")
    where = "heater table" if isinstance(path, Table) else str(path)
    rows = rows_of_table(path) if isinstance(path, Table) else read_rows(path)
    fields = find_columns(rows, options, where)
    report = Report()
    report.fault(rows.short, "too few columns, left out")
    begin = read_stamps(rows, fields.begin, report, options, where)
    begin = _drop_impossible(begin, rows, report, where)
    values, worded = parse_values(rows.columns[fields.value])
    log = _Log(where, rows, fields, begin, values, worded, options, report)
    form = _recognise(log) if options.form == "auto" else options.form
    trace = _FORMS[form].read(log)
    if report.faults:
        note = Note("log rows", f"{where}: " + "; ".join(report.faults))
        warnings.warn(note, HeaterLogWarning, stacklevel=2)
    return trace


def _drop_impossible(seconds: Floats, rows: Rows, report: Report, where: str) -> Floats:
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


def _recognise(log: _Log) -> str:
    """The form of a log: intervals if its rows have two times, else the first form that fits."""
    if log.fields.end:
        return "intervals"
    seconds, values = log.points
    form = next(
        name
        for name, form in _FORMS.items()
        if form.fits and form.fits(log.fields.value_words, seconds, values)
    )
    text = f"Rows were read as {_FORMS[form].meaning} (form={form!r})."
    log.report.notes.append(Note("log interpreted", text))
    return form


def _clean(
    rows: Rows,
    seconds: Floats,
    values: Floats,
    where: str,
    report: Report,
) -> tuple[Floats, Floats]:
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
            text = f"{name_lines(lines[same])}: same time and value as the next row."
            report.notes.append(Note("log interpreted", text))
        seconds, values = seconds[~twice], values[~twice]
    return seconds, values


def _need_rows(good: NDArray[np.bool_], where: str) -> None:
    if not good.any() or good.mean() < 0.5:
        raise HeaterLogError(
            f"{where}: only {int(good.sum())} of {len(good)} rows have a time and a value; "
            "check the file, or name the columns with time_column and value_column"
        )


def _read_samples(log: _Log) -> HeaterTrace:
    seconds, values = log.points
    steps = steps_from_samples(seconds, log.scale(values), max_gap=log.options.max_gap)
    holes = np.diff(steps[0])[np.isnan(steps[1])]
    log.report.notes.extend(note_gaps(holes))
    return log.trace(steps, seconds[0], seconds[-1])


def _read_switches(log: _Log) -> HeaterTrace:
    seconds, values = log.points
    steps = steps_from_switches(seconds, log.scale(values))
    return log.trace(steps, seconds[0], seconds[-1])


def _read_intervals(log: _Log) -> HeaterTrace:
    rows, begin, values, report = log.rows, log.begin, log.values, log.report
    if not log.fields.end:
        raise HeaterLogError(
            f"{log.where}: no column of end times; name it with stop_column (--stop-column)"
        )
    end = read_stamps(rows, log.fields.end, report, log.options, log.where, may_be_empty=True)
    end = np.where(np.isnan(begin), np.nan, end)
    lines = np.asarray(rows.lines)
    end = _close_open_ends(rows, begin, end, log.fields, report)
    timed = np.isfinite(begin) & ~np.isnan(end)
    good = timed & np.isfinite(values) & (end > begin)
    report.fault(lines[timed & ~np.isfinite(values)], "no number or state, left out")
    report.fault(lines[timed & (end <= begin)], "ends before it begins, left out")
    _need_rows(good, log.where)
    power = log.scale(values[good], off_below=0.0)
    edges, level, overlap = steps_from_intervals(begin[good], end[good], power)
    report.notes.append(
        Note(
            "log interpreted",
            "Times outside the list of intervals are "
            + ("unknown, since it also has times without power." if np.any(power == 0) else "off."),
        )
    )
    if overlap:
        text = "intervals of different power overlap, the power there is unknown"
        report.faults.append(Note("log rows", text))
    times = np.r_[begin[good], end[good]]
    times = times[np.isfinite(times)]
    return log.trace((edges, level), times.min(), times.max())


def _close_open_ends(
    rows: Rows,
    begin: Floats,
    end: Floats,
    fields: Fields,
    report: Report,
) -> Floats:
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


def _read_current(log: _Log) -> HeaterTrace:
    seconds, values = log.points
    unit = 1e-3 if log.fields.value_words & {"ma", "milliamps"} else 1.0
    trace = trace_from_current(
        seconds,
        values * unit,
        full_current=log.options.full_current,
        max_gap=log.options.max_gap,
        where=log.where,
        notes=log.report.notes,
    )
    return replace(trace, notes=(*trace.notes, *log.report.faults))


def _is_supply_current(words: set[str], seconds: Floats, values: Floats) -> bool:
    return bool(words & CURRENT) and not words & {"heater", "heating", "dew"}


def _are_switches(words: set[str], seconds: Floats, values: Floats) -> bool:
    return bool(words & {"event", "action", "switch"}) or look_like_switches(seconds, values)


@dataclass(frozen=True)
class _Form:
    """A form of log.

    Attributes
    ----------
    read : callable
        Gives the trace.
    meaning : str
        What its rows are, for the note on a form that was recognised.
    fits : callable or None
        From the words of the value's heading, times and values: whether the log has this form.
        None for a form that is not recognised by these.
    """

    read: Callable[[_Log], HeaterTrace]
    meaning: str = ""
    fits: Callable[[set[str], Floats, Floats], bool] | None = None


_FORMS = {
    "current": _Form(_read_current, "the supply current of the whole rig", _is_supply_current),
    "switches": _Form(
        _read_switches,
        "switch events, each holding until the next, for 14 hours at most",
        _are_switches,
    ),
    "samples": _Form(_read_samples, "samples of the heater's power", lambda *_: True),
    "states": _Form(_read_samples),
    "intervals": _Form(_read_intervals),
}
"""Every form; the first that fits is taken."""

FORMS = ("auto", *_FORMS)
"""Values of `form` of `LogOptions`."""
