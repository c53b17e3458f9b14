"""What subpackages exchange: column names with units, reasons, result classes.

Nothing here computes a result. Tables are `astropy.table.Table`; a column that is
not known yet is missing, a value that is not known is masked or NaN, never 0.
"""

from framesort.records._columns import (
    COLUMNS,
    STAR_COLUMNS,
    Column,
    add_column,
    column_values,
    empty_star_list,
    unix_seconds,
)
from framesort.records._constants import FWHM_TO_SIGMA, MAD_TO_SIGMA, step_noise
from framesort.records._frames import SPIKE_BINS, FrameQuality, HeaterTrace, Transform
from framesort.records._images import PRODUCT_CARD, PRODUCT_TEXT, Replacement, Stack
from framesort.records._limits import CHECK_LIMITS, CheckLimits, Judgement, judge_check
from framesort.records._pixel_map import PixelMap, map_by_matrix
from framesort.records._reasons import REASONS, Reason, add_reason

__all__ = [
    "CHECK_LIMITS",
    "COLUMNS",
    "FWHM_TO_SIGMA",
    "MAD_TO_SIGMA",
    "PRODUCT_CARD",
    "PRODUCT_TEXT",
    "REASONS",
    "SPIKE_BINS",
    "STAR_COLUMNS",
    "CheckLimits",
    "Column",
    "FrameQuality",
    "HeaterTrace",
    "Judgement",
    "PixelMap",
    "Reason",
    "Replacement",
    "Stack",
    "Transform",
    "add_column",
    "add_reason",
    "column_values",
    "empty_star_list",
    "judge_check",
    "map_by_matrix",
    "step_noise",
    "unix_seconds",
]
