"""What is found out of a night: results that the summary, night.json and the report share."""

import math
from dataclasses import dataclass
from typing import Any, TypeVar

from astropy.table import Table

__all__ = [
    "AcceptablePower",
    "ClockOffset",
    "GapVerdict",
    "GrowthPoint",
    "ResponsePoint",
    "SetSummary",
    "SpikeFollows",
    "SpikeOnSide",
    "TradeOffPoint",
    "rows_as",
]

NAN = math.nan
Row = TypeVar("Row")


@dataclass(frozen=True)
class ClockOffset:
    """Offset of the log's clock estimated from the stars.

    Attributes
    ----------
    seconds : float
        To be added to the log's times so that they agree with the camera's; NaN if unknown.
    error : float
        One standard deviation; never below the time between frames over the square root
        of twelve and of the number of switches.
    significant : bool
        The offset differs from zero by more than three errors, and no other one fits as well.
    sentence : str
        Description.
    """

    seconds: float = NAN
    error: float = NAN
    significant: bool = False
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class SpikeOnSide:
    """The spike in frames of one night and one side of the meridian.

    Attributes
    ----------
    name : str
        The night, with "before" or "after the flip" where both occur.
    angle, error : float
        Mean angle on the frames and its standard error, degrees; NaN without a spike.
    turn : float
        Rotation from the frames to the common grid, degrees counter-clockwise; NaN if unknown.
    frames : int
        Number of frames used.
    """

    name: str
    angle: float
    error: float
    turn: float
    frames: int


@dataclass(frozen=True, kw_only=True)
class SpikeFollows:
    """Behaviour of the spike under meridian flips and rotations of the camera.

    Attributes
    ----------
    sides : tuple of SpikeOnSide
        In order of time.
    verdict : str
        "frame" (constant angle on the frames: fixed to tube and camera), "sky" (constant angle
        on the common grid: fixed to the tube in which the camera was rotated), "neither", or
        "unknown".
    sentence : str
        Description with numbers.
    """

    sides: tuple[SpikeOnSide, ...] = ()
    verdict: str = "unknown"
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class GapVerdict:
    """Whether a gap at a given position explains the spike.

    Attributes
    ----------
    gap : float
        Position angle of the gap, degrees counter-clockwise from +x, as it was given.
    spike, error : float
        Angle of the spike, degrees, and its error combined with that of the gap's position.
    candidates : tuple of (str, bool, float)
        Kind of edge ("radial" or "tangential"), mirrored or not, and the difference of the spike
        from the angle expected for that edge, degrees [-90, 90).
    fits : tuple of (str, bool)
        Those within two errors.
    sentence : str
        Description.
    """

    gap: float = NAN
    spike: float = NAN
    error: float = NAN
    candidates: tuple[tuple[str, bool, float], ...] = ()
    fits: tuple[tuple[str, bool], ...] = ()
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class SetSummary:
    """One set of one group.

    Attributes
    ----------
    frames : int
        Number of frames.
    hours : float
        Their total exposure.
    fwhm : float
        Expected FWHM of the stack, pixels: the weighted mean over the frames.
    depth : float
        Expected background standard deviation of the stack in ADU of the most transparent frames
        of the group.
    limit_flux : float
        Flux in ADU at which a star has S/N 10 in the stack.
    limit_magnitude : float
        Its magnitude; NaN without a zero point.
    fainter_minutes : float
        Additional minutes of similar exposures for S/N 10 one magnitude fainter.
    """

    frames: int = 0
    hours: float = 0.0
    fwhm: float = NAN
    depth: float = NAN
    limit_flux: float = NAN
    limit_magnitude: float = NAN
    fainter_minutes: float = NAN


@dataclass(frozen=True, kw_only=True)
class TradeOffPoint:
    """Depth and sharpness of a stack of the `frames` sharpest frames; `heated` of them are."""

    frames: int
    heated: int = 0
    hours: float = NAN
    fwhm: float = NAN
    depth: float = NAN


@dataclass(frozen=True, kw_only=True)
class ResponsePoint:
    """FWHM and spike at one filter, exposure [s] and power [%]; see `framesort.evidence`."""

    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    frames: int = 0
    fwhm_growth: float = NAN
    fwhm_growth_err: float = NAN
    blur: float = NAN
    blur_err: float = NAN
    spike: float = NAN
    spike_err: float = NAN


@dataclass(frozen=True, kw_only=True)
class GrowthPoint:
    """Growth of the FWHM at one power with its one-sigma range; `measured` near a measurement."""

    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    fwhm_growth: float = NAN
    fwhm_growth_low: float = NAN
    fwhm_growth_high: float = NAN
    measured: bool = False


@dataclass(frozen=True, kw_only=True)
class AcceptablePower:
    """The highest acceptable power of one filter and exposure, with its one-sigma range [%].

    `spike_above` is the highest power without a spike, `spike_below` the lowest with one.
    """

    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    power_low: float = NAN
    power_high: float = NAN
    spike_above: float = NAN
    spike_below: float = NAN
    sentence: str = ""


def rows_as(kind: type[Row], table: Table) -> tuple[Row, ...]:
    """The rows of a table as records whose fields are its columns."""
    return tuple(
        kind(**dict(zip(table.colnames, (_python(v) for v in row), strict=True)))
        for row in table.iterrows()
    )


def _python(value: Any) -> Any:
    """A value of a column as Python's own type."""
    return value.item() if hasattr(value, "item") else value
