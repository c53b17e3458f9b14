"""Gaussian smoothing of large images: compiled, in bands of rows that threads take up."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part
from framesort.workers import core_count, run_bands

__all__ = ["convolve_rows", "gaussian_kernel", "smooth_image"]

_BAND = 256


def gaussian_kernel(sigma: float, truncate: float = 4.0) -> NDArray[np.float32]:
    """Samples of a Gaussian of sum 1 out to `truncate` standard deviations."""
    half = int(truncate * sigma + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    return np.asarray(kernel / kernel.sum(), np.float32)


@part()
def _inside(index: Any, size: Any) -> Any:
    """A place beyond an edge mirrored at it, the last pixel twice; however far it is."""
    index %= 2 * size
    return index if index < size else 2 * size - 1 - index


@part()
def _clear(line: Any) -> Any:
    for x in range(line.size):
        line[x] = np.float32(0)


@part(inline="never")
def _add_four(kernel: Any, a: Any, b: Any, c: Any, d: Any, out: Any) -> Any:
    """Add four lines, or three where there are three weights, times their weights."""
    one, two, three = kernel[0], kernel[1], kernel[2]
    if kernel.size == 3:
        for x in range(out.size):
            out[x] = ((out[x] + one * a[x]) + two * b[x]) + three * c[x]
        return
    four = kernel[3]
    for x in range(out.size):
        out[x] = (((out[x] + one * a[x]) + two * b[x]) + three * c[x]) + four * d[x]


@part(inline="never")
def _add_shifted(line: Any, kernel: Any, out: Any) -> Any:
    """Sum of a line times each weight, shifted by one pixel more each; into `out`."""
    size, k = kernel.size, 0
    _clear(out)
    while size - k >= 3:
        _add_four(kernel[k : k + 4], line[k:], line[k + 1 :], line[k + 2 :], line[k + 3 :], out)
        k += 4
    for j in range(k, size):
        one, a = kernel[j], line[j:]
        for x in range(out.size):
            out[x] += one * a[x]


@part(inline="never")
def _add_rows(ring: Any, begin: Any, kernel: Any, out: Any) -> Any:
    """Sum of the rows of a ring, from row `begin` on, times the weights; into `out`."""
    size, k = kernel.size, 0
    _clear(out)
    while size - k >= 3:
        a, b = ring[(begin + k) % size], ring[(begin + k + 1) % size]
        c, d = ring[(begin + k + 2) % size], ring[(begin + k + 3) % size]
        _add_four(kernel[k : k + 4], a, b, c, d, out)
        k += 4
    for j in range(k, size):
        one, a = kernel[j], ring[(begin + j) % size]
        for x in range(out.size):
            out[x] += one * a[x]


@loop()
def convolve_rows(image: Any, kernel: Any, mirror: Any, first: Any, last: Any, out: Any) -> Any:
    """Rows `first` to `last` of the separable convolution of an image, into `out`.

    NaN counts as 0. So does what lies beyond the edge, or the image is mirrored there.
    """
    ny, nx = image.shape
    size = kernel.size
    half = size // 2
    line = np.zeros(nx + 2 * half, np.float32)
    ring = np.zeros((size, nx), np.float32)  # the last rows, smoothed along x
    for y in range(first - half, last + half):
        new = ring[(y - first + half) % size]
        if mirror or 0 <= y < ny:
            source, part = image[_inside(y, ny)], line[half:]
            for x in range(nx):
                part[x] = source[x] if source[x] == source[x] else np.float32(0)
            if mirror:
                for x in range(half):
                    line[x] = line[half + _inside(x - half, nx)]
                    line[nx + half + x] = line[half + _inside(nx + x, nx)]
            _add_shifted(line, kernel, new)
        else:
            _clear(new)
        if y >= first + half:
            _add_rows(ring, (y - first + half + 1) % size, kernel, out[y - half - first])


def smooth_image(
    image: NDArray[np.float32],
    sigma: float,
    *,
    truncate: float = 4.0,
    threads: int | None = None,
) -> NDArray[np.float32]:
    """A Gaussian mean of an image, as `scipy.ndimage.gaussian_filter` gives it in single precision.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        NaN counts as 0; the image is mirrored at its edges.
    sigma : float
        Standard deviation, pixels.
    truncate : float
        The kernel ends at so many standard deviations.
    threads : int or None
        None for one a core. The result does not depend on it.

    Returns
    -------
    (ny, nx) float32 ndarray
    """
    kernel = gaussian_kernel(sigma, truncate)
    out = np.empty(image.shape, np.float32)
    image = np.ascontiguousarray(image)  # the loop is compiled for such

    def work(first: int, last: int) -> None:
        convolve_rows(image, kernel, True, first, last, out[first:last])

    run_bands(work, len(image), band=_BAND, threads=core_count() if threads is None else threads)
    return out
