"""Columns of a log to seconds since 1970, UTC: written times, epochs, counted seconds."""

import math
from datetime import UTC, datetime

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.files import find_zone
from framesort.heater._options import LogOptions
from framesort.heater._report import Report
from framesort.heater._text import Rows
from framesort.heater._times import Stamps, parse_stamps
from framesort.heater._values import parse_values
from framesort.heater._zones import to_utc
from framesort.records import Note

__all__ = ["read_stamps"]

_DAY = 86400.0


def read_stamps(
    rows: Rows,
    columns: tuple[int, ...],
    report: Report,
    options: LogOptions,
    where: str,
    *,
    may_be_empty: bool = False,
) -> NDArray[np.float64]:
    """Seconds since 1970-01-01T00:00:00 UTC of each row, NaN where the field holds no time.

    Rows without a time are reported, empty fields unless they `may_be_empty`.

    Raises
    ------
    HeaterLogError
        A zone, a start or the order of day and month is needed and not given.
    """
    lines = np.asarray(rows.lines)
    heading = " ".join(rows.names[i] for i in columns).lower()
    if len(columns) == 1:
        numbers = _plain_numbers(rows.columns[columns[0]])
        if numbers is not None:
            seconds = _from_numbers(numbers, heading, options.start, where, report.notes)
            if options.zone is not None:
                find_zone(options.zone, error=HeaterLogError)
                text = f"Times are plain numbers and need no zone: {options.zone} was not applied."
                report.notes.append(Note("log zone", text))
            bad = _not_times(np.isfinite(seconds), rows.columns[columns[0]], may_be_empty)
            report.fault(lines[bad], "no time, left out")
            return seconds
        texts = rows.columns[columns[0]]
    else:
        texts = [" ".join(pair) for pair in zip(*(rows.columns[i] for i in columns), strict=True)]
    stamps = parse_stamps(texts, day_first=options.day_first, where=where)
    found = np.isfinite(stamps.seconds)
    if not found.any():
        raise HeaterLogError(
            f"{where}: line {rows.lines[0] if rows.lines else 1}: "
            f"{(texts or [''])[0][:40]!r} cannot be read as a time; "
            "write times as YYYY-MM-DDThh:mm:ss or name the column with time_column (--time-column)"
        )
    report.fault(lines[_not_times(found, texts, may_be_empty)], "no time, left out")
    if not stamps.dated:
        _add_dates(stamps, options.start, options.zone, where)
    return _apply_zone(stamps, heading, options.zone, lines, where, report)


def _not_times(found: NDArray[np.bool_], texts: list[str], may_be_empty: bool) -> NDArray[np.bool_]:
    """Rows to be reported: those without a time, and without a text only where it must be there."""
    if found.all() or not may_be_empty:
        return ~found
    return np.asarray(~found & np.array([bool(text.strip()) for text in texts], dtype=bool))


def _plain_numbers(texts: list[str]) -> NDArray[np.float64] | None:
    """The column as numbers, or None if most fields are none (or are compact dates)."""
    for sample in (texts[:200], texts):  # a long column of written times is given up early
        numbers, worded = parse_values(sample)
        finite = np.isfinite(numbers)
        if worded or not finite.size or finite.mean() < 0.5:
            return None
    middle = float(np.median(numbers[finite]))
    compact = 1.97e13 <= middle < 2.21e13 or (1.97e7 <= middle < 2.21e7 and len(texts[0]) == 8)
    return None if compact else numbers


