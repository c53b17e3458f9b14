"""How the effect of the heater follows its power, in frozen records."""

import math
from dataclasses import dataclass, field

from framesort.records._comparison import Interval

__all__ = ["Onset", "OnsetFit", "OnsetPoint"]

DECIDED = 0.95
"""Probability from which one of the two laws of the heated share is called decided."""


@dataclass(frozen=True, kw_only=True)
class OnsetFit:
    """What one quantity, or both together, show of onset and decay.

    Attributes
    ----------
    warming, cooling : Interval
        Time constants of rise and decay, minutes; value is the median.
    whole : float
        Probability that a short heated part of an exposure counts nearly as a whole, against a
        linear mixture of the light; 0.5 where the frames do not decide.
    log_likelihood_difference : float
        Natural logarithm of the marginal likelihood of "whole" over that of "mixture".
    """

    warming: Interval = field(default_factory=Interval)
    cooling: Interval = field(default_factory=Interval)
    whole: float = math.nan
    log_likelihood_difference: float = math.nan

    @property
    def law(self) -> str:
        """The law of the heated share: "mixture", "whole", or "" where it is not decided."""
        if self.whole >= DECIDED:
            return "whole"
        return "mixture" if self.whole <= 1 - DECIDED else ""


@dataclass(frozen=True, kw_only=True)
class OnsetPoint:
    """One frame after a change of power.

    Attributes
    ----------
    minutes : float
        From the change to the middle of the exposure.
    warming : bool
        Whether power was raised.
    holds : bool
        Whether the exposure holds the change.
    spike, spike_err, width, width_err : float
        Part of the change from the level of the power before to that of the power after it that
        is reached, and its uncertainty; NaN where not measured or too uncertain to show.
    """

    minutes: float = math.nan
    warming: bool = True
    holds: bool = False
    spike: float = math.nan
    spike_err: float = math.nan
    width: float = math.nan
    width_err: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Onset:
    """How the effect of the heater follows its power.

    Attributes
    ----------
    frames, switches, holding : int
        Frames used, changes of power during the night, frames whose exposure holds one.
    spike, width, both : OnsetFit or None
        From the spike, the FWHM, and both under one law; None without data.
    spike_exponent, width_exponent : Interval
        Exponent of exposure time at equal power, of the spike's share and of the blur (in
        quadrature); NaN where the night has one exposure only.
    points : tuple of OnsetPoint
        Frames after changes, for a plot.
    sentences : tuple of str
        Description.
    """

    frames: int = 0
    switches: int = 0
    holding: int = 0
    spike: OnsetFit | None = None
    width: OnsetFit | None = None
    both: OnsetFit | None = None
    spike_exponent: Interval = field(default_factory=Interval)
    width_exponent: Interval = field(default_factory=Interval)
    points: tuple[OnsetPoint, ...] = ()
    sentences: tuple[str, ...] = ()
