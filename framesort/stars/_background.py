"""Background level and noise of an image: a clipped mesh, smoothed and interpolated."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, median_filter

from framesort.workers import run_bands

__all__ = [
    "Background",
    "background_level",
    "estimate_background",
    "prepare_image",
    "subtract_background",
]

# A normal distribution cut at -3 and +1.5 standard deviations has this mean and standard
# deviation (closed form of the truncated normal; Johnson, Kotz & Balakrishnan 1994, ch. 13.10).
# The cut is nearer on the side where faint stars are.
_LOW, _HIGH = 3.0, 1.5
_CUT_MEAN, _CUT_SD = -0.134237, 0.871336

_MESH_BAND = 4  # rows of boxes that a thread takes up at a time


@dataclass(frozen=True)
class Background:
    """Background of an image. Axis order is [y, x].

    Attributes
    ----------
    level : (ny, nx) float32 ndarray
        Sky and nebula below the stars, ADU.
    noise : (ny, nx) float32 ndarray
        Standard deviation per pixel, ADU.
    """

    level: NDArray[np.float32]
    noise: NDArray[np.float32]


def prepare_image(image: Any, mask: Any = None) -> NDArray[np.float32]:
    """A contiguous float32 image in which pixels without data are NaN.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU; `~astropy.nddata.CCDData` and masked arrays bring their own mask.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or the mask has another shape.
    """
    own = getattr(image, "mask", None)
    pixels = np.asarray(getattr(image, "data", image) if own is not None else image)
    if isinstance(pixels, memoryview):
        pixels = np.asarray(image)
    if pixels.ndim != 2:
        raise ValueError(f"image must have two axes, got shape {pixels.shape}")
    result = np.ascontiguousarray(pixels, dtype=np.float32)
    for bad in (own, mask):
        if bad is None or bad is np.ma.nomask:
            continue
        bad = np.asarray(bad, dtype=bool)
        if bad.shape != result.shape:
            raise ValueError(f"mask must have the image's shape {result.shape}, got {bad.shape}")
        if bad.any():
            result = np.where(bad, np.float32(np.nan), result)
    return result


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _cut_moments(values: Any, count: Any, low: Any, high: Any, start: Any) -> Any:
    """Sum, sum of squares about `start` and number of the values between two bounds.

    The sums may be reordered for speed; the values hold no NaN.
    """
    total, square, kept = np.float32(0), np.float32(0), np.float32(0)
    for i in range(count):
        inside = np.float32((values[i] >= low) & (values[i] <= high))
        d = (values[i] - start) * inside
        total += d
        square += d * d
        kept += inside
    return total, square, kept


@njit(cache=True, nogil=True)
def _clip_box(values: Any, count: Any, scratch: Any) -> Any:
    """Level and standard deviation of `values[:count]`, free of what lies above."""
    step = max(1, count // 512)
    n = 0
    for i in range(0, count, step):
        scratch[n] = values[i]
        n += 1
    sample = scratch[:n]
    lower = np.partition(sample, n // 2)[: n // 2 + 1]
    start = lower[n // 2]
    # The lower half holds no star light: its quantile gives a first, safe width.
    quantile = int(0.1587 * n)
    width = float(start - np.partition(lower, quantile)[quantile])
    if not width > 0:  # whole numbers with little noise: half the sample is one value
        total = 0.0
        for i in range(n // 2 + 1):
            total += float(lower[i] - start) ** 2
        width = max(np.sqrt(total / (n // 2 + 1)), 1e-6 * abs(start), 1e-12)
    mean, reach = 0.0, width  # relative to start
    for turn in range(16):
        low = start + np.float32(mean - _LOW * width)
        high = start + np.float32(mean + _HIGH * width)
        # The sample comes near, all pixels end it.
        if turn < 6:
            total, square, kept = _cut_moments(sample, n, low, high, start)
        else:
            total, square, kept = _cut_moments(values, count, low, high, start)
        if kept < 3:
            break
        shift = total / kept
        width = np.sqrt(max(square / kept - shift * shift, 1e-24)) / _CUT_SD
        before = mean
        # Not further than the first width: a box of two levels has no one level.
        mean = min(max(shift - _CUT_MEAN * width, -reach), reach)
        if turn >= 6 and abs(mean - before) < 0.01 * width:
            break
    return start + mean, width


@njit(cache=True, nogil=True)
def _measure_mesh(image: Any, box: Any, first: Any, last: Any, level: Any, noise: Any) -> Any:
    """Level and noise of the boxes in some rows of the mesh."""
    ny, nx = image.shape
    values = np.empty(box * box, np.float32)
    scratch = np.empty(1026, np.float32)
    for j in range(first, last):
        for i in range(level.shape[1]):
            count = 0
            y0, x0 = j * ny // level.shape[0], i * nx // level.shape[1]
            y1, x1 = (j + 1) * ny // level.shape[0], (i + 1) * nx // level.shape[1]
            for y in range(y0, y1):
                for x in range(x0, x1):
                    if np.isfinite(image[y, x]):
                        values[count] = image[y, x]
                        count += 1
            if count * 4 < (y1 - y0) * (x1 - x0) or count < 9:
                level[j, i] = np.nan
                noise[j, i] = np.nan
                continue
            level[j, i], noise[j, i] = _clip_box(values, count, scratch)
            # Structure of the box is no noise: second differences contain only what
            # changes within a few pixels. Every fourth row is enough.
            count = 0
            for y in range(y0, y1, 4):
                for x in range(x0 + 2, x1 - 2):
                    d = image[y, x] - np.float32(0.5) * (image[y, x - 2] + image[y, x + 2])
                    if np.isfinite(d):
                        values[count] = d
                        count += 1
            if count >= 64:
                small = _clip_box(values, count, scratch)[1] / np.sqrt(1.5)
                noise[j, i] = min(noise[j, i], small)


@njit(cache=True, nogil=True)
def _spread_row(mesh: Any, y: Any, ny: Any, line: Any, middle: Any, row: Any) -> Any:
    """Bilinear interpolation of box centres to one row of pixels, continued to the edges."""
    rows, columns = mesh.shape
    nx = len(row)
    v = (y + 0.5) * rows / ny - 0.5
    j = min(max(int(v), 0), max(rows - 2, 0))
    f = np.float32(v - j)
    k = min(j + 1, rows - 1)
    for i in range(columns):
        line[i] = mesh[j, i] + f * (mesh[k, i] - mesh[j, i])
    if columns == 1:
        row[:] = line[0]
        return
    for i in range(columns - 1):
        # From one box centre to the next; the first and last go on to the edges.
        x0 = 0 if i == 0 else int(np.ceil(middle[i]))
        x1 = nx if i == columns - 2 else int(np.ceil(middle[i + 1]))
        slope = (line[i + 1] - line[i]) / np.float32(middle[i + 1] - middle[i])
        base = line[i] + slope * np.float32(x0 - middle[i])
        for x in range(x1 - x0):
            row[x0 + x] = base + slope * np.float32(x)


@njit(cache=True, nogil=True)
def _spread_mesh(mesh: Any, first: Any, last: Any, out: Any) -> Any:
    """Some rows of the background from its mesh."""
    columns, nx = mesh.shape[1], out.shape[1]
    line = np.empty(columns, np.float32)
    middle = (np.arange(columns) + 0.5) * nx / columns - 0.5
    for y in range(first, last):
        _spread_row(mesh, y, out.shape[0], line, middle, out[y])


@njit(cache=True, nogil=True)
def _take_mesh(mesh: Any, image: Any, first: Any, last: Any, out: Any) -> Any:
    """Some rows of an image less its background."""
    columns, nx = mesh.shape[1], out.shape[1]
    line, row = np.empty(columns, np.float32), np.empty(nx, np.float32)
    middle = (np.arange(columns) + 0.5) * nx / columns - 0.5
    for y in range(first, last):
        _spread_row(mesh, y, out.shape[0], line, middle, row)
        for x in range(nx):
            out[y, x] = image[y, x] - row[x]


def _fill_mesh(mesh: NDArray[np.float32]) -> NDArray[np.float32]:
    """Boxes without pixels take the value of the nearest box; outliers are smoothed away."""
    empty = ~np.isfinite(mesh)
    if empty.all():
        return np.zeros_like(mesh)
    if empty.any():
        nearest = distance_transform_edt(empty, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    if min(mesh.shape) < 2:
        return mesh
    # Continued beyond the edges by reflection in the edge's value, so that a slope stays one.
    wide = np.pad(mesh, 1, mode="reflect", reflect_type="odd")
    return np.ascontiguousarray(median_filter(wide, size=3)[1:-1, 1:-1])


def estimate_background(
    image: Any, *, mask: Any = None, box: int = 64, threads: int = 1
) -> Background:
    """Level and noise of the background.

    The image is cut into boxes; in each the pixels from 3 standard deviations below to 1.5
    above the level are kept, and the level and width of the normal distribution that has
    their mean and scatter are taken, until nothing changes. The start is the median and the
    spread of the lower half, which stars do not reach. The boxes are smoothed with a 3 x 3
    median and interpolated linearly (the mesh of Bertin & Arnouts 1996, A&AS 117, 393, sec. 3).
    The noise is that of differences over two pixels where a box has structure of its own.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.
    box : int
        Size of a box, pixels. At least 4.
    threads : int
        Boxes are measured by so many at once. The result does not depend on it.

    Returns
    -------
    Background
        Zero level and zero noise where the whole image has no data.

    Raises
    ------
    ValueError
        Wrong shape of image or mask, or a box below 4.
    """
    pixels = prepare_image(image, mask)
    result = Background(np.empty(pixels.shape, np.float32), np.empty(pixels.shape, np.float32))
    meshes = _measure_boxes(pixels, box, threads)
    for mesh, out in zip(meshes, (result.level, result.noise), strict=True):
        _by_rows(partial(_spread_rows, mesh, out), len(out), box, threads)
    return result


def background_level(
    image: NDArray[np.float32], *, box: int = 64, threads: int = 1
) -> NDArray[np.float32]:
    """The level that `estimate_background` gives, by itself; see there."""
    out = np.empty(image.shape, np.float32)
    level, _ = _measure_boxes(image, box, threads)
    _by_rows(partial(_spread_rows, level, out), len(out), box, threads)
    return out


def subtract_background(
    image: NDArray[np.float32], *, box: int = 64, threads: int = 1, out: Any = None
) -> NDArray[np.float32]:
    """An image less the level that `estimate_background` gives, which is not kept.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        NaN pixels are left out, and stay.
    box, threads
        As for `estimate_background`.
    out : (ny, nx) float32 ndarray or None
        Where to put the result; may be `image`.
    """
    out = np.empty(image.shape, np.float32) if out is None else out
    level, _ = _measure_boxes(image, box, threads)
    _by_rows(partial(_take_rows, level, image, out), len(out), box, threads)
    return np.asarray(out)


def _measure_boxes(
    pixels: NDArray[np.float32], box: int, threads: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Level and noise of the boxes, smoothed and without holes."""
    if box < 4:
        raise ValueError(f"box must be 4 pixels or more, got {box}")
    shape = tuple(max(1, -(-size // box)) for size in pixels.shape)
    level, noise = np.empty(shape, np.float32), np.empty(shape, np.float32)
    run_bands(
        lambda first, last: _measure_mesh(pixels, box, first, last, level, noise),
        len(level),
        band=_MESH_BAND,
        threads=threads,
    )
    return _fill_mesh(level), _fill_mesh(noise)


def _by_rows(work: Callable[[int, int], None], rows: int, box: int, threads: int) -> None:
    run_bands(work, rows, band=_MESH_BAND * box, threads=threads)


def _spread_rows(mesh: Any, out: Any, first: int, last: int) -> None:
    _spread_mesh(mesh, first, last, out)


def _take_rows(mesh: Any, image: Any, out: Any, first: int, last: int) -> None:
    _take_mesh(mesh, image, first, last, out)
