"""How far a spike reaches, and all of its light.

`spike_raw` is the light between two radii: measured, and comparable from frame to frame. A long
spike has twice as much further in, under the star, and further out.
"""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.records import SPIKE_BINS
from framesort.stars._rays import sample_rays, spike_templates, weigh_light
from framesort.stars._together import average_stars

__all__ = ["Reach", "both_sides", "light_at_angles", "measure_reach"]

_EDGES = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0)
"""Rings, FWHM."""

_LENGTHS = np.geomspace(1.0, 30.0, 61)
"""1/e lengths that are tried, FWHM."""


@dataclass(frozen=True, kw_only=True)
class Reach:
    """All light of a spike whose brightness falls exponentially, and its 1/e length in FWHM."""

    total: float = np.nan
    error: float = np.nan
    length: float = np.nan


def both_sides(
    sides: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sum and difference of the sides of (m, 2, bins), each less its mean over angles.

    Where one side is missing the other stands for both; where both are, the sum is NaN.
    """
    one, two = sides[:, 0], sides[:, 1]
    one, two = np.where(np.isnan(one), two, one), np.where(np.isnan(two), one, two)
    return _level(one + two), np.nan_to_num(_level(one - two))


def light_at_angles(
    light: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Light by angle (m, bins) times each of the weights (n, bins): (m, n).

    Not by BLAS: its rounding changes with the number of its threads.
    """
    out = np.empty((len(light), len(weights)))
    weigh_light(np.ascontiguousarray(light), np.ascontiguousarray(weights.T), out)
    return out


def _level(light: NDArray[np.float64]) -> NDArray[np.float64]:
    good = np.isfinite(light)
    total = np.where(good, light, 0).sum(axis=1) / np.maximum(good.sum(axis=1), 1)
    return np.asarray(light - total[:, None])


def measure_reach(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    index: NDArray[np.int64],
    *,
    flux: NDArray[np.float64],
    neighbour_light: NDArray[np.float64],
    noise: Any,
    angle: float,
    fwhm: float,
) -> Reach:
    """Light of a spike in rings from 2 to 12 FWHM, and the exponential that passes through it.

    The ring from r to s holds total * (exp(-r / length) - exp(-s / length)). The total is its
    mean over the lengths, each with the probability that the rings give it (evenly in the
    logarithm before), and the error the spread of that: where the spike is too short or too
    weak for its length to be measured, the total is as uncertain.

    Parameters
    ----------
    residual, stars
        As for `spike_from_stars`.
    index : (m,) int64 ndarray
        Which stars.
    flux, neighbour_light, noise : (m,) float64 ndarray
        Their light; see `average_stars`; noise per pixel.
    angle : float
        Of the spike, degrees.
    fwhm : float
        Pixels.
    """
    turns = np.arange(0.0, 180.0) + angle % 1
    at = int(angle) % 180
    light, error = [], []
    rings = list(itertools.pairwise(_EDGES))
    for (inner, outer), shape in zip(rings, spike_templates(turns, rings), strict=True):
        steps = max(4, int(np.ceil((outer - inner) * fwhm)))
        rays = sample_rays(
            residual, stars, index, inner * fwhm, outer * fwhm, SPIKE_BINS, steps, 0.1 * noise
        )
        beyond, uneven = both_sides(rays[1] / flux[:, None, None])
        above = shape - shape.mean(axis=1, keepdims=True)
        weights = above / (above**2).sum(axis=1, keepdims=True)
        ring = average_stars(
            light_at_angles(np.nan_to_num(beyond), weights),
            neighbour_light,
            light_at_angles(uneven, weights),
        )
        light.append(ring.mean[at])
        error.append(ring.error[at])
    return _fit_exponential(np.array(light), np.array(error))


def _fit_exponential(light: NDArray[np.float64], error: NDArray[np.float64]) -> Reach:
    edges = np.array(_EDGES)
    share = -np.diff(np.exp(-edges / _LENGTHS[:, None]), axis=1)
    weight = 1 / error**2
    information = share**2 @ weight
    total = (share * light) @ weight / information
    misfit = ((light - total[:, None] * share) ** 2) @ weight
    # A misfit beyond the errors means that they, or the exponential, are not right.
    worse = max(1.0, float(misfit.min()) / (len(light) - 2))
    chance = np.exp(-0.5 * (misfit - misfit.min()) / worse)
    chance /= chance.sum()
    mean = float(chance @ total)
    spread = float(chance @ ((total - mean) ** 2 + worse / information))
    return Reach(
        total=mean,
        error=float(np.sqrt(spread)),
        length=float(np.exp(chance @ np.log(_LENGTHS))),
    )
