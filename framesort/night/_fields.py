"""Several fields in one night: which rows show which, and which frames lie on no grid."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import add_column

__all__ = ["forget_places", "placed_only", "target_of", "target_rows", "unplaced_rows"]

_NOT_PLACED = frozenset({"not matched", "few stars"})
"""Reasons that registration gives; a graded frame has them from nowhere else."""


def target_of(table: Table, row: int) -> str:
    """The target of a row; "" if the table has none."""
    return str(table["target"][row]) if "target" in table.colnames else ""


def target_rows(table: Table) -> dict[str, NDArray[np.intp]]:
    """Rows of each target, in the order in which targets come."""
    names = [target_of(table, row) for row in range(len(table))]
    return {
        name: np.flatnonzero([other == name for other in names]) for name in dict.fromkeys(names)
    }


def unplaced_rows(table: Table) -> NDArray[np.bool_]:
    """Frames of a set that registration could not place."""
    if "reason" not in table.colnames:
        return np.zeros(len(table), dtype=bool)
    return np.array(
        [bool(row["grade"]) and bool(_codes(row["reason"]) & _NOT_PLACED) for row in table],
        dtype=bool,
    )


def placed_only(table: Table) -> Table:
    """A copy in which frames that lie on no grid are in no set."""
    work = table.copy()
    out = unplaced_rows(table)
    for name, nothing in (
        ("sharp_set", False),
        ("deep_set", False),
        ("weight_sharp", 0.0),
        ("weight_deep", 0.0),
    ):
        if name in work.colnames:
            work[name][out] = nothing
    return work


def forget_places(table: Table) -> None:
    """Take what an earlier registration said out of the reasons, in place."""
    out = unplaced_rows(table)
    texts = [str(text) for text in table["reason"]]
    for row in np.flatnonzero(out):
        codes = [code for code in texts[row].split("; ") if code not in _NOT_PLACED]
        texts[row] = "; ".join(codes)
    add_column(table, "reason", texts)


def _codes(reason: object) -> set[str]:
    return set(str(reason).split("; "))
