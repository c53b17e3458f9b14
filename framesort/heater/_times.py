"""Fields of text to seconds since 1970: every row of one layout is read at once."""

import re
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.files import offset_seconds

__all__ = ["Stamps", "parse_stamps"]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_LONGEST = 48
_LAYOUTS = 200
"""More different layouts than this in one file are not times."""

_DATES = (
    r"(?P<y>\d{4})(?P<s>[-/.])(?P<m>\d{1,2})(?P=s)(?P<d>\d{1,2})",
    r"(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})",
    r"(?P<a>\d{1,2})(?P<s>[-/.])(?P<b>\d{1,2})(?P=s)(?P<y>\d{4})",
    r"(?P<d>\d{1,2})[ -](?P<mon>[A-Za-z]{3,9})\.?[ ,-]+(?P<y>\d{4})",
    r"(?P<mon>[A-Za-z]{3,9})\.? (?P<d>\d{1,2}),? (?P<y>\d{4})",
)
_CLOCK = (
    r"(?P<H>\d{1,2}):?(?P<M>\d{2})(?::?(?P<S>\d{2})(?:[.,](?P<f>\d{1,9})\d*)?)?"
    r"(?: *(?P<ap>[AaPp])\.?[Mm]\.?)?(?: *(?P<z>Z|z|UTC|GMT|[+-]\d{2}(?::?\d{2})?))?"
)
_STAMPS = tuple(
    re.compile(pattern, re.ASCII)
    for pattern in (
        *(rf"{date}[T ,_]+{_CLOCK}" for date in _DATES),
        rf"{_DATES[1]}{_CLOCK}",  # all digits in one run: 20240314150926
        _CLOCK,
    )
)


@dataclass
class Stamps:
    """Times as written.

    Attributes
    ----------
    seconds : (n,) float ndarray
        Seconds since 1970 of the clock that wrote them, or UTC where `zoned`; NaN where
        no time was found. Without a date: seconds since midnight.
    zoned : (n,) bool ndarray
        The field names its zone.
    dated : bool
        The fields hold a date.
    """

    seconds: NDArray[np.float64]
    zoned: NDArray[np.bool_]
    dated: bool = True


@dataclass
class _Parts:
    """Numbers of the rows of one layout."""

    rows: NDArray[np.intp]
    numbers: dict[str, NDArray[np.int64]]
    scale: int = 1
    offset: int | None = None
    afternoon: bool | None = None
    month: int = 0
    names: set[str] = field(default_factory=set)


def _matrix(fields: list[str]) -> NDArray[np.uint8]:
    """Fields as rows of ASCII bytes; one that is too long for a time becomes empty."""
    short = [text if len(text) <= _LONGEST else "" for text in fields]
    packed = (
        "\n".join(text.replace("\n", " ") for text in short)
        if "\n" in "".join(short)
        else ("\n".join(short))
    )
    data = np.array(packed.encode("ascii", "replace").split(b"\n"), dtype="S")
    return data.view(np.uint8).reshape(len(fields), -1)


def _read_layout(rows: NDArray[np.intp], matrix: NDArray[np.uint8], text: str) -> _Parts | None:
    """Numbers of all rows that share the layout of `text`, or None if it is no time."""
    match = next((m for m in (p.fullmatch(text) for p in _STAMPS) if m), None)
    if match is None:
        return None
    found = match.groupdict()
    numbers = {}
    for name in ("y", "m", "d", "a", "b", "H", "M", "S", "f"):
        if found.get(name) is not None:
            begin, end = match.span(name)
            digits = matrix[rows, begin:end].astype(np.int64) - ord("0")
            numbers[name] = digits @ (10 ** np.arange(end - begin - 1, -1, -1))
    parts = _Parts(rows, numbers, names=set(numbers))
    if "f" in numbers:
        parts.scale = 10 ** len(found["f"])
    if found.get("z"):
        # Digits of the offset may differ between rows of one layout: they are part of the key.
        parts.offset = offset_seconds(found["z"])
    if found.get("ap"):
        parts.afternoon = found["ap"] in "pP"
    if found.get("mon"):
        name = found["mon"][:3].lower()
        if name not in _MONTHS:
            return None
        parts.month = _MONTHS.index(name) + 1
    return parts


