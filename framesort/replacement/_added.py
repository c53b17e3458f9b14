"""Spikes that the deep stack has and the sharp stack has not.

The difference of the stacks holds neither nebula nor neighbours nor the ghosts and
crosses that are there with the heater off, so that a weak line stands out in it.
"""

from collections.abc import Callable

import numpy as np

from framesort.records import MAD_TO_SIGMA
from framesort.replacement._arrays import Array
from framesort.replacement._robust import robust_std
from framesort.replacement._side import nearest_pixels
from framesort.replacement._spike_angles import BINS, sectors_around, smooth_sums
from framesort.workers import run_each

__all__ = ["find_added_spikes"]

_STARS = 60
_FEWEST = 8
_CLEAR = 6.0
"""A line must stand out by so many of its errors, and of the scatter over all angles."""
_APART = 12


def find_added_spikes(
    difference: Callable[[tuple[slice, slice]], Array],
    error: tuple[float, float, Array],
    stars: tuple[Array, ...],
    width: float,
    saturated: Array,
) -> Array:
    """Angles of lines through bright stars in deep less sharp, clearest first.

    For each star the amplitude of ``flux / r**2`` is fitted in sectors of one degree, both
    sides together, between 2.5 and 9 widths; at each angle the mean over stars, weighted by their
    errors and without outliers, is compared with its scatter over stars.

    Parameters
    ----------
    difference : callable
        Gives a part of the deep stack less the scaled sharp stack and its median; NaN is left out.
    error : (float, float, (ny, nx) float32 ndarray)
        Standard deviation of `difference`; error of star light as a share of it; star light of the
        deep stack.
    stars : tuple of (n,) float ndarray
        x, y and flux; the brightest sixty are used.
    width : float
        FWHM of the deep stack, pixels.
    saturated : (ny, nx) bool ndarray
        Full pixels: stars with one are left out, as their fluxes are guesses.

    Returns
    -------
    (k,) float ndarray
        Radians in [0, pi).
    """
    x, y, flux = stars
    row, column = nearest_pixels(x, y, saturated.shape)
    order = np.argsort(-np.where(saturated[row, column], 0, flux), kind="stable")[:_STARS]
    sectors = run_each(
        lambda k: _amplitudes(difference, (x[k], y[k], flux[k]), width, error),
        (k for k in order if flux[k] > 0 and not saturated[row[k], column[k]]),
    )
    found = [one for one in sectors if one is not None and one[1] > 0]
    if len(found) < _FEWEST:
        return np.empty(0)
    amount = np.array([one for one, _ in found])
    precision = np.array([weight for _, weight in found])
    # The errors have a floor: the brightest few must not decide alone.
    weight = 1 / (1 / precision + np.median(1 / precision))
    off = np.abs(amount - np.median(amount, axis=0)) * np.sqrt(weight)[:, None]
    scatter = MAD_TO_SIGMA * np.median(off, axis=0)
    scatter = np.maximum(scatter, 0.5 * np.median(scatter))
    used = (off < 3 * scatter) * weight[:, None]
    mean = (used * amount).sum(axis=0) / used.sum(axis=0)
    clear = mean / np.median(scatter / np.sqrt(used.sum(axis=0)))
    clear -= np.median(clear)
    least = _CLEAR * max(1.0, float(robust_std(clear, 0)))
    angles: list[int] = []
    for b in np.argsort(-clear, kind="stable"):
        if clear[b] < least:
            break
        if clear[b] < max(clear[b - 1], clear[(b + 1) % BINS]):
            continue
        if all(min((b - o) % BINS, (o - b) % BINS) > _APART for o in angles):
            angles.append(int(b))
    return np.radians(np.array(angles, dtype=float) + 0.5)


def _amplitudes(
    difference: Callable[[tuple[slice, slice]], Array],
    star: tuple[float, float, float],
    width: float,
    error: tuple[float, float, Array],
) -> tuple[Array, float] | None:
    """Amplitude by angle less its median over angles, and its typical inverse variance.

    None where some angles are not there at all: the star is at the edge.
    """
    around = sectors_around(difference, star, width, error)
    if around is None:
        return None
    # Huber-like: another star in a sector must not pass for a spike.
    weight = np.where(around.weight > 0, around.weight, 1)
    top, bottom = smooth_sums(around.sums(4 / np.sqrt(weight) + 0.02 * around.shape))
    if bottom.min() <= 0:
        return None
    amount = top / bottom
    return amount - np.median(amount), float(np.median(bottom))
