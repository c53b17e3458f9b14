"""What a star replacement may miss: one set for its own check, the report and the messages."""

from dataclasses import dataclass

__all__ = ["CHECK_LIMITS", "CheckLimits"]


@dataclass(frozen=True)
class CheckLimits:
    """Largest differences, and the ratio of widths, that still count as good.

    Attributes
    ----------
    narrower : float
        Largest ratio of FWHM, sharp stack over deep stack, at which the sharp one is sharper.
    width : float
        Relative difference in FWHM between the final stars and the sharp stack's.
    flux : float
        Relative difference in the median flux of replaced stars from the sharp stack's.
    noise : float
        Relative difference in pixel noise beside replaced stars from that elsewhere; less is not
        seen in a stretched picture (common practice).
    """

    narrower: float = 0.97
    width: float = 0.03
    flux: float = 0.02
    noise: float = 0.2


CHECK_LIMITS = CheckLimits()
"""The limits in use."""
