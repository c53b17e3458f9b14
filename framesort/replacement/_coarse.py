"""Smooth maps of an image in blocks of two pixels a side: a quarter of the work and memory.

A Gaussian mean of a pixel's width or more is made of the means of blocks and is linear between
their middles; what blocks and lines widen is taken off its width.
"""

from collections.abc import Callable

import numpy as np

from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Image
from framesort.stars import smooth_image
from framesort.workers import run_bands

__all__ = [
    "AROUND",
    "STEP",
    "SURE",
    "block_means",
    "block_most",
    "slope_of",
    "smooth_blocks",
    "spread",
]

STEP = 2
"""Pixels a side of a block."""

AROUND, SURE = 1.5, 5.0
"""Star widths around a pixel, and standard deviations, by which detail is compared."""

_BAND = 64
_OWN = (STEP**2 - 1) / 12 + STEP**2 / 6
"""Variance, pixels squared, that blocks and lines between them add."""


def block_means(rows: Callable[[int, int], Array], shape: tuple[int, ...]) -> Image:
    """Means of blocks of an image that is given by its rows, some at a time, by threads."""
    out = np.empty([-(-n // STEP) for n in shape], np.float32)

    def work(first: int, last: int) -> None:
        passes.mean_blocks(rows(first, last), STEP, out[first // STEP : -(-last // STEP)])

    run_bands(work, shape[0], band=_BAND)
    return out


def block_most(image: Array) -> Image:
    """The largest number of each block of some rows."""
    rows, others = image[::STEP].copy(), image[1::STEP]
    np.maximum(rows[: len(others)], others, out=rows[: len(others)])
    most, others = rows[:, ::STEP].copy(), rows[:, 1::STEP]
    inside = most[:, : others.shape[1]]
    np.maximum(inside, others, out=inside)
    return most


def smooth_blocks(blocks: Image, sigma: float, *, threads: int | None = None) -> Image:
    """A Gaussian mean, as blocks; `sigma` is in pixels."""
    return smooth_image(blocks, np.sqrt(max(sigma**2 - _OWN, 0.25)) / STEP, threads=threads)


def spread(blocks: Image, first: int, last: int, columns: int) -> Image:
    """Rows `first` to `last` of an image of so many columns, linearly between blocks."""
    out = np.empty((last - first, columns), np.float32)
    passes.spread_blocks(blocks, STEP, first, out)
    return out


def slope_of(cross: Image, power: Image, sigma: float, sure: float) -> Image:
    """Slope of an image on another around each block, less some of its standard deviations.

    `cross` and `power` are block means of the product of both, and of the square of the other, in
    units of the noise of a pixel. `sure` is the number of standard deviations times what
    correlation makes of the noise of a mean (`PixelNoise.wide`); `sigma` that of a star's profile.
    """
    mean, slope = (smooth_blocks(v, AROUND * sigma) for v in (power, cross))
    # A Gaussian mean counts 4 pi sigma^2 pixels.
    error = np.float32(sure / np.sqrt(4 * np.pi) / (AROUND * sigma))

    def divide(first: int, last: int) -> None:
        below = np.maximum(mean[first:last], np.float32(1e-12))
        slope[first:last] /= below
        slope[first:last] -= error / np.sqrt(below)

    run_bands(divide, len(slope), band=_BAND)
    return slope
