"""Formatting of numbers, times and names."""

import math
import re
from collections.abc import Iterable
from datetime import UTC, datetime

from markupsafe import Markup, escape

from framesort.report._read import GroupResults, Results

__all__ = [
    "clock_text",
    "format_duration",
    "format_number",
    "listing",
    "mark_prose",
    "name_filter",
    "name_group",
    "percent",
    "plural",
]


def clock_text(seconds: float) -> str:
    """Hours and minutes of a moment, seconds since 1970, UTC.

    >>> clock_text(1710457189.0)
    '22:59'
    """
    return f"{datetime.fromtimestamp(seconds, tz=UTC):%H:%M}"


def format_number(value: float, digits: int = 2) -> str:
    """A number for reading, "–" where there is none; -0 is 0."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{round(value, digits) + 0.0:.{digits}f}"


def format_duration(hours: float) -> str:
    """Minutes below one hour, else hours.

    >>> format_duration(0.3), format_duration(2.5)
    ('18 min', '2.5 h')
    """
    if not math.isfinite(hours):
        return "–"
    return f"{60 * hours:.0f} min" if hours < 1 else f"{hours:.1f} h"


def mark_prose(sentence: str) -> Markup:
    r"""A sentence for the page: escaped, `commands` as code, units tied to their numbers.

    >>> mark_prose("run `framesort log` for <3 px")
    Markup('run <code>framesort log</code> for &lt;3\xa0px')
    """
    text = re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(sentence)))
    return Markup(re.sub(r"(?<=\d) (?=(?:px|%|h|min|s)\b|%)", "\N{NO-BREAK SPACE}", text))


def plural(number: int, word: str) -> str:
    """A number with its noun."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def percent(share: float, error: float = math.nan) -> str:
    """A share and its error in percent."""
    digits = 1 if abs(100 * share) < 10 else 0
    more = f" ± {100 * error:.{digits}f}" if math.isfinite(error) and error > 0 else ""
    return f"{100 * share:.{digits}f}{more} %"


def listing(parts: Iterable[str]) -> str:
    """Texts joined by commas and a last "and"."""
    items = list(parts)
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]


def name_group(group: GroupResults, results: Results) -> str:
    """Words " of L (120 s)" where there is more than one group."""
    if len(results.groups) < 2:
        return ""
    return f" of {name_filter(group.filter or group.label, group.exposure)}"


def name_filter(name: str, exposure: float) -> str:
    """Filter and exposure, as "L (120 s)"."""
    return f"{name} ({exposure:g} s)" if math.isfinite(exposure) else name
