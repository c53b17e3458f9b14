"""A heater log from a table in memory."""

from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.errors import HeaterLogError
from framesort.heater._text import Rows

__all__ = ["rows_of_table"]


def rows_of_table(table: Table) -> Rows:
    """Columns as texts, so that a table is read like a file of the same content.

    A column's unit is put behind its name; `~astropy.time.Time` becomes UTC. Masked and NaN are
    empty.

    Raises
    ------
    HeaterLogError
        The table has no row.
    """
    if not len(table):
        raise HeaterLogError("the heater log is a table without rows")
    names, columns = [], []
    for name in table.colnames:
        column: Any = table[name]
        unit = getattr(column, "unit", None)
        names.append(f"{name} [{unit}]" if unit is not None else str(name))
        if isinstance(column, Time):
            texts = [f"{text}Z" for text in np.atleast_1d(column.utc.isot)]
        else:
            values = getattr(column, "value", column)  # of a Quantity
            filled = np.ma.asarray(values)
            known = ~np.ma.getmaskarray(filled)
            texts = [_text(v) if k else "" for v, k in zip(filled.data, known, strict=True)]
        columns.append(texts)
    return Rows(names, columns, list(range(1, len(table) + 1)), [])


def _text(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode(errors="replace")
    if isinstance(value, float | np.floating) and np.isnan(value):
        return ""
    if isinstance(value, bool | np.bool_):
        return "on" if value else "off"
    return str(value.isoformat() if hasattr(value, "isoformat") else value).strip()