def _from_numbers(
    numbers: NDArray[np.float64],
    heading: str,
    start: Time | datetime | str | None,
    where: str,
    notes: list[Note],
) -> NDArray[np.float64]:
    """Epoch seconds (also milli-, micro-, nano-), Julian dates, or seconds since `start`."""
    middle = float(np.nanmedian(numbers))
    for low, unit in ((1e8, 1.0), (1e11, 1e-3), (1e14, 1e-6), (1e17, 1e-9)):
        if low <= middle < 5e9 / unit:
            return np.where((numbers > 0) & (numbers * unit < 7.3e9), numbers * unit, np.nan)
    if 2.44e6 <= middle < 2.53e6 and "jd" in heading:
        return (numbers - 2440587.5) * _DAY  # JD of 1970-01-01T00:00
    if 4.0e4 <= middle < 1.3e5 and "mjd" in heading:
        return (numbers - 40587.0) * _DAY
    if start is None:
        raise HeaterLogError(
            f"{where}: times are plain numbers such as {middle:g}; if they count seconds, "
            "give the time of zero with start (--log-start)"
        )
    name, unit = "seconds", 1.0
    if "ms" in heading.split("_") or "millis" in heading:
        name, unit = "milliseconds", 1e-3
    elif "min" in heading or "hour" in heading:
        name, unit = ("minutes", 60.0) if "min" in heading else ("hours", 3600.0)
    notes.append(Note("log assumption", f"Times were read as {name} since the given start."))
    seconds = _start_seconds(start, where) + numbers * unit
    return np.where(np.abs(seconds) < 7.3e9, seconds, np.nan)


def _start_seconds(start: Time | datetime | str, where: str) -> float:
    if isinstance(start, str):
        try:
            start = datetime.fromisoformat(start)
        except ValueError as error:
            raise HeaterLogError(
                f"{where}: start must be a time such as 2024-03-14T21:30:00, got {start!r}"
            ) from error
    if isinstance(start, datetime):
        return (start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp()
    return float(start.unix)


def _add_dates(
    stamps: Stamps, start: Time | datetime | str | None, zone: str | None, where: str
) -> None:
    """Give times of day their dates: the first at or after `start`, then on over midnight."""
    if start is None:
        raise HeaterLogError(
            f"{where}: the times have no date; "
            "give the time at which the log begins with start (--log-start)"
        )
    found = np.isfinite(stamps.seconds)
    clock = stamps.seconds[found]
    days = np.r_[0, np.cumsum(np.diff(clock) < -_DAY / 2)]
    begin = _start_seconds(start, where)
    if zone is not None:
        offset = find_zone(zone, error=HeaterLogError).utcoffset(
            datetime.fromtimestamp(begin, UTC).replace(tzinfo=None)
        )
        begin += offset.total_seconds() if offset is not None else 0.0
    # Tolerance of half a day: a start rounded to the minute must not move the log by a day.
    first = math.ceil((begin - clock[0]) / _DAY - 0.5) * _DAY
    stamps.seconds[found] = clock + first + days * _DAY


def _apply_zone(
    stamps: Stamps,
    heading: str,
    zone: str | None,
    lines: NDArray[np.int_],
    where: str,
    report: Report,
) -> NDArray[np.float64]:
    seconds = stamps.seconds
    found = np.isfinite(seconds)
    bare = np.flatnonzero(found & ~stamps.zoned)
    if zone is not None:
        find_zone(zone, error=HeaterLogError)  # check the name even if no zone is needed
        marked = int(np.sum(found & stamps.zoned))
        if marked:
            text = (
                f"{'All' if not bare.size else marked} times have their own zone (as Z or +02:00): "
                f"{zone} was not applied to them."
            )
            report.notes.append(Note("log zone", text))
    if not bare.size:
        return seconds
    if zone is None:
        if "local" in heading:
            raise HeaterLogError(
                f"{where}: times are local without a zone; give zone (--log-zone), "
                "for example Europe/Berlin or -07:00"
            )
        if "utc" not in heading and "gmt" not in heading:
            text = (
                "Times without a zone were read as UTC; give zone (--log-zone) if they are local."
            )
            report.notes.append(Note("log zone", text))
        return seconds
    if "utc" in heading:
        text = f"The heading names UTC; the times were read in zone {zone} as requested."
        report.notes.append(Note("log zone", text))
    utc, missing, unsure = to_utc(seconds[bare], find_zone(zone, error=HeaterLogError))
    seconds = seconds.copy()
    seconds[bare] = utc
    report.fault(lines[bare[missing]], f"the clock of {zone} never showed that time, left out")
    report.fault(
        lines[bare[unsure]],
        f"this hour occurred twice in {zone} and the rows do not tell which one it is",
    )
    return seconds
