"""Values out of tables and summaries that may lack anything or hold anything."""

import math
import warnings
from datetime import UTC, datetime
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

__all__ = [
    "as_number",
    "column_texts",
    "column_truths",
    "iso_seconds",
    "start_seconds",
]


def as_number(value: Any) -> float:
    """A number from a summary that may hold anything; NaN for what is none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return math.nan
    return float(value)


def column_texts(table: Table, name: str) -> NDArray[np.str_]:
    """A column as texts, "" where masked or missing."""
    if name not in table.colnames:
        return np.full(len(table), "", dtype=str)
    values = np.ma.asarray(table[name])
    empty = np.ma.getmaskarray(values)
    return np.array(
        ["" if gone else str(value) for value, gone in zip(values.data, empty, strict=True)],
        dtype=str,
    )


def column_truths(table: Table, name: str) -> NDArray[np.bool_]:
    """A column as bools, false where masked or missing."""
    if name not in table.colnames:
        return np.zeros(len(table), dtype=bool)
    texts = column_texts(table, name)
    return np.array([text in ("True", "1", "true") for text in texts], dtype=bool)


def start_seconds(table: Table) -> NDArray[np.float64]:
    """Start of each exposure, seconds since 1970 UTC; NaN where not known.

    The column may be a `~astropy.time.Time`, also masked, or ISO texts.
    """
    seconds = np.full(len(table), np.nan)
    if "start" not in table.colnames or not len(table):
        return seconds
    column = table["start"]
    if isinstance(column, Time):
        with warnings.catch_warnings():
            # A camera clock may be set to any year; leap seconds do not matter here.
            warnings.filterwarnings("ignore", message="ERFA")
            return np.ma.filled(np.ma.asarray(column.utc.unix).astype(float), np.nan)
    return np.array([iso_seconds(text) for text in column_texts(table, "start")])


def iso_seconds(value: Any) -> float:
    """An ISO 8601 text as seconds since 1970, UTC unless it names an offset; NaN for others."""
    try:
        moment = datetime.fromisoformat(value)
    except (TypeError, ValueError):
        return math.nan
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
