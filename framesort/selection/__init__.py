"""The two sets, their weights, and the trade-off between depth and sharpness.

`choose_sets` divides the night; `report_selection` says of a group what its sets come to.
"""

from framesort.selection._choose import SetLimits, choose_sets
from framesort.selection._depth import (
    SelectionReport,
    advise_sets,
    report_selection,
    summarise_sets,
    trace_trade_off,
)

__all__ = [
    "SelectionReport",
    "SetLimits",
    "advise_sets",
    "choose_sets",
    "report_selection",
    "summarise_sets",
    "trace_trade_off",
]
