"""Limits from a response: the highest acceptable power and the power at which a spike appears."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Curves", "describe_limits", "draw_curves", "find_spike_range"]

Floats = NDArray[np.float64]

_SAME = 2.5
"""Powers closer than this, in percent, are treated as one."""

_DRAWS = 2000
"""Draws from the covariance of the fit, for limits that are not linear in it."""


@dataclass(frozen=True)
class Curves:
    """Draws of the growth of the FWHM against power from the covariance of the fit.

    Attributes
    ----------
    power : (k,) float ndarray
        0 and the levels measured, percent.
    blur : (draws, k) float ndarray
        Added in quadrature to 1 it gives the growth at each power; never decreasing.
    bend : (draws,) float ndarray
        Exponent of the interpolation of blur between two levels.
    """

    power: Floats
    blur: Floats
    bend: Floats

    def growth_at(self, power: Floats) -> tuple[Floats, Floats, Floats]:
        """Median growth and its one-sigma range at powers from 0 to the highest measured."""
        k = np.clip(np.searchsorted(self.power, power, side="left"), 1, len(self.power) - 1)
        part = np.clip((power - self.power[k - 1]) / (self.power[k] - self.power[k - 1]), 0, 1)
        low, high = self.blur[:, k - 1], self.blur[:, k]
        blur = low + (high - low) * part[None, :] ** self.bend[:, None]
        found = np.quantile(np.hypot(1.0, blur), [0.5, 0.16, 0.84], axis=0)
        return found[0], found[1], found[2]

    def find_limit(self, max_growth: float) -> tuple[float, float, float]:
        """Highest power at which the FWHM grows by less than `max_growth`, and its range.

        Where the median of `growth_at`, and its upper and lower range, reach `max_growth`. Inf
        if the growth is smaller even at the highest power measured.
        """
        target = np.sqrt((1 + max_growth) ** 2 - 1)
        found = np.full(len(self.blur), np.inf)
        above = self.blur >= target
        crossed = above.any(axis=1)
        k = np.argmax(above, axis=1)[crossed]
        rows = np.flatnonzero(crossed)
        low, high = self.blur[rows, k - 1], self.blur[rows, k]
        part = ((target - low) / np.maximum(high - low, 1e-12)) ** (1 / self.bend[rows])
        found[rows] = self.power[k - 1] + part * (self.power[k] - self.power[k - 1])
        low, middle, high = np.quantile(found, [0.16, 0.5, 0.84], method="nearest")
        return float(middle), float(low), float(high)


def draw_curves(
    levels: Floats, growth: Floats, covariance: Floats, rng: np.random.Generator
) -> Curves:
    """Draw curves through levels whose log growth was fitted, with its covariance.

    Blur rises from 0 at no power through the levels measured. Its curvature between them is not
    known, so each draw interpolates with an exponent of 0.6 to 1.7.
    """
    # Rounding can make the covariance slightly indefinite: draw from its eigenvectors.
    size, axes = np.linalg.eigh(covariance)
    draws = rng.standard_normal((_DRAWS, len(growth))) * np.sqrt(np.maximum(size, 0.0))
    blur = np.sqrt(np.maximum(np.exp(2 * (growth + draws @ axes.T)) - 1, 0.0))
    blur = np.column_stack([np.zeros(_DRAWS), np.maximum.accumulate(blur, axis=1)])
    bend = np.exp(rng.uniform(np.log(0.6), np.log(1.7), _DRAWS))
    return Curves(np.r_[0.0, levels], blur, bend)


def find_spike_range(levels: Floats, spikes: list[tuple[float, float]]) -> tuple[float, float]:
    """Highest power below the first spike seen at 3 sigma, and that power."""
    seen = np.array([value > 3 * error if error > 0 else False for value, error in spikes])
    known = np.array([np.isfinite(value) for value, _ in spikes])
    seen[0] = False
    if not known[1:].any():
        return np.nan, np.nan
    if not seen.any():
        return float(levels[known].max()), np.nan
    first = int(np.argmax(seen))
    return float(levels[:first].max()), float(levels[first])


def _describe_interpolation(power: float, levels: Floats) -> str:
    """The measured powers between which a limit was interpolated; "" if it was measured."""
    known = np.r_[0.0, levels]
    if np.abs(known - power).min() <= _SAME:
        return ""
    below, above = known[known < power].max(), known[known > power].min()
    return f", interpolated between the measured powers {below:.0f} % and {above:.0f} %"


def describe_limits(
    limit: tuple[float, float, float], above: float, below: float, max_growth: float, levels: Floats
) -> str:
    """The limits in one or two sentences."""
    growth = f"FWHM up {100 * max_growth:.0f} %"
    top = float(levels.max())
    middle, low, high = limit
    if np.isinf(middle):
        text = f"Highest acceptable power ({growth}): above {top:.0f} %, the highest measured"
        text += "." if np.isinf(low) else f"; the one-sigma range begins at {low:.0f} %."
    else:
        upper = f"{high:.0f}" if np.isfinite(high) else f"{top:.0f} or more"
        text = (
            f"Highest acceptable power ({growth}): {middle:.0f} % ({low:.0f} to {upper} %)"
            f"{_describe_interpolation(middle, levels)}."
        )
    if np.isfinite(below):
        between = (
            f"between {above:.0f} and {below:.0f} %" if above > 0 else f"at or below {below:.0f} %"
        )
        text += f" The spike appears {between}."
    elif np.isfinite(above):
        text += f" No spike is detected up to {above:.0f} %."
    return text