def _layouts(matrix: NDArray[np.uint8], fields: list[str]) -> list[_Parts]:
    """Group rows by layout: the text with every digit of date and clock made a 0."""
    keys = np.where((matrix >= ord("0")) & (matrix <= ord("9")), np.uint8(ord("0")), matrix)
    left = np.arange(len(matrix))
    parts: list[_Parts] = []
    for _ in range(_LAYOUTS):
        if not left.size:
            break
        text = bytes(matrix[left[0]]).rstrip(b"\0").decode("ascii", "replace")
        sign = re.search(r"[+-]\d{2}:?(?:\d{2})?$", text, re.ASCII)
        same = (keys[left] == keys[left[0]]).all(axis=1)
        if sign and ":" in text[: sign.start()]:  # a zone's digits must agree as well
            zone = slice(sign.start(), len(text))
            same &= (matrix[left, zone] == matrix[left[0], zone]).all(axis=1)
        found = _read_layout(left[same], matrix, text)
        if found is not None:
            parts.append(found)
        left = left[~same]
    return parts


def _month_and_day(parts: list[_Parts], day_first: bool | None, where: str) -> None:
    """Settle the order of day and month for dates such as 03/04/2024."""
    unclear = [p for p in parts if "a" in p.numbers]
    if not unclear:
        return
    a = np.concatenate([p.numbers["a"] for p in unclear])
    b = np.concatenate([p.numbers["b"] for p in unclear])
    valid = (a >= 1) & (b >= 1) & (a <= 31) & (b <= 31) & ((a <= 12) | (b <= 12))
    day, month = bool(np.any(a[valid] > 12)), bool(np.any(b[valid] > 12))
    if day_first is None:
        if day and month:
            raise HeaterLogError(
                f"{where}: some dates begin with the day and some with the month; "
                "write them as YYYY-MM-DD"
            )
        if not day and not month and np.any(a[valid] != b[valid]):
            raise HeaterLogError(
                f"{where}: the order of day and month is ambiguous in dates such as "
                f"{a[valid][0]:02d}/{b[valid][0]:02d}; give day_first "
                "(--day-first, --no-day-first)"
            )
        day_first = day
    for p in unclear:
        p.numbers["d"], p.numbers["m"] = (
            (p.numbers["a"], p.numbers["b"]) if day_first else (p.numbers["b"], p.numbers["a"])
        )


def _seconds_of(part: _Parts) -> NDArray[np.float64]:
    """Seconds since 1970, or since midnight without a date; NaN where a number is out of range."""
    n = part.numbers
    hour, minute = n["H"], n["M"]
    second = n.get("S", np.zeros_like(hour))
    good = (minute < 60) & (second <= 60)  # 60: a leap second is a legal reading (ISO 8601)
    if part.afternoon is None:
        good &= (hour < 24) | ((hour == 24) & (minute == 0) & (second == 0))
    else:
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + 12 * part.afternoon
    clock = hour * 3600.0 + minute * 60.0 + second + n.get("f", np.zeros_like(hour)) / part.scale
    if "y" not in n:
        return np.where(good, clock, np.nan)
    year, day = n["y"], n["d"]
    month = n["m"] if "m" in n else np.full_like(year, part.month)
    good &= (year >= 1970) & (year <= 2200) & (month >= 1) & (month <= 12) & (day >= 1)
    first = ((np.where(good, year, 1970) - 1970) * 12 + np.where(good, month, 1) - 1).astype(
        "datetime64[M]"
    )
    date = first.astype("datetime64[D]") + (np.where(good, day, 1) - 1)
    good &= date.astype("datetime64[M]") == first  # no 31 June
    midnight = date.astype("datetime64[s]").astype(np.int64).astype(float)
    return np.where(good, midnight + clock, np.nan)


def parse_stamps(fields: list[str], *, day_first: bool | None, where: str) -> Stamps:
    """Read times of day and date in any of the usual ways of writing them.

    Parameters
    ----------
    fields : list of str
        One a row: year-month-day (also with slashes, dots, or compact), day and month
        before a four-digit year, or a month by its English name; a clock of 24 or 12
        hours, with or without seconds and decimals; "Z", "UTC" or an offset, or none.
    day_first : bool or None
        Order of day and month where the year comes last; None to infer it from the rows.
    where : str
        File and column, for messages.

    Raises
    ------
    HeaterLogError
        Day and month are ambiguous.
    """
    seconds = np.full(len(fields), np.nan)
    zoned = np.zeros(len(fields), dtype=bool)
    parts = _layouts(_matrix(fields), fields)
    _month_and_day(parts, day_first, where)
    dated = sum(len(p.rows) for p in parts if "y" in p.names)
    bare = sum(len(p.rows) for p in parts) - dated
    for part in parts:
        if ("y" in part.names) != (dated >= bare):
            continue  # the lesser kind is malformed
        seconds[part.rows] = _seconds_of(part)
        if part.offset is not None:
            seconds[part.rows] -= part.offset
            zoned[part.rows] = True
    return Stamps(seconds, zoned, dated >= bare)
