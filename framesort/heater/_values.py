"""Fields of text to numbers: plain numbers, numbers with a unit, words for on and off."""

import re

import numpy as np
from numpy.typing import NDArray

__all__ = ["is_state", "parse_values"]

_ON = {"on", "true", "yes", "enabled", "enable", "start", "started", "active", "heating"}
_OFF = {"off", "false", "no", "disabled", "disable", "stop", "stopped", "inactive", "idle"}
_NUMBER = re.compile(r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_UNIT = re.compile(r"\s*(?:%|percent|pct|A|amps?|mA|W|watts?)?\s*", re.IGNORECASE)


_PERCENT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:%|percent\b|pct\b)", re.ASCII | re.IGNORECASE)
_WORD = re.compile(r"[a-z]+")


def _from_words(text: str) -> float:
    """Percent from words: a number before %, else 100 for on and 0 for off; NaN if neither."""
    match = _PERCENT.search(text)
    if match:
        return float(match[1].replace(",", "."))
    words = set(_WORD.findall(text.lower()))
    on, off = bool(words & _ON), bool(words & _OFF)
    return np.nan if on == off else 100.0 * on


def is_state(text: str) -> bool:
    """True for a text with on, off or a percentage."""
    return len(text) <= 200 and not np.isnan(_from_words(text))


def _parse_one(text: str) -> tuple[float, bool]:
    """Number of a field and whether words gave it."""
    match = _NUMBER.match(text)
    if match and _UNIT.fullmatch(text, match.end()):
        return float(match[0].replace(",", ".")), False
    if len(text) > 200:
        return np.nan, False
    return _from_words(text), True


def parse_values(fields: list[str]) -> tuple[NDArray[np.float64], bool]:
    """Numbers of a column.

    Parameters
    ----------
    fields : list of str
        "30", "1,91", "30 %", "on", "heater set to 30 %".

    Returns
    -------
    values : (n,) float ndarray
        NaN where there is no finite number. Words give percent, on 100 and off 0.
    worded : bool
        Most of the values came from words.
    """
    try:
        values = np.array(list(map(float, fields)))
        worded = False
    except ValueError:
        known: dict[str, tuple[float, bool]] = {}
        for text in fields:
            if text not in known:
                known[text] = _parse_one(text)
        values = np.array([known[text][0] for text in fields], dtype=float)
        named = sum(known[text][1] and not np.isnan(known[text][0]) for text in fields)
        worded = named > np.isfinite(values).sum() / 2
    values[~np.isfinite(values)] = np.nan
    return values, worded
