"""Limits read off a response: the power that is tolerable, the power at which a spike appears."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Curves", "describe_limits", "draw_curves", "find_spike_range"]

Floats = NDArray[np.float64]

_SAME = 2.5
"""Powers closer than this, in percent, are one."""

_DRAWS = 2000
"""Draws from the fit's uncertainty for limits that are not linear in it."""


@dataclass(frozen=True)
class Curves:
    """Growth of the FWHM against power as it may be: draws from the fit's uncertainty.

    Attributes
    ----------
    power : (k,) float ndarray
        0 and the levels measured, percent.
    blur : (draws, k) float ndarray
        What added in quadrature to 1 gives the growth at each of them, never falling.
    bend : (draws,) float ndarray
        How blur rises between two levels: as this power of the way.
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

    def find_limit(self, cost: float) -> tuple[float, float, float]:
        """Highest power that costs less than `cost`, and its range.

        Where the median of `growth_at`, and its upper and lower range, reach `cost`. Inf: even
        the highest power measured costs less.
        """
        target = np.sqrt((1 + cost) ** 2 - 1)
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

    Blur rises from 0 at no power through the levels measured; how it bends between
    them is not known, so each draw bends it by a power of 0.6 to 1.7.
    """
    # Rounding can leave the covariance a hair off positive: draw from its eigenvectors.
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


def _tell_base(power: float, levels: Floats) -> str:
    """Between which measured powers a limit was interpolated; "" if it was measured itself."""
    known = np.r_[0.0, levels]
    if np.abs(known - power).min() <= _SAME:
        return ""
    below, above = known[known < power].max(), known[known > power].min()
    return (
        f", by interpolation between {below:.0f} % (measured) and {above:.0f} % (measured); "
        "not measured in between"
    )


def describe_limits(
    limit: tuple[float, float, float], above: float, below: float, cost: float, levels: Floats
) -> str:
    """The limits in a sentence or two for the user."""
    percent = f"{100 * cost:.0f} %"
    top = float(levels.max())
    middle, low, high = limit
    if np.isinf(middle):
        text = f"Up to {top:.0f} % power, the highest measured, costs less than {percent} in FWHM"
        text += "." if np.isinf(low) else f", but {low:.0f} % might already cost that much."
    else:
        upper = f"{high:.0f}" if np.isfinite(high) else f"{top:.0f} or more"
        text = (
            f"Up to about {middle:.0f} % power (between {low:.0f} and {upper}) costs less than "
            f"{percent} in FWHM{_tell_base(middle, levels)}."
        )
    if np.isfinite(below):
        between = f"between {above:.0f} and {below:.0f} %" if above > 0 else f"by {below:.0f} %"
        text += f" The spike appears {between}."
    elif np.isfinite(above):
        text += f" No spike was seen up to {above:.0f} %."
    return text
