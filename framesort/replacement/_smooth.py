"""Smooth images made some rows at a time: the light without the stars."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Image, Map, Mask
from framesort.replacement._side import Side
from framesort.stars import estimate_background, smooth_image
from framesort.workers import core_count, run_bands

ROWS = 256
"""Rows worked on at a time where an image is only passed through: memory stays small."""

FEW_ROWS = 64
"""The same where nothing beyond the rows is needed, so that there can be fewer."""

SAMPLE = 4_000_000
"""Pixels from which the noise of an image is measured."""

BOX = 64
"""Pixels a side of the boxes of the smooth background."""


def combine(
    image: Array, *others: tuple[float, Array | Map], saturated: Array, out: Array | None = None
) -> Array:
    """An image less others, or maps, times factors; NaN where `saturated`. `out` may be one."""
    out = np.empty(image.shape, np.float32) if out is None else out

    def work(first: int, last: int) -> None:
        cut = slice(first, last)
        part = image[cut].copy()
        for factor, other in others:
            light = other[cut] if isinstance(other, np.ndarray) else other.rows(first, last)
            part -= light if factor == 1 else light * np.float32(factor)
        part[saturated[cut]] = np.nan
        out[cut] = part

    run_bands(work, len(image), band=FEW_ROWS)
    return out


def starless_rows(
    image: Array,
    side: Side,
    saturated: Array,
    *,
    eps: float | None = None,
    power: int = 2,
) -> Callable[[int, int], tuple[Array, Array]]:
    """Rows of an image without its stars, times their weight, and the weight, for `smooth_fill`.

    The weight is ``1 / (1 + (eps * model / noise)**power)`` with the side's own `eps` unless given.
    """
    share = np.float32((side.eps if eps is None else eps) / side.noise)

    def rows(first: int, last: int) -> tuple[Array, Array]:
        starless, weight = (np.empty((last - first, image.shape[1]), np.float32) for _ in range(2))
        passes.weigh_starless(image, side.model, saturated, share, power, first, starless, weight)
        return starless, weight

    return rows


class Level(NamedTuple):
    """A smooth image as the means of blocks of `step` pixels a side; linear between them."""

    blocks: Image
    step: int

    def rows(self, first: int, last: int, columns: int) -> Image:
        """Rows of the image, which has so many columns."""
        out = np.empty((last - first, columns), np.float32)
        passes.spread_blocks(self.blocks, self.step, first, out)
        return out

    def at(self, row: Array, column: Array) -> Image:
        """The image at some pixels."""
        ny, nx = (n - 1 for n in self.blocks.shape)
        v, u = (
            np.clip((k + 0.5) / self.step - 0.5, 0, n)
            for k, n in ((np.asarray(row), ny), (np.asarray(column), nx))
        )
        j, i = v.astype(int), u.astype(int)
        b, a = (v - j).astype(np.float32), (u - i).astype(np.float32)
        low, high = (
            self.blocks[k, i] * (1 - a) + self.blocks[k, np.minimum(i + 1, nx)] * a
            for k in (j, np.minimum(j + 1, ny))
        )
        return np.asarray(low * (1 - b) + high * b)

    def image(self, shape: tuple[int, ...]) -> Image:
        """All of it."""
        out = np.empty(shape, np.float32)
        run_bands(
            lambda first, last: passes.spread_blocks(
                self.blocks, self.step, first, out[first:last]
            ),
            shape[0],
            band=ROWS,
        )
        return out


def smooth_fill(
    rows: Callable[[int, int], tuple[Array, Array]], shape: tuple[int, int], width: float
) -> Level:
    """Weighted Gaussian mean of an image, wider where little weight is near (three steps).

    `rows` gives weighted pixels and weights of the rows from a first to a last one; it is called
    by several threads. All means are made of block means: they hold no detail.
    """
    step = max(2, round(width))
    size = [-(-n // step) for n in shape]
    coarse = np.empty(size, np.float32), np.empty(size, np.float32)

    def gather(first: int, last: int) -> None:
        for number, part in enumerate(rows(first * step, min(last * step, shape[0]))):
            passes.mean_blocks(part, step, coarse[number][first:last])

    run_bands(gather, size[0], band=max(1, FEW_ROWS // step))

    def divide(image: Image, mass: Image) -> None:
        def work(first: int, last: int) -> None:
            image[first:last] /= np.maximum(mass[first:last], np.float32(1e-6))

        run_bands(work, len(image), band=FEW_ROWS)

    wide = []
    for factor, more in ((4, 1), (16, 4)):
        steps = more * step
        mean, m = (
            smooth_image(blocks(v, more), factor * width / steps, truncate=3) for v in coarse
        )
        divide(mean, m)
        wide.append(passes.WideMean(mean, m, steps))
    # Blocks, and lines between their middles, are a part of the width.
    own = np.sqrt(max(width**2 - (step**2 - 1) / 12 - step**2 / 6, 0.1)) / step
    mean, m = (smooth_image(v, own, truncate=3) for v in coarse)
    out = coarse[0]
    run_bands(
        lambda first, last: passes.put_together(mean, m, step, *wide, first, last, out),
        len(out),
        band=ROWS,
    )
    return Level(out, step)


def sample_noise(image: Array, box: int) -> float:
    """Noise of a pixel: the median of boxes, in strips of them of a large image."""
    step = box * max(1, image.size // SAMPLE)
    strips = np.concatenate([image[k : k + box] for k in range(0, len(image), step)])
    noise = estimate_background(strips, box=box, threads=core_count()).noise
    return float(np.median(noise[::8, ::8]))


def highest_within(image: Array, size: int) -> Array:
    """The largest number of the square of `size` pixels a side around each pixel."""
    before = size // 2
    out = np.pad(image, (before, max(size - 1 - before, 0)), mode="edge")
    for _ in range(2):  # rows, then columns
        reach = 1
        while reach < size:
            step = min(reach, size - reach)
            out = np.maximum(out[:-step], out[step:])
            reach += step
        out = out.T
    return out


def grow(mask: Mask, reach: int) -> Mask:
    """A mask and all pixels within `reach` steps along rows and columns of it.

    As `scipy.ndimage.binary_dilation` does it, but quick where little is masked.
    """
    out = mask.copy()
    y, x = np.nonzero(mask)
    for dy in range(-reach, reach + 1):
        for dx in range(abs(dy) - reach, reach - abs(dy) + 1):
            j, i = y + dy, x + dx
            inside = (j >= 0) & (i >= 0) & (j < mask.shape[0]) & (i < mask.shape[1])
            out[j[inside], i[inside]] = True
    return out


def blocks(image: Array, step: int) -> Array:
    """Means of blocks of `step` pixels a side; the last ones may hold repeated edge pixels."""
    if step == 1:
        return image
    out = np.empty([-(-n // step) for n in image.shape], np.float32)
    passes.mean_blocks(image, step, out)
    return out
