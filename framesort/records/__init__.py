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
from framesort.records._comparison import (
    QUANTITIES,
    Comparison,
    ConditionDifference,
    ConfigurationSummary,
    Difference,
    Effect,
    Interval,
    MeanStar,
    Quantity,
    Verdict,
)
from framesort.records._constants import FWHM_TO_SIGMA, MAD_TO_SIGMA, step_noise
from framesort.records._findings import (
    AcceptablePower,
    ClockOffset,
    GapVerdict,
    GrowthPoint,
    ResponsePoint,
    SetSummary,
    SpikeFollows,
    SpikeOnSide,
    TradeOffPoint,
    rows_as,
)
from framesort.records._frames import (
    HEATER_STATES,
    SPIKE_BINS,
    FrameQuality,
    HeaterTrace,
    Transform,
)
from framesort.records._images import PRODUCT_CARD, PRODUCT_TEXT, Replacement, Stack
from framesort.records._limits import CHECK_LIMITS, CheckLimits, Judgement, check_rows, judge_check
from framesort.records._notes import NOTES, Note, NoteKind, as_notes, unique_notes
from framesort.records._onset import Onset, OnsetFit, OnsetPoint
from framesort.records._pixel_map import PixelMap, map_by_matrix
from framesort.records._reasons import REASONS, Reason, add_reason
from framesort.records._summary import (
    GroupSummary,
    HeaterStep,
    HeaterSummary,
    LeftOut,
    NightPart,
    NightSummary,
    Stages,
)
from framesort.records._switches import keep_switches

__all__ = [
    "CHECK_LIMITS",
    "COLUMNS",
    "FWHM_TO_SIGMA",
    "HEATER_STATES",
    "MAD_TO_SIGMA",
    "NOTES",
    "PRODUCT_CARD",
    "PRODUCT_TEXT",
    "QUANTITIES",
    "REASONS",
    "SPIKE_BINS",
    "STAR_COLUMNS",
    "AcceptablePower",
    "CheckLimits",
    "ClockOffset",
    "Column",
    "Comparison",
    "ConditionDifference",
    "ConfigurationSummary",
    "Difference",
    "Effect",
    "FrameQuality",
    "GapVerdict",
    "GroupSummary",
    "GrowthPoint",
    "HeaterStep",
    "HeaterSummary",
    "HeaterTrace",
    "Interval",
    "Judgement",
    "LeftOut",
    "MeanStar",
    "NightPart",
    "NightSummary",
    "Note",
    "NoteKind",
    "Onset",
    "OnsetFit",
    "OnsetPoint",
    "PixelMap",
    "Quantity",
    "Reason",
    "Replacement",
    "ResponsePoint",
    "SetSummary",
    "SpikeFollows",
    "SpikeOnSide",
    "Stack",
    "Stages",
    "TradeOffPoint",
    "Transform",
    "Verdict",
    "add_column",
    "add_reason",
    "as_notes",
    "check_rows",
    "column_values",
    "empty_star_list",
    "judge_check",
    "keep_switches",
    "map_by_matrix",
    "rows_as",
    "step_noise",
    "unique_notes",
    "unix_seconds",
]
