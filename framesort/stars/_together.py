"""Mean over stars of their light by angle, and its uncertainty."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop

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


@loop()
def _weigh_stars(
    values: Any, mean: Any, least: Any, apart: Any, even: Any, weight: Any, each: Any, sums: Any
) -> Any:
    """Fill the weights of stars by variance, and those for the mean, where outliers count less.

    `least` is each star's variance, to which `apart` adds where it exceeds `even`. `sums` receives
    the values times their weights, and the weights, summed over stars.
    """
    total, norm = sums[0], sums[1]
    for k in range(total.size):
        total[k] = norm[k] = 0.0
    for s in range(values.shape[0]):
        row, beyond, weights, used = values[s], apart[s], weight[s], each[s]
        base, free = least[s], even[s]
        for k in range(total.size):
            square = base + max(beyond[k] - free, 0.0)
            part = 1.0 / square
            off = abs(row[k] - mean[k]) / np.sqrt(square)
            weights[k] = part
            part *= min(1.0, _CLIP / max(off, 1e-30))
            used[k] = part
            total[k] += part * row[k]
            norm[k] += part


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
    values, apart = np.ascontiguousarray(values), np.ascontiguousarray(uneven) ** 2
    weight, each, sums = (
        np.empty_like(values),
        np.empty_like(values),
        np.empty((2, values.shape[1])),
    )
    mean = np.zeros(values.shape[1])
    for _ in range(6):
        own = np.sqrt(np.mean((values - mean) ** 2, axis=1) + neighbour_light**2)
        floor = np.sort(own)[min(count, _FLOOR_RANK) - 1]
        least = own**2 + max(floor, 1e-30) ** 2
        _weigh_stars(values, mean, least, apart, _EVEN**2 * own**2, weight, each, sums)
        mean = sums[0] / sums[1]
    effective = np.mean(weight.sum(axis=0) ** 2 / (weight**2).sum(axis=0))
    square = ((each * (values - mean)) ** 2).sum(axis=0) / sums[1] ** 2
    square *= effective / (effective - 1)
    freedom = _POOLED + effective - 1
    variance = (_POOLED * square.mean() + (effective - 1) * square) / freedom
    return Together(
        mean=mean,
        error=np.sqrt(variance),
        weight=weight / weight.sum(axis=0),
        freedom=float(freedom),
    )
