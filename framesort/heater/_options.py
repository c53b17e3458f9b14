"""How a heater log is to be read."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from astropy.time import Time

__all__ = ["ColumnName", "LogOptions"]

ColumnName = str | int | Sequence[str | int]


@dataclass(frozen=True, kw_only=True)
class LogOptions:
    """How a heater log is to be read; what is not given is determined from the log.

    Attributes
    ----------
    form : str
        "samples" of power at a cadence; "switches": a row whenever the power was changed;
        "states": samples of on and off; "intervals": from, to and power; "current":
        supply current of the whole rig; "auto": determined from headings and rows, and
        recorded in the notes.
    zone : str or None
        Time zone of times without one: IANA name or offset such as "-07:00". None: UTC, or an
        error if the heading says local.
    day_first : bool or None
        Whether 03/04/2024 is the third of April. None: determined from the dates, or an error.
    full_current : float or None
        Amperes that the heater draws at full power; None to calibrate from the steps.
        Only for currents.
    full_power : float or None
        Reading at full power if it is not percent (watts, or a duty of 0..255).
    max_gap : float or None
        Longest time without a sample, in seconds, over which the power counts as known.
        None: a minute or five cadences, whichever is longer. Not used for events and intervals.
    start : `~astropy.time.Time`, datetime, str or None
        Start of a log that counts seconds or has no dates, UTC unless it has a zone.
    time_column, stop_column, value_column : str, int or pair, optional
        Heading (any case) or number from 1; a pair for date and time of day in two columns.
    """

    form: str = "auto"
    zone: str | None = None
    day_first: bool | None = None
    full_current: float | None = None
    full_power: float | None = None
    max_gap: float | None = None
    start: Time | datetime | str | None = None
    time_column: ColumnName | None = None
    stop_column: ColumnName | None = None
    value_column: str | int | None = None
