"""The starlet transform of a whole image, on coarser grids where it is smooth; compiled.

Scale j smooths with holes of 2**j pixels. Its values at every second pixel (from scale 1 on), at
every fourth (from scale 2 on), need no others: there they are computed exactly, and what lies
between is interpolated. Only what is *taken away* for want of significance is interpolated, so
significant structure is kept to the last digit.
"""

from typing import Any

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._arrays import Array, Image
from framesort.workers import run_bands

__all__ = ["ONCE", "REACH", "TWICE", "divide_rows", "join_rows", "smooth_grid", "weigh_power"]

ONCE = np.array([0.375, 0.25, 0.0625], np.float32)
"""The cubic B-spline filter from its centre outwards."""

TWICE = np.array([70, 56, 28, 8, 1], np.float32) / 256
"""The same applied twice."""

REACH = 6
"""Rows beyond a band that its first two smoothings depend on."""

_TILE = 512  # columns worked on at a time, in the processor's cache
_BAND = 128


@part()
def _mirror(place: Any, length: Any) -> Any:
    place %= 2 * length
    return place if place < length else 2 * length - 1 - place


@part()
def _along_row(row: Any, taps: Any, step: Any, new: Any) -> Any:
    """A symmetric filter with holes of `step` pixels along a row."""
    nx = len(row)
    far = (len(taps) - 1) * step
    inner = max(0, nx - 2 * far)
    if inner:
        middle, centre = new[far : far + inner], row[far : far + inner]
        for x in range(inner):
            middle[x] = taps[0] * centre[x]
        for k in range(1, len(taps)):
            tap = taps[k]
            before, after = row[far - k * step :], row[far + k * step :]
            for x in range(inner):
                middle[x] += tap * (before[x] + after[x])
    edges = nx - inner
    for k in range(edges):
        x = k if 2 * k < edges else k + inner
        value = taps[0] * row[x]
        for m in range(1, len(taps)):
            away = m * step
            value += taps[m] * (row[_mirror(x - away, nx)] + row[_mirror(x + away, nx)])
        new[x] = value


@part()
def _along_column(image: Any, taps: Any, step: Any, y: Any, new: Any) -> Any:
    """Row `y` of the same filter along columns, as many columns as `new` has."""
    ny, nx = len(image), len(new)
    row = image[y]
    for x in range(nx):
        new[x] = taps[0] * row[x]
    for k in range(1, len(taps)):
        tap = taps[k]
        before, after = image[_mirror(y - k * step, ny)], image[_mirror(y + k * step, ny)]
        for x in range(nx):
            new[x] += tap * (before[x] + after[x])


@loop()
def _smooth_rows(image: Any, taps: Any, step: Any, first: Any, last: Any, out: Any) -> Any:
    """Rows `first` to `last` of the filter along rows and columns, into `out`."""
    ny, nx = image.shape
    far = (len(taps) - 1) * step
    low, high = max(0, first - far), min(ny, last + far)
    line = np.empty((high - low, nx), np.float32)
    for y in range(low, high):
        _along_row(image[y], taps, step, line[y - low])
    for y in range(first, last):
        new = out[y - first]
        row = line[y - low]
        for x in range(nx):
            new[x] = taps[0] * row[x]
        for k in range(1, len(taps)):
            tap, away = taps[k], k * step
            before, after = line[_mirror(y - away, ny) - low], line[_mirror(y + away, ny) - low]
            for x in range(nx):
                new[x] += tap * (before[x] + after[x])


@part()
def _smooth_twice(image: Any, left: Any, right: Any, taps: Any, work: Any) -> Any:
    """Columns of an image, the same smoothed, and smoothed again with holes of two pixels.

    They come to be `work` 0, 1 and 2; 3 is for lines on the way.
    """
    plain, once, twice, line = work[0], work[1], work[2], work[3]
    wide = right - left
    for y in range(len(image)):
        row, new = image[y][left:right], plain[y][:wide]
        for x in range(wide):
            new[x] = row[x]
        _along_row(new, taps, 1, line[y][:wide])
    for y in range(len(image)):
        _along_column(line[: len(image)], taps, 1, y, once[y][:wide])
    for y in range(len(image)):
        _along_row(once[y][:wide], taps, 2, line[y][:wide])
    for y in range(len(image)):
        _along_column(line[: len(image)], taps, 2, y, twice[y][:wide])


