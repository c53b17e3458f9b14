"""Which detections profiles and flux scale are made of: those that are like most bright ones."""

import numpy as np
from numpy.typing import NDArray

from framesort.replacement._arrays import Array, Mask
from framesort.replacement._candidates import StarFit
from framesort.replacement._fit import Unknowns, fit_stars, wide_saturated
from framesort.replacement._robust import robust_std, shortest_half
from framesort.replacement._smooth import Level

__all__ = ["joint_flux", "model_stars", "set_scale", "star_scale"]

_FEWEST = 8


def joint_flux(fit: StarFit) -> tuple[Array, Array]:
    """Each star's flux from both stacks together, in the scale of the deep and of the sharp one.

    The noise of one stack must not pass for a bright star whose place is well known.
    """
    deep, sharp, scale = fit.deep, fit.sharp, fit.scale
    wd = np.where(deep.error > 0, 1 / np.maximum(deep.error, 1e-30) ** 2, 0)
    ws = np.where(sharp.error > 0, 1 / np.maximum(scale * sharp.error, 1e-30) ** 2, 0)
    both = (wd > 0) & (ws > 0)
    mean = (wd * deep.flux + ws * scale * sharp.flux) / np.where(both, wd + ws, 1)
    return (
        np.where(both, np.maximum(mean, 0), deep.flux),
        np.where(both, np.maximum(mean, 0) / scale, sharp.flux),
    )


def _odd(values: Array, error: Array, known: Array, floor: float) -> Mask:
    """Values further from the bulk than its scatter, their own errors and a floor allow."""
    if known.sum() < _FEWEST:
        return np.zeros(len(values), bool)
    mid, scatter = shortest_half(values[known])
    return known & (np.abs(values - mid) > np.sqrt(16 * scatter**2 + 9 * error**2 + floor**2))


def model_stars(fit: StarFit, limit: int, spread: Level) -> NDArray[np.int_]:
    """Brightest stars to make profiles and the flux scale of, brightest first.

    Detections are left out whose flux ratio, or whose width in either stack, is not that of the
    bulk: knots and rims of nebulae, galaxies, trails, hot pixels, close pairs. What cannot be
    judged (a saturated core) is kept, unless it is wider than a star's core. Where fewer than eight
    remain none is left out.
    """
    deep, sharp = fit.deep, fit.sharp
    # In the scale of the sharp stack.
    around = spread.at(*fit.places.pixels(fit.saturated_sharp.shape))
    clear = sharp.flux * (np.min(around) / around)
    good = np.sort(clear / np.min(around))[::-1]
    least = 400.0 if len(good) > 30 and good[30] > 400 else 0.0
    clear = np.where(clear / np.min(around) >= least, clear, -1)
    bright = np.argsort(-clear, kind="stable")
    bright = bright[(clear[bright] > 0)]
    bright = bright[(deep.flux[bright] > 0) & (sharp.flux[bright] > 0)][: 3 * limit]
    if len(bright) < _FEWEST:
        return bright
    some = fit.places.some(bright)
    odd = wide_saturated(deep, some)
    ratio = np.log(deep.flux[bright] / sharp.flux[bright])
    error = np.zeros(len(bright))
    clear = np.ones(len(bright), bool)
    for side in (deep, sharp):
        fits = fit_stars(side, some, Unknowns.WIDTH, flux=side.flux[bright])
        sure = (fits.covered > 0.8) & (fits.width_error > 0) & (fits.width_error < 0.1)
        odd |= _odd(fits.width, fits.width_error, sure, 0.05)
        error += (np.where(fits.flux_error > 0, fits.flux_error, 0) / side.flux[bright]) ** 2
        clear &= sure
    odd |= _odd(ratio, np.sqrt(error), clear, 0.1)
    return bright[~odd][:limit] if (~odd).sum() >= _FEWEST else bright[:limit]


def _star_ratios(fit: StarFit, pick: Array) -> tuple[Array, Array]:
    """Deep over sharp flux of those picked stars that have a clear one, and the latter in noise."""
    deep, sharp = fit.deep, fit.sharp
    pick = pick[(sharp.flux[pick] > 30 * sharp.noise) & (deep.flux[pick] > 0)]
    return deep.flux[pick] / sharp.flux[pick], sharp.flux[pick] / sharp.noise


def star_scale(fit: StarFit, pick: Array) -> float:
    """Light in the deep stack for light in the sharp one, from the picked stars."""
    ratio, clear = _star_ratios(fit, pick)
    if not len(ratio):
        return 1.0
    mid = np.median(ratio)
    near = np.abs(ratio / mid - 1) < 0.3
    if not near.any():  # the middle of an even number of ratios that agree in nothing
        return float(mid)
    weight = np.minimum(clear[near], 2000)
    order = np.argsort(ratio[near])
    weight = weight[order]
    # Between the ratios, so that a median of few stars does not jump from one to the next.
    return float(
        np.interp(0.5 * weight.sum(), np.cumsum(weight) - 0.5 * weight, ratio[near][order])
    )


def set_scale(fit: StarFit, pick: Array) -> None:
    """The flux scale that stars give unless it is known, and its error from their scatter."""
    fit.scale = star_scale(fit, pick) if fit.known_scale is None else fit.known_scale
    ratio, _ = _star_ratios(fit, pick)
    fit.scale_error = 0.1
    if len(ratio) >= 4:
        fit.scale_error = float(robust_std(ratio / np.median(ratio), 1) / np.sqrt(len(ratio)))
