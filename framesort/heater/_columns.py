"""Columns of a log with times and values, found from headings, units and contents."""

import re
from dataclasses import dataclass

from framesort.errors import HeaterLogError
from framesort.heater._options import ColumnName, LogOptions
from framesort.heater._text import Rows, is_number
from framesort.heater._values import is_state

__all__ = ["CURRENT", "Fields", "find_columns"]

_TIME = {"time", "timestamp", "datetime", "date", "utc", "gmt", "when", "epoch", "unix", "clock"}
_TIME |= {"mjd", "jd", "elapsed", "seconds", "second", "t", "local", "at"}
_BEGIN, _END = {"from", "start", "begin", "since"}, {"to", "until", "till", "stop", "end"}
_HEATER = {"heater", "heating", "heat", "dew", "ring"}
_POWER = {"power", "percent", "pct", "duty", "pwm", "%", "level", "output", "setting"}
CURRENT = {"current", "amps", "amp", "ampere", "amperes", "a", "ma", "milliamps"}
_STATE = {"state", "status", "switch", "event", "action", "on", "off", "value"}
_WATT = {"w", "watt", "watts"}
_OTHER = {"voltage", "volt", "volts", "v", "temperature", "temp", "humidity", "c", "degc", "f"}
_OTHER |= {"nr", "no", "number", "index", "row", "id", "line"}
_OTHER |= {"rh", "dewpoint", "point", "ambient", "camera", "cooler", "fan", "mount", "pressure"}

_DATE = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|[A-Za-z]{3}.* \d{4}|^\d{8}", re.ASCII
)
_CLOCK = re.compile(r"\d{1,2}:\d{2}|^\d{8}T?\d{4}", re.ASCII)


@dataclass(frozen=True)
class Fields:
    """Columns picked from a log.

    Attributes
    ----------
    begin : tuple of int
        Column or columns (date, time of day) of the time.
    end : tuple of int
        The same for the end of an interval; empty if the log holds none.
    value : int
        Column of the value.
    time_words, value_words : set of str
        Words of their headings, lower case.
    """

    begin: tuple[int, ...]
    end: tuple[int, ...]
    value: int
    time_words: set[str]
    value_words: set[str]


def _words(name: str) -> set[str]:
    spaced = re.sub(r"([a-z])([A-Z])", r"\1 \2", name)
    return set(re.findall(r"[a-z]+|%", spaced.lower()))


def _named(which: ColumnName, names: list[str], where: str) -> tuple[int, ...]:
    """Indices of columns given by heading (any case) or by number from 1."""
    items = [which] if isinstance(which, str | int) else list(which)
    lowered = [name.casefold() for name in names]
    found = []
    for item in items:
        if isinstance(item, int):
            index = item - 1
        elif item.casefold() in lowered:
            index = lowered.index(item.casefold())
        elif item.isascii() and item.isdigit():  # a number, as a command line gives it
            index = int(item) - 1
        else:
            raise HeaterLogError(
                f"{where}: there is no column {item!r}; the columns are "
                + ", ".join(repr(name) for name in names)
            )
        if not 0 <= index < len(names):
            raise HeaterLogError(f"{where}: there is no column {item}, the file has {len(names)}")
        found.append(index)
    return tuple(found)


def _looks_like_time(texts: list[str]) -> str:
    """What most of a column's first fields hold: "both", "date", "clock" or ""."""
    sample = [text for text in texts[:50] if text]
    half = len(sample) / 2
    has_date = sum(bool(_DATE.search(text)) for text in sample) > half
    has_clock = sum(bool(_CLOCK.search(text)) for text in sample) > half
    return "both" if has_date and has_clock else "date" if has_date else "clock" * has_clock


def _find_times(rows: Rows, words: list[set[str]]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Columns of the time, and of an interval's end."""
    kinds = [_looks_like_time(column) for column in rows.columns]
    stamps: list[tuple[int, ...]] = []
    for i, kind in enumerate(kinds):
        if kind == "both":
            stamps.append((i,))
        elif kind == "date" and "clock" in kinds[i + 1 : i + 2]:
            stamps.append((i, i + 1))
    if not stamps:
        stamps = [(i,) for i, kind in enumerate(kinds) if kind == "clock"]
    if not stamps:  # plain numbers: times only by their heading or the first position
        numeric = [i for i, column in enumerate(rows.columns) if is_number((column or [""])[0])]
        named = [i for i in numeric if words[i] & (_TIME | _BEGIN | _END)]
        stamps = [(i,) for i in (named or numeric[:1])]
    begins = [s for s in stamps if words[s[0]] & _BEGIN] or stamps
    ends = [s for s in stamps if words[s[0]] & _END and s not in begins[:1]]
    if not begins:
        return (), ()
    if not ends and len(stamps) == 2 and not any(words[s[0]] & _TIME for s in stamps):
        ends = stamps[1:]  # two nameless stamps a row: from and to
    utc = [s for s in begins if words[s[0]] & {"utc", "gmt"}]
    return (utc or begins)[0], ends[0] if ends else ()


def _score(words: set[str]) -> int:
    score = 8 * bool(words & _HEATER) + 4 * bool(words & _POWER)
    score += 3 * bool(words & CURRENT) + 2 * bool(words & _STATE) + 2 * bool(words & _WATT)
    return score - 12 * bool(words & _OTHER)


def _find_value(rows: Rows, words: list[set[str]], taken: tuple[int, ...], where: str) -> int:
    """The column that most looks like the heater's, or the supply's current."""
    able = []
    for i, column in enumerate(rows.columns):
        sample = [text for text in column[:50] if text]
        good = sum(is_number(text) or is_state(text) for text in sample)
        if i not in taken and sample and good > len(sample) / 2:
            able.append(i)
    able = [i for i in able if not words[i] & _TIME or _score(words[i]) >= 4] or able
    if not able:
        raise HeaterLogError(
            f"{where}: no column of numbers or of on and off beside the time; "
            "name it with value_column (--value-column)"
        )
    scores = [_score(words[i]) for i in able]
    best = [i for i, score in zip(able, scores, strict=True) if score == max(scores)]
    if len(best) > 1:
        names = " and ".join(repr(rows.names[i] or f"column {i + 1}") for i in best[:3])
        raise HeaterLogError(
            f"{where}: {names} could all be the heater's; "
            "name one with value_column (--value-column)"
        )
    return best[0]


def find_columns(rows: Rows, options: LogOptions, where: str) -> Fields:
    """Find the columns of a log, or look up those that were named.

    Raises
    ------
    HeaterLogError
        A named column does not exist, or the headings leave a doubt.
    """
    words = [_words(name) for name in rows.names]
    begin, end = _find_times(rows, words)
    if options.time_column is not None:
        begin = _named(options.time_column, rows.names, where)
        end = tuple(i for i in end if i not in begin) if len(begin) == len(end) else ()
    if options.stop_column is not None:
        end = _named(options.stop_column, rows.names, where)
    if not begin:
        raise HeaterLogError(
            f"{where}: no column of times was found; name it with time_column (--time-column)"
        )
    value = (
        _find_value(rows, words, (*begin, *end), where)
        if options.value_column is None
        else _named(options.value_column, rows.names, where)[0]
    )
    time_words = set().union(*(words[i] for i in begin))
    return Fields(begin, end, value, time_words, words[value])