@loop()
def divide_rows(
    image: Any, noise: Any, low: Any, first: Any, last: Any, taps: Any, grids: Any
) -> Any:
    """What the first two scales of rows `first` to `last` give on the grid of every second pixel.

    Both even; `image` and its pixel `noise` begin with row `low` and hold `REACH` rows more on
    either side, or end with the picture. `grids` are filled: the image smoothed by both scales, the
    square of the first scale's detail over the noise, smoothed once, that of the second's, and
    the noise.
    """
    nx = image.shape[1]
    wide, square, second, sigma = grids
    work = np.empty((4, len(image), _TILE + 16), np.float32)
    plain, once, twice, line = work[0], work[1], work[2], work[3]
    ratio = np.empty(_TILE + 16, np.float32)
    for start in range(0, nx, _TILE):
        stop = min(nx, start + _TILE)
        left, right = max(0, start - 8), min(nx, stop + 8)
        _smooth_twice(image, left, right, taps, work)
        for y in range(max(0, first - low - 2), min(len(image), last - low + 2)):
            row, new, error = plain[y], once[y], noise[y][left:right]
            for x in range(right - left):
                z = (row[x] - new[x]) / error[x]
                ratio[x] = z * z
            _along_row(ratio[: right - left], taps, 1, line[y][: right - left])
        for y in range(first - low, last - low, 2):
            _along_column(line, taps, 1, y, ratio[: right - left])
            j = (low + y) // 2
            new, coarse, error = once[y][start - left :], twice[y][start - left :], noise[y][start:]
            mean = ratio[start - left :]
            a, b = wide[j][start // 2 :], square[j][start // 2 :]
            c, d = second[j][start // 2 :], sigma[j][start // 2 :]
            for i in range((stop - start + 1) // 2):
                s = error[2 * i]
                z = (new[2 * i] - coarse[2 * i]) / s
                a[i] = coarse[2 * i]
                b[i] = mean[2 * i]
                c[i] = z * z
                d[i] = s


@part()
def _between(grid: Any, y: Any, start: Any, stop: Any, line: Any, out: Any) -> Any:
    """Columns `start` (even) to `stop` of row `y`, by the four nearest rows and columns each."""
    rows, columns = grid.shape
    j = y // 2
    begin, end = start // 2 - 1, (stop - 1) // 2 + 3
    low, high = max(0, begin), min(columns, end)
    middle = grid[min(j, rows - 1)][low:high]
    inside = line[low - begin : high - begin]
    if y % 2 == 0:
        for x in range(high - low):
            inside[x] = middle[x]
    else:
        before = grid[max(j - 1, 0)][low:high]
        after, last = grid[min(j + 1, rows - 1)][low:high], grid[min(j + 2, rows - 1)][low:high]
        for x in range(high - low):
            inside[x] = np.float32(0.5625) * (middle[x] + after[x]) - np.float32(0.0625) * (
                before[x] + last[x]
            )
    for x in range(low - begin):
        line[x] = inside[0]
    for x in range(high - begin, end - begin):
        line[x] = inside[high - low - 1]
    a, b, c, d = line[0:], line[1:], line[2:], line[3:]
    for k in range((stop - start) // 2):
        out[2 * k] = b[k]
        out[2 * k + 1] = np.float32(0.5625) * (b[k] + c[k]) - np.float32(0.0625) * (a[k] + d[k])
    if (stop - start) % 2:
        out[stop - start - 1] = b[(stop - start) // 2]


@loop()
def spread_rows(grid: Any, first: Any, last: Any, out: Any) -> Any:
    """Rows of an image from its values at every second pixel."""
    nx = out.shape[1]
    line = np.empty(nx // 2 + 8, np.float32)
    for y in range(first, last):
        _between(grid, y, 0, nx, line, out[y - first])


@loop()
def join_rows(
    image: Any, low: Any, first: Any, last: Any, taps: Any, weights: Any, rest: Any, out: Any
) -> Any:
    """Rows `first` to `last` of an image, its first two details times their weight.

    `weights` of both and the `rest`, which is added, are given at every second pixel; the
    other arguments are as for `divide_rows`.
    """
    nx = image.shape[1]
    line, a = np.empty(_TILE + 8, np.float32), np.empty(_TILE, np.float32)
    b, c = np.empty_like(a), np.empty_like(a)
    zero, one = np.float32(0), np.float32(1)
    work = np.empty((4, len(image), _TILE + 16), np.float32)
    for start in range(0, nx, _TILE):
        stop = min(nx, start + _TILE)
        left, right = max(0, start - 8), min(nx, stop + 8)
        _smooth_twice(image, left, right, taps, work)
        for y in range(first, last):
            _between(weights[0], y, start, stop, line, a)
            _between(weights[1], y, start, stop, line, b)
            _between(rest, y, start, stop, line, c)
            v = work[0, y - low][start - left :]
            w = work[1, y - low][start - left :]
            z = work[2, y - low][start - left :]
            new = out[y - first][start:stop]
            for x in range(stop - start):
                p = one if a[x] > one else a[x]
                new[x] = w[x] + (zero if p < zero else p) * (v[x] - w[x]) + c[x]
            for x in range(stop - start):
                q = one if b[x] > one else b[x]
                new[x] -= (one - (zero if q < zero else q)) * (w[x] - z[x])


@loop()
def _weigh(power: Any, threshold: Any, first: Any, last: Any) -> Any:
    for y in range(first, last):
        row = power[y]
        for x in range(len(row)):
            weight = np.float32(1) - threshold / max(row[x], np.float32(1e-30))
            row[x] = np.sqrt(max(weight, np.float32(0)))


@loop()
def _insignificant(
    fine: Any, wide: Any, noise: Any, stage: Any, weight: Any, first: Any, last: Any, out: Any
) -> Any:
    """Stage 0: squares of a detail over the noise; 1: what its weight takes away, added."""
    for y in range(first, last):
        a, b, c, d, new = fine[y], wide[y], noise[y], weight[y], out[y]
        if stage == 0:
            for x in range(len(a)):
                z = (a[x] - b[x]) / c[x]
                new[x] = z * z
        else:
            for x in range(len(a)):
                w = min(max(d[x], np.float32(0)), np.float32(1))
                new[x] += (w - np.float32(1)) * (a[x] - b[x])


def smooth_grid(image: Array, taps: Array, step: int) -> Image:
    """A symmetric filter with holes of `step` pixels along both axes, mirrored at the edges."""
    image = np.ascontiguousarray(image, np.float32)
    out = np.empty_like(image)
    run_bands(
        lambda first, last: _smooth_rows(image, taps, step, first, last, out[first:last]),
        len(image),
        band=_BAND,
    )
    return out


def weigh_power(power: Image, threshold: float) -> Image:
    """Mean squares to the weights of their details, in place; `threshold` counts as none."""
    level = np.float32(threshold)
    run_bands(lambda first, last: _weigh(power, level, first, last), len(power), band=_BAND)
    return power


def squares(fine: Image, wide: Image, noise: Image) -> Image:
    """Squares of a detail over the noise."""
    out = np.empty_like(fine)
    run_bands(
        lambda first, last: _insignificant(fine, wide, noise, 0, noise, first, last, out),
        len(fine),
        band=_BAND,
    )
    return out


def take_away(fine: Image, wide: Image, weight: Image, out: Image) -> None:
    """Add to `out` what the weight of a detail takes away from it."""
    run_bands(
        lambda first, last: _insignificant(fine, wide, weight, 1, weight, first, last, out),
        len(fine),
        band=_BAND,
    )


def spread(grid: Image, shape: tuple[int, ...]) -> Image:
    """An image of that shape from its values at every second pixel."""
    out = np.empty(shape, np.float32)
    run_bands(
        lambda first, last: spread_rows(grid, first, last, out[first:last]), shape[0], band=_BAND
    )
    return out
