"""Spikes that the deep stack has and the sharp stack has not.

The difference of the stacks holds neither nebula nor neighbours nor the ghosts and
crosses that are there with the heater off, so that a weak line stands out in it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from framesort.records import MAD_TO_SIGMA
from framesort.replacement._robust import robust_std

__all__ = ["find_added_spikes"]

_BINS = 180
_NEAR, _FAR = 2.5, 9.0
_SMOOTH = 3.0
_STARS = 60
_FEWEST = 8
_CLEAR = 6.0
"""A line must stand out by so many of its errors, and of the scatter over all angles."""
_APART = 12


def find_added_spikes(
    difference: NDArray,
    noise: float,
    eps: float,
    model: NDArray,
    stars: tuple[NDArray, NDArray, NDArray],
    width: float,
    saturated: NDArray,
) -> NDArray:
    """Angles of lines through bright stars in deep less sharp, clearest first.

    For each star the amplitude of ``flux / r**2`` is fitted in sectors of one degree, both
    sides together, between 2.5 and 9 widths; at each angle the mean over stars, weighted by their
    errors and without outliers, is compared with its scatter over stars.

    Parameters
    ----------
    difference : (ny, nx) float32 ndarray
        Deep stack less the scaled sharp stack, smooth background taken away; NaN is left out.
    noise, eps : float
        Standard deviation of `difference`; error of star light as a share of `model`.
    model : (ny, nx) float32 ndarray
        Star light of the deep stack.
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
    column = np.clip(np.rint(x).astype(int), 0, saturated.shape[1] - 1)
    row = np.clip(np.rint(y).astype(int), 0, saturated.shape[0] - 1)
    order = np.argsort(-np.where(saturated[row, column], 0, flux), kind="stable")[:_STARS]
    sectors = [
        _sectors(difference, noise, eps, model, (x[k], y[k], flux[k]), width)
        for k in order
        if flux[k] > 0 and not saturated[row[k], column[k]]
    ]
    found = [(amount, weight) for amount, weight in sectors if weight > 0]
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
        if clear[b] < max(clear[b - 1], clear[(b + 1) % _BINS]):
            continue
        if all(min((b - o) % _BINS, (o - b) % _BINS) > _APART for o in angles):
            angles.append(int(b))
    return np.radians(np.array(angles, dtype=float) + 0.5)


def _sectors(
    difference: NDArray,
    noise: float,
    eps: float,
    model: NDArray,
    star: tuple[float, float, float],
    width: float,
) -> tuple[NDArray, float]:
    """Amplitude by angle less its median over angles, and its typical inverse variance."""
    x, y, flux = star
    ny, nx = difference.shape
    far = int(np.ceil(_FAR * width))
    rows = slice(max(0, round(y) - far), min(ny, round(y) + far + 1))
    columns = slice(max(0, round(x) - far), min(nx, round(x) + far + 1))
    dy = np.arange(rows.start, max(rows.stop, rows.start))[:, None] - y
    dx = np.arange(columns.start, max(columns.stop, columns.start))[None, :] - x
    light = difference[rows, columns]
    if light.size == 0:
        return np.zeros(_BINS), 0.0
    r2 = dx * dx + dy * dy
    use = (r2 > (_NEAR * width) ** 2) & (r2 < far * far) & np.isfinite(light)
    shape = flux / np.where(r2 > 0, r2, 1)
    weight = np.where(use, 1 / (noise**2 + (eps * model[rows, columns]) ** 2), 0)
    # Huber-like: another star in a sector must not pass for a spike.
    limit = 4 / np.sqrt(np.where(weight > 0, weight, 1)) + 0.02 * shape
    light = np.clip(np.where(use, light, 0), -limit, limit)
    which = (np.degrees(np.arctan2(dy, dx)) % 180).astype(int) % _BINS
    sums = [
        np.bincount(which.ravel(), values.ravel(), _BINS)
        for values in (weight * shape * light, weight * shape * shape)
    ]
    top, bottom = (ndimage.gaussian_filter1d(one, _SMOOTH, mode="wrap") for one in sums)
    if bottom.min() <= 0:  # a star at the edge: some angles are not there at all
        return np.zeros(_BINS), 0.0
    amount = top / bottom
    return amount - np.median(amount), float(np.median(bottom))
