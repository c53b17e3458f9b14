"""Where the stars are: level and noise of an image, peaks of both stacks together."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from framesort.replacement import _passes as passes
from framesort.stars import smooth_image
from framesort.workers import run_bands

REACH = 12
"""Pixels around a peak in which its width is guessed."""


def guess_width(image: NDArray, noise: float, full: float) -> float:
    """FWHM of the stars from the area above half the peak, median of bright ones; pixels.

    Heights count from the median of the surroundings; what is no island of light within them (a
    ridge or a hump of a nebula) is left out.
    """
    y, x = find_maxima(image, 3, 30 * noise)
    below = image[y, x] < 0.9 * full
    y, x = y[below], x[below]
    order = np.argsort(-image[y, x], kind="stable")[:1000]
    widths: list[float] = []
    for j, i in zip(y[order], x[order], strict=True):
        cut = image[max(0, j - REACH) : j + REACH + 1, max(0, i - REACH) : i + REACH + 1]
        ground = np.nanmedian(cut)
        if not image[j, i] - ground > 30 * noise:
            continue
        labels, _ = ndimage.label(cut > 0.5 * (image[j, i] + ground))
        island = labels == labels[min(j, REACH), min(i, REACH)]
        rim = island[0].any() or island[-1].any() or island[:, 0].any() or island[:, -1].any()
        if island.sum() >= 3 and not rim:
            widths.append(2 * np.sqrt(island.sum() / np.pi))
        if len(widths) == 300:
            break
    return float(np.median(widths)) if widths else np.nan


def star_filter(image: NDArray, width: float, *, threads: int | None = None) -> NDArray:
    """Image filtered for stars of a FWHM; the filter's sum is 0, NaN count as 0."""
    s = width / 2.3548
    out = smooth_image(image, s, threads=threads)
    out -= smooth_image(image, 1.8 * s, threads=threads)
    return out


def find_maxima(image: NDArray, half: int, least: float) -> tuple[NDArray, NDArray]:
    """Row and column of pixels above `least` with none higher within `half` rows and columns."""
    parts: dict[int, NDArray] = {}

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


def spread_of(image: NDArray) -> np.float32:
    """Standard deviation of an image from the median deviation of a sample of it.

    Infinite where most of the image is one number (holes, zeros): nothing stands out of it.
    """
    v = image[:: max(1, image.shape[0] // 700), :: max(1, image.shape[1] // 700)]
    spread = np.float32(1.4826 * np.median(np.abs(v - np.median(v))))
    return spread if spread > 0 else np.float32(np.inf)


def find_peaks(score: NDArray, level: float) -> tuple[NDArray, NDArray, NDArray]:
    """Local maxima of a filtered image above `level`: x, y to a part of a pixel, and height."""
    y, x = find_maxima(score, 1, level)
    h = score[y, x]

    def vertex(before: NDArray, after: NDArray) -> NDArray:
        bend = before + after - 2 * h
        shift = 0.5 * (before - after) / np.where(bend < 0, bend, -1)
        return np.clip(np.where(bend < 0, shift, 0), -1, 1)

    left, right = np.maximum(x - 1, 0), np.minimum(x + 1, score.shape[1] - 1)
    down, up = np.maximum(y - 1, 0), np.minimum(y + 1, score.shape[0] - 1)
    px = np.clip(x + vertex(score[y, left], score[y, right]), 0, score.shape[1] - 1)
    py = np.clip(y + vertex(score[down, x], score[up, x]), 0, score.shape[0] - 1)
    order = np.argsort(-h, kind="stable")
    return px[order].astype(float), py[order].astype(float), h[order].astype(float)
