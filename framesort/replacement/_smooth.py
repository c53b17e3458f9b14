"""Smooth images made some rows at a time: what is left without the stars."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from framesort.replacement._fit import Side

ROWS = 256
"""Rows worked on at a time where an image is only passed through: memory stays small."""


def bare_rows(
    image: NDArray, side: Side, full: NDArray
) -> Callable[[int, int], tuple[NDArray, NDArray]]:
    """Rows of an image without its stars, and their weights, as `smooth_fill` takes them."""

    def rows(first: int, last: int) -> tuple[NDArray, NDArray]:
        cut = slice(first, last)
        model = side.model[cut]
        lit = side.eps * model / side.noise
        good = np.isfinite(image[cut]) & ~full[cut]
        weight = np.where(good, 1 / (1 + lit * lit), 0).astype(np.float32)
        return np.where(good, image[cut] - model, 0).astype(np.float32), weight

    return rows


def smooth_fill(
    rows: Callable[[int, int], tuple[NDArray, NDArray]], shape: tuple[int, int], width: float
) -> NDArray:
    """Weighted Gaussian mean of an image, wider where little weight is near (three steps).

    `rows` gives image and weight of the rows from a first to a last one. The wide means are made
    of block means: they hold no detail.
    """
    step = max(2, round(width))
    mass, sums = [], []
    for j in range(0, shape[0], ROWS):
        image, weight = rows(j, min(j + ROWS, shape[0]))
        mass.append(blocks(weight, step))
        sums.append(blocks(image * weight, step))
    coarse_mass, coarse_sum = np.concatenate(mass), np.concatenate(sums)
    wide = []
    for factor in (4, 16):
        m = ndimage.gaussian_filter(coarse_mass, factor * width / step, truncate=3)
        wide.append(
            (
                m,
                ndimage.gaussian_filter(coarse_sum, factor * width / step, truncate=3)
                / np.maximum(m, 1e-6),
            )
        )
    out = np.empty(shape, np.float32)
    margin = int(3 * width) + 1
    for j in range(0, shape[0], ROWS):
        last = min(j + ROWS, shape[0])
        first = max(0, j - margin)
        image, weight = rows(first, min(shape[0], last + margin))
        cut = slice(j - first, last - first)
        m = ndimage.gaussian_filter(weight, width, truncate=3)[cut]
        mean = ndimage.gaussian_filter(image * weight, width, truncate=3)[cut]
        trust = np.clip(m * 5, 0, 1)
        band = trust * mean / np.maximum(m, 1e-6)
        missing = 1 - trust
        if missing.max() >= 0.01:
            for m, mean in wide:
                trust = missing * np.clip(_spread(m, shape, step, j, last) * 5, 0, 1)
                band += trust * _spread(mean, shape, step, j, last)
                missing -= trust
        out[j:last] = band
    return out


def blocks(image: NDArray, step: int) -> NDArray:
    """Means of blocks of `step` pixels a side; the last ones may hold repeated edge pixels."""
    if step == 1:
        return image
    wide = np.pad(image, [(0, -n % step) for n in image.shape], mode="edge")
    ny, nx = wide.shape
    return wide.reshape(ny // step, step, nx // step, step).mean(axis=(1, 3))


def _spread(blocks: NDArray, shape: tuple[int, int], step: int, first: int, last: int) -> NDArray:
    """Block means back to the pixels of some rows, linearly."""
    out = blocks
    at = (np.arange(first, last), np.arange(shape[1]))
    for axis, pixel in enumerate(at):
        c = (pixel + 0.5) / step - 0.5
        n = blocks.shape[axis]
        low = np.clip(np.floor(c).astype(int), 0, max(n - 2, 0))
        part = np.clip(c - low, 0, 1).astype(np.float32)
        part = part[:, None] if axis == 0 else part
        out = (
            np.take(out, low, axis) * (1 - part)
            + np.take(out, np.minimum(low + 1, n - 1), axis) * part
        )
    return out
