"""Limits read off a response: the power that is tolerable, the power at which a line appears."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_limit", "find_line_range", "tell_limits"]

Floats = NDArray[np.float64]

_DRAWS = 2000
"""Draws from the fit's uncertainty for limits that are not linear in it."""


def find_limit(
    levels: Floats, growth: Floats, covariance: Floats, cost: float, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Highest power that costs less than `cost`, and its range.

    Blur rises from 0 at no power through the levels measured; how it bends between
    them is not known, so each draw bends it by a power of 0.6 to 1.7. Inf: even the highest
    power measured costs less.
    """
    # Rounding can leave the covariance a hair off positive: draw from its eigenvectors.
    size, axes = np.linalg.eigh(covariance)
    draws = rng.standard_normal((_DRAWS, len(growth))) * np.sqrt(np.maximum(size, 0.0))
    blur = np.sqrt(np.maximum(np.exp(2 * (growth + draws @ axes.T)) - 1, 0.0))
    blur = np.column_stack([np.zeros(_DRAWS), np.maximum.accumulate(blur, axis=1)])
    power = np.r_[0.0, levels]
    target = np.sqrt((1 + cost) ** 2 - 1)
    bend = np.exp(rng.uniform(np.log(0.6), np.log(1.7), _DRAWS))
    found = np.full(_DRAWS, np.inf)
    above = blur >= target
    crossed = above.any(axis=1)
    k = np.argmax(above, axis=1)[crossed]
    rows = np.flatnonzero(crossed)
    low, high = blur[rows, k - 1], blur[rows, k]
    part = ((target - low) / np.maximum(high - low, 1e-12)) ** (1 / bend[rows])
    found[rows] = power[k - 1] + part * (power[k] - power[k - 1])
    low, middle, high = np.quantile(found, [0.16, 0.5, 0.84], method="nearest")
    return float(middle), float(low), float(high)


def find_line_range(levels: Floats, lines: list[tuple[float, float]]) -> tuple[float, float]:
    """Highest power below the first line seen at 3 sigma, and that power."""
    seen = np.array([value > 3 * error if error > 0 else False for value, error in lines])
    known = np.array([np.isfinite(value) for value, _ in lines])
    seen[0] = False
    if not known[1:].any():
        return np.nan, np.nan
    if not seen.any():
        return float(levels[known].max()), np.nan
    first = int(np.argmax(seen))
    return float(levels[:first].max()), float(levels[first])


def tell_limits(
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
            f"{percent} in FWHM."
        )
    if np.isfinite(below):
        between = f"between {above:.0f} and {below:.0f} %" if above > 0 else f"by {below:.0f} %"
        text += f" The line of light appears {between}."
    elif np.isfinite(above):
        text += f" No line of light was seen up to {above:.0f} %."
    return text
