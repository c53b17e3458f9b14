"""Where the stars are: level and noise of an image, peaks of both stacks together."""

import numpy as np
from scipy import ndimage

from framesort.records import MAD_TO_SIGMA
from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Mask
from framesort.replacement._robust import quick_median, robust_std, shortest_half
from framesort.replacement._smooth import FEW_ROWS, Level
from framesort.stars import smooth_image
from framesort.workers import run_bands

REACH = 12
"""Pixels around a peak in which its width is guessed."""

WINDOW = 2400
"""Pixels a side of the part of an image in which the width is guessed."""

BOX = 32
"""Pixels a side of the boxes in which the scatter of an image is measured."""


def guess_width(image: Array, noise: float, saturation: float) -> float:
    """FWHM of the stars from the area above half the peak, median of bright ones; pixels.

    In the middle of a large image. Heights count from the median of the surroundings; what is no
    island of light within them (a ridge or a hump of a nebula) is left out.
    """
    top, left = (max(0, (n - WINDOW) // 2) for n in image.shape)
    image = np.ascontiguousarray(image[top : top + WINDOW, left : left + WINDOW])
    score = star_score(image, 3.0)
    y, x = find_maxima(score, 3, 15)
    below = image[y, x] < 0.9 * saturation
    y, x = y[below], x[below]
    order = np.argsort(-score[y, x], kind="stable")[:1000]
    widths: list[float] = []
    for j, i in zip(y[order], x[order], strict=True):
        cut = image[max(0, j - REACH) : j + REACH + 1, max(0, i - REACH) : i + REACH + 1]
        background = np.nanmedian(cut)
        if not image[j, i] - background > 30 * noise:
            continue
        labels, _ = ndimage.label(cut > 0.5 * (image[j, i] + background))
        island = labels == labels[min(j, REACH), min(i, REACH)]
        rim = island[0].any() or island[-1].any() or island[:, 0].any() or island[:, -1].any()
        if island.sum() >= 3 and not rim:
            widths.append(2 * np.sqrt(island.sum() / np.pi))
        if len(widths) == 300:
            break
    if not widths:
        return np.nan
    return float(np.median(widths)) if len(widths) < 8 else shortest_half(np.array(widths))[0]


def star_filter(image: Array, width: float, *, threads: int | None = None) -> Array:
    """Image filtered for stars of a FWHM; the filter's sum is 0, NaN count as 0."""
    s = width / 2.3548
    out = smooth_image(image, s, threads=threads)
    out -= smooth_image(image, 1.8 * s, threads=threads)
    return out


def find_maxima(image: Array, half: int, least: float) -> tuple[Array, Array]:
    """Row and column of pixels above `least` with none higher within `half` rows and columns."""
    parts: dict[int, Array] = {}
    least = float(least)  # one kind of number: each is compiled by itself

    def work(first: int, last: int) -> None:
        found = np.empty((4096, 2), np.int64)
        count = passes.find_maxima(image, half, least, first, last, found)
        if count > len(found):
            found = np.empty((count, 2), np.int64)
            passes.find_maxima(image, half, least, first, last, found)
        parts[first] = found[:count]

    run_bands(work, len(image), band=256)
    places = np.concatenate([parts[first] for first in sorted(parts)])
    return places[:, 0], places[:, 1]


def spread_of(image: Array) -> np.float32:
    """Standard deviation of an image from the median deviation of a sample of it.

    Infinite where most of the image is one number (holes, zeros): nothing stands out of it.
    """
    v = image[:: max(1, image.shape[0] // 700), :: max(1, image.shape[1] // 700)]
    spread = np.float32(robust_std(v))
    return spread if spread > 0 else np.float32(np.inf)


def find_peaks(score: Array, level: float) -> tuple[Array, Array, Array]:
    """Local maxima of a filtered image above `level`: x, y to a part of a pixel, and height."""
    y, x = find_maxima(score, 1, level)
    h = score[y, x]

    def vertex(before: Array, after: Array) -> Array:
        bend = before + after - 2 * h
        shift = 0.5 * (before - after) / np.where(bend < 0, bend, -1)
        return np.clip(np.where(bend < 0, shift, 0), -1, 1)

    left, right = np.maximum(x - 1, 0), np.minimum(x + 1, score.shape[1] - 1)
    down, up = np.maximum(y - 1, 0), np.minimum(y + 1, score.shape[0] - 1)
    px = np.clip(x + vertex(score[y, left], score[y, right]), 0, score.shape[1] - 1)
    py = np.clip(y + vertex(score[down, x], score[up, x]), 0, score.shape[0] - 1)
    order = np.argsort(-h, kind="stable")
    return px[order].astype(float), py[order].astype(float), h[order].astype(float)


def local_spread(image: Array) -> Level:
    """Standard deviation of an image around each pixel, structure included; by median deviation."""
    box = BOX
    ny, nx = (-(-n // box) for n in image.shape)
    row, column = (np.pad(np.arange(n), (0, -n % box), mode="reflect") for n in image.shape)
    mad = np.empty((ny, nx), np.float32)

    def measure(first: int, last: int) -> None:
        for j in range(first, last):
            part = image[row[j * box : (j + 1) * box]][:, column]
            part = part.reshape(box, nx, box).swapaxes(0, 1).reshape(nx, -1)[:, ::3]
            part = part - quick_median(part)[:, None]
            mad[j] = MAD_TO_SIGMA * quick_median(np.abs(part))

    run_bands(measure, ny, band=4)
    mad = np.maximum(mad, 0.7 * np.median(mad))
    return Level(np.maximum(ndimage.maximum_filter(mad, 3), spread_of(image)), box)


def divide_by(image: Array, level: Level, factor: float = 1.0) -> None:
    """Divide an image by a smooth one times a factor, in place."""

    def work(first: int, last: int) -> None:
        part = level.rows(first, last, image.shape[1])
        part *= np.float32(factor)
        image[first:last] /= part

    run_bands(work, len(image), band=FEW_ROWS)


def star_score(image: Array, width: float) -> Array:
    """An image filtered for stars, in units of its scatter around each pixel."""
    score = star_filter(image, width)
    divide_by(score, local_spread(score))
    return score


def hot_pixels(image: Array, noise: float) -> Mask:
    """Pixels that stand further above all their neighbours than any star's can.

    A star of 1.5 px FWHM or more has beside its brightest pixel one of at least 0.3 of it.
    """
    out = np.zeros(image.shape, bool)

    def work(first: int, last: int) -> None:
        low = max(0, first - 3)
        part = np.nan_to_num(image[low : last + 3])
        start = max(1, first - low)
        stop = min(len(part) - 1, last - low)
        least = part[start:stop, 1:-1] - np.float32(6 * noise)
        alone = least > part[start - 1 : stop - 1, 1:-1]
        alone &= least > part[start + 1 : stop + 1, 1:-1]
        alone &= least > part[start:stop, :-2]
        alone &= least > part[start:stop, 2:]
        for j, i in np.argwhere(alone):
            y, x = j + start, i + 1
            level = np.median(part[max(0, y - 3) : y + 4, max(0, x - 3) : x + 4])
            others = part[[y - 1, y + 1, y, y], [x, x, x - 1, x + 1]]
            out[low + y, x] = others.max() - level < 0.3 * (part[y, x] - level)

    run_bands(work, len(image), band=FEW_ROWS)
    return out
