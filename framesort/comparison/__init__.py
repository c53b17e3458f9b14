"""Nights and configurations of a heater against one another."""

from framesort.comparison._compare import compare_configurations
from framesort.comparison._configuration import Configuration
from framesort.comparison._settle import Side, frames_to_settle
from framesort.comparison._verdict import SmallestDifference

__all__ = [
    "Configuration",
    "Side",
    "SmallestDifference",
    "compare_configurations",
    "frames_to_settle",
]
