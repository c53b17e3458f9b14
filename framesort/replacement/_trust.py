"""Which detections profiles are made of: those that are like most bright ones."""

import numpy as np
from numpy.typing import NDArray

from framesort.replacement._fit import Places, Side, probe, wide_saturated
from framesort.replacement._robust import shortest_half

__all__ = ["joint_flux", "model_stars"]

_FEWEST = 8


def joint_flux(deep: Side, sharp: Side, scale: float) -> tuple[NDArray, NDArray]:
    """Each star's flux from both stacks together, in the scale of either stack.

    The noise of one stack must not pass for a bright star whose place is well known.
    """
    if len(deep.error) != len(deep.flux) or len(sharp.error) != len(sharp.flux):
        return deep.flux, sharp.flux
    wd = np.where(deep.error > 0, 1 / np.maximum(deep.error, 1e-30) ** 2, 0)
    ws = np.where(sharp.error > 0, 1 / np.maximum(scale * sharp.error, 1e-30) ** 2, 0)
    both = (wd > 0) & (ws > 0)
    mean = (wd * deep.flux + ws * scale * sharp.flux) / np.where(both, wd + ws, 1)
    return (
        np.where(both, np.maximum(mean, 0), deep.flux),
        np.where(both, np.maximum(mean, 0) / scale, sharp.flux),
    )


def _odd(values: NDArray, error: NDArray, known: NDArray, floor: float) -> NDArray[np.bool_]:
    """Values further from the bulk than its scatter, their own errors and a floor allow."""
    if known.sum() < _FEWEST:
        return np.zeros(len(values), bool)
    mid, scatter = shortest_half(values[known])
    return known & (np.abs(values - mid) > np.sqrt(16 * scatter**2 + 9 * error**2 + floor**2))


def model_stars(
    deep: Side, sharp: Side, places: Places, limit: int, spread: NDArray | None = None
) -> NDArray[np.int_]:
    """Brightest stars to make profiles and the flux scale of, brightest first.

    Detections are left out whose flux ratio, or whose width in either stack, is not that of the
    bulk: knots and rims of nebulae, galaxies, trails, hot pixels, close pairs. What cannot be
    judged (a saturated core) is kept, unless it is wider than a star's core. Where fewer than eight
    remain none is left out.
    """
    clear = sharp.flux.copy()  # `spread` is in its scale
    if spread is not None:
        around = spread[places.pixels(spread.shape)]
        clear *= np.min(around) / around
        good = np.sort(clear / np.min(around))[::-1]
        least = 400.0 if len(good) > 30 and good[30] > 400 else 0.0
        clear = np.where(clear / np.min(around) >= least, clear, -1)
    bright = np.argsort(-clear, kind="stable")
    bright = bright[(clear[bright] > 0)]
    bright = bright[(deep.flux[bright] > 0) & (sharp.flux[bright] > 0)][: 3 * limit]
    if len(bright) < _FEWEST:
        return bright
    some = Places(*(v[bright] for v in places.columns()))
    odd = wide_saturated(deep, some)
    ratio = np.log(deep.flux[bright] / sharp.flux[bright])
    error = np.zeros(len(bright))
    clear = np.ones(len(bright), bool)
    for side, shifted in ((deep, True), (sharp, False)):
        out = probe(side, some, shifted=shifted, mode=2, flux=side.flux[bright])
        sure = (out[:, 8] > 0.8) & (out[:, 6] > 0) & (out[:, 6] < 0.1)
        odd |= _odd(out[:, 5], out[:, 6], sure, 0.05)
        error += (np.where(out[:, 1] > 0, out[:, 1], 0) / side.flux[bright]) ** 2
        clear &= sure
    odd |= _odd(ratio, np.sqrt(error), clear, 0.1)
    return bright[~odd][:limit] if (~odd).sum() >= _FEWEST else bright[:limit]
