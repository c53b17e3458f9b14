"""Dates in headers: by the FITS Standard, and in common forms that break it."""

import re
import warnings
from datetime import UTC, datetime

from astropy.time import Time
from erfa import ErfaWarning

__all__ = ["OPEN_ORDER", "date_order", "plausible", "read_date"]

FIRST_YEAR, LAST_YEAR = 1972, 2099
"""Plausible years: from UTC with leap seconds on; no clock runs a century ahead."""

OPEN_ORDER = (
    "day and month are ambiguous in dates such as 02/11/2026, so the time is unknown; "
    "--day-first or --no-day-first settles it"
)
_NO_YEAR = f"not a year from {FIRST_YEAR} to {LAST_YEAR}, so the time is unknown"

_ZONE = re.compile(r"(?i)(z|[+-]\d{2}:?\d{2})$")
_SLASHED = re.compile(r"(\d{1,2})([/.])(\d{1,2})\2(\d{4}|\d{2})(?!\d)(.*)$", re.ASCII)


def read_date(text: str, scale: str, *, day_first: bool | None = None) -> tuple[Time | None, str]:
    """A date of a header.

    Parameters
    ----------
    text : str
        By the standard ``2026-11-02T20:15:00``, or ``02/11/98``, day first, for the years before
        2000. A zone at its end, a blank for the T and years of four digits in the old form
        break the standard, but are understood.
    scale : str
        Time scale of the date, unless it names a zone.
    day_first : bool or None
        Order of day and month in the old form where its year is not that of the standard; None
        where it is not known.

    Returns
    -------
    time : `~astropy.time.Time` or None
        In UTC; None where there is no date, or no plausible one.
    note : str
        "" or what breaks the standard and how it is understood, or why it is not.
    """
    note = ""
    old = _SLASHED.match(text)
    if old:
        written, note = _slashed(old, day_first)
        if written is None:
            return None, note
        text = written
    if re.search(r"[T ]\d{2}:\d{2}$", text, re.ASCII):
        text, note = f"{text}:00", note or "a time without seconds, not by the standard"
    if " " in text:
        text, blank = text.replace(" ", "T", 1), "a blank where the standard requires 'T'"
        note = note or blank
    try:
        zone = _ZONE.search(text) if "T" in text else None
        if zone is None:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ErfaWarning)  # years before UTC and far ahead
                time = Time(text, format="fits", scale=scale).utc
                return (time, note) if plausible(time) else (None, _NO_YEAR)
        moment = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):  # none at all, or beyond the years that can be computed
        year = re.match(r"([+-]?\d{4,5})-\d{2}-\d{2}", text, re.ASCII)
        beyond = year is not None and not FIRST_YEAR <= int(year[1]) <= LAST_YEAR
        return None, _NO_YEAR if beyond else ""
    if not FIRST_YEAR <= moment.year <= LAST_YEAR:
        return None, _NO_YEAR
    if zone.group().upper() == "Z":
        note = "'Z' at the end of the time, not by the standard, read as UTC"
    else:
        note = f"zone {zone.group()} at the end of the time, not by the standard, turned into UTC"
    return Time(moment.replace(tzinfo=None), scale="utc"), note


def plausible(time: Time) -> bool:
    """Whether a time lies in the years of digital cameras."""
    year = 2000 + (float(time.jd) - 2451544.5) / 365.25
    return bool(FIRST_YEAR <= year < LAST_YEAR + 1)


def _slashed(old: "re.Match[str]", day_first: bool | None) -> tuple[str | None, str]:
    """02/11/98 as 1998-11-02; None, with the reason, where its order is not known."""
    first, _, second, year, rest = old.groups()
    one, two = int(first), int(second)
    by_standard = len(year) == 2 and int(year) >= FIRST_YEAR - 1900
    order = True if by_standard or one == two else date_order(old.group(0))
    order = day_first if order is None else order
    if order is None:
        return None, OPEN_ORDER
    day, month = (one, two) if order else (two, one)
    whole = int(year) + (0 if len(year) == 4 else 1900 if by_standard else 2000)
    kind = "day first" if order else "month first"
    note = "" if by_standard else f"a date such as 02/11/2026, not by the standard, read {kind}"
    return f"{whole}-{month:02d}-{day:02d}{rest}", note


def date_order(text: str) -> bool | None:
    """Whether a date in the old form has its day first; None where it is open.

    >>> date_order("13/02/2026"), date_order("02/13/2026"), date_order("02/11/2026")
    (True, False, None)
    """
    old = _SLASHED.match(text)
    numbers = () if old is None else (int(old[1]), int(old[3]))
    return numbers[0] > 12 if numbers and max(numbers) > 12 else None
