"""What blur took from the deep stack's extended light, and where it is given back."""

import numpy as np

from framesort.replacement import _matching as matching
from framesort.replacement import _passes as passes
from framesort.replacement import _sky as skies
from framesort.replacement._arrays import Array, Image, Mask
from framesort.replacement._candidates import StarField
from framesort.replacement._coarse import (
    STEP,
    SURE,
    block_means,
    slope_of,
    smooth_blocks,
    spread,
)
from framesort.replacement._convolution import convolve_full
from framesort.replacement._robust import robust_std
from framesort.replacement._side import Stacks
from framesort.workers import release_memory, run_bands

__all__ = ["find_detail"]

LOW, HIGH = 0.24, 0.32
"""Detail is faded out between LOW and HIGH, in noise of the deep stack: less cannot be seen."""

BAND = 64
"""Rows worked on at a time."""

_AMPLITUDE = np.sqrt(5.0)
"""Width, pixels, of the mean square that is the local amplitude: that of the second scale."""


def find_detail(field: StarField, stacks: Stacks, rows: skies.Rows, sources: Mask) -> Image:
    """What blur took from the deep stack's extended light, where significant; deep flux scale.

    It is given only where the deep stack shows ``K * sky``. Around each pixel its rest has slope 0
    on the detail and on the structure of ``K * sky`` if it does; 1 on the detail where it is as
    sharp as the sharp stack; -1 on the structure where it does not show it. `rows` are those of
    `sky_rows`; `sources` are detections on which this is judged as well.
    """
    shape = stacks.sharp.shape
    row, column, which = _discs(field, sources, shape)
    detail, grids, shown, left = _compare_with_deep(field, stacks, rows, (row, column))
    release_memory()
    sigma = field.deep.profile.width / 2.3548
    sure = SURE * field.pixel_noise.wide
    clear = slope_of(grids[0], grids[1], sigma, sure)
    np.maximum(clear, slope_of(-grids[2], grids[3], sigma, sure), out=clear)
    given = _share(clear)

    def give(first: int, last: int) -> None:
        part = detail[first:last]
        part *= spread(given, first, last, shape[1])
        part[~np.isfinite(stacks.sharp[first:last])] = 0

    run_bands(give, shape[0], band=BAND)
    top, bottom = (np.bincount(which, shown * v, len(sources)) for v in (left, shown))
    bottom = np.maximum(bottom, 1e-12)
    slope, error = top / bottom, 1 / np.sqrt(bottom)
    np.multiply.at(detail, (row, column), _share(slope)[which])
    typical = _share(_typical_slope(slope, error))
    if typical != 1:
        detail *= typical
    return detail


def _compare_with_deep(
    field: StarField, stacks: Stacks, rows: skies.Rows, places: tuple[Array, Array]
) -> tuple[Image, Image, Array, Array]:
    """What blur took, and block means of what tells how the deep stack shows it.

    Returns
    -------
    detail : (ny, nx) float32 ndarray
        Deep flux scale.
    grids : (4, rows, columns) float32 ndarray
        Means of detail times rest, detail squared, structure times rest, structure squared.
    shown, left : (n,) float32 ndarray
        Detail and rest at the places (rows and columns of pixels).
    """
    shape, side = stacks.sharp.shape, field.deep
    scale, ratio = np.float32(field.scale), np.float32(side.noise / field.sharp.noise)
    nebula = matching.convolve(lambda first, last: rows(first, last)[0], shape, field.kernel)

    def lost(first: int, last: int) -> tuple[Image, Image]:
        light, noise = rows(first, last)
        light -= nebula[first:last]
        return light, noise

    kernel = convolve_full(matching.identity() - field.kernel, field.pixel_noise.kernel)
    detail = skies.significant_part(lost, shape, skies.noise_by_scale(kernel))

    release_memory()

    def power(first: int, last: int) -> Image:
        out = detail[first:last] * (scale / ratio)
        out /= rows(first, last)[1]
        out *= out
        return out

    amplitude = np.sqrt(smooth_blocks(block_means(power, shape), _AMPLITUDE))
    ramp = np.asarray(np.clip((amplitude - LOW) / (HIGH - LOW), 0, 1), np.float32)
    ramp *= scale * ramp * (3 - 2 * ramp)
    del amplitude
    sigma = side.profile.width / 2.3548
    wide = smooth_blocks(block_means(lambda a, b: nebula[a:b], shape), 4 * sigma)
    grids = np.empty((4, *ramp.shape), np.float32)
    row, column = places
    shown, left = (np.zeros(len(row), np.float32) for _ in range(2))
    eps = np.float32(side.eps + field.sharp.eps)

    def compare(first: int, last: int) -> None:
        cut = slice(first, last)
        part = detail[cut]
        part *= spread(ramp, first, last, shape[1])
        level = rows(first, last)[1]
        structure = spread(wide, first, last, shape[1])
        rest = np.empty_like(level)
        offset = field.offset.rows(first, last)
        passes.compare_rows(
            stacks.deep[cut], side.model[cut], offset, nebula[cut], field.saturated_deep[cut],
            (scale, ratio, eps), level, structure, rest,
        )  # fmt: skip
        some = slice(*np.searchsorted(row, (first, last)))
        at = row[some] - first, column[some]
        shown[some], left[some] = part[at] / level[at], np.clip(rest[at], -5, 5)
        coarse = slice(first // STEP, -(-last // STEP))
        np.divide(part, level, out=level)
        for number, (one, two) in enumerate(
            ((level, rest), (level, level), (structure, rest), (structure, structure))
        ):
            passes.mean_blocks(one * two, STEP, grids[number, coarse])

    run_bands(compare, shape[0], band=BAND)
    return detail, grids, shown, left


def _discs(field: StarField, sources: Mask, shape: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Row, column and number of the source for the pixels around some sources, by rows."""
    number = np.flatnonzero(sources)
    y, x = (v[number, None] for v in field.places.pixels(shape))
    reach = round(2 * field.sharp.profile.width)
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    inside = np.hypot(dy, dx) <= reach
    row, column = y + dy[inside], x + dx[inside]
    which = np.broadcast_to(number[:, None], row.shape)
    good = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    order = np.argsort(row[good], kind="stable")
    return row[good][order], column[good][order], which[good][order]


def _typical_slope(slope: Array, error: Array) -> float:
    """Median slope of sources less twice its error; 0 with few sources."""
    slope = slope[error < 0.5]
    if len(slope) < 8:
        return 0.0
    middle = float(np.median(slope))
    spread = float(robust_std(slope, middle))
    # The median of a normal sample has 1.2533 times the error of its mean.
    return float(middle - 2 * 1.2533 * spread / np.sqrt(len(slope)))


def _share(slope: Array | float) -> Image:
    """How much detail is given where the rest of the deep stack surely has that slope on it."""
    return np.asarray(1 - np.clip((np.asarray(slope, np.float32) - 0.2) / 0.2, 0, 1))
