"""Mean over stars of their light by angle, and its uncertainty."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Together", "average_stars"]

_FLOOR_RANK = 4
"""No star has more weight than about the fourth best: a spike shows on several stars."""

_CLIP = 2.0
"""Deviations beyond which a star counts less at an angle (Huber 1964)."""

_EVEN = 2.0
"""Deviations by which two sides may differ by chance."""

_POOLED = 20.0
"""Degrees of freedom that the scatter at all other angles lends to that at one angle."""


@dataclass(frozen=True, kw_only=True)
class Together:
    """Mean over stars.

    Attributes
    ----------
    mean, error : (n,) float ndarray
        At each angle.
    weight : (m, n) float ndarray
        Of each star at each angle, sum over stars 1.
    freedom : float
        Degrees of freedom of the error.
    """

    mean: NDArray[np.float64]
    error: NDArray[np.float64]
    weight: NDArray[np.float64]
    freedom: float


def average_stars(
    values: NDArray[np.float64], neighbour_light: NDArray[np.float64], uneven: NDArray[np.float64]
) -> Together:
    """Mean over stars, each weighted by its own scatter over angles.

    What affects a star (a neighbour badly subtracted, a bleeding column, a satellite, knots of
    nebula, noise) shows as scatter over angles that the others do not have; it is measured on
    the star itself, so no threshold decides which stars are used. The error is the scatter over
    stars; with few stars it is uncertain at a single angle, so it is drawn towards its mean
    over all angles, which rests on many more values (a moderated variance; Smyth 2004, Stat.
    Appl. Genet. Mol. Biol. 3, 3).

    Parameters
    ----------
    values : (m, n) float ndarray
        A row a star; at least two stars, no NaN.
    neighbour_light : (m,) float ndarray
        Standard deviation that a star has beyond its scatter.
    uneven : (m, n) float ndarray
        Difference between the two sides of each star. A spike is the same on both; what is on
        one side (coma, a neighbour, the end of a satellite) counts less, from twice the
        star's scatter on.
    """
    count = len(values)
    mean = np.zeros(values.shape[1])
    for _ in range(6):
        own = np.sqrt(np.mean((values - mean) ** 2, axis=1) + neighbour_light**2)
        floor = np.sort(own)[min(count, _FLOOR_RANK) - 1]
        square = (own**2 + max(floor, 1e-30) ** 2)[:, None]
        square = square + np.maximum(uneven**2 - _EVEN**2 * own[:, None] ** 2, 0)
        weight = 1 / square
        off = np.abs(values - mean) / np.sqrt(square)
        each = weight * np.minimum(1, _CLIP / np.maximum(off, 1e-30))
        mean = (each * values).sum(axis=0) / each.sum(axis=0)
    effective = np.mean(weight.sum(axis=0) ** 2 / (weight**2).sum(axis=0))
    square = ((each * (values - mean)) ** 2).sum(axis=0) / each.sum(axis=0) ** 2
    square *= effective / (effective - 1)
    freedom = _POOLED + effective - 1
    variance = (_POOLED * square.mean() + (effective - 1) * square) / freedom
    return Together(
        mean=mean,
        error=np.sqrt(variance),
        weight=weight / weight.sum(axis=0),
        freedom=float(freedom),
    )
