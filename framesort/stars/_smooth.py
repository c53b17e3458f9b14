"""Gaussian smoothing of large images: compiled, in bands of rows that threads take up."""

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from framesort.workers import core_count, run_bands

__all__ = ["convolve_rows", "gaussian_kernel", "smooth_image"]

_BAND = 256


def gaussian_kernel(sigma: float, truncate: float = 4.0) -> NDArray[np.float32]:
    """Samples of a Gaussian of sum 1 out to `truncate` standard deviations."""
    half = int(truncate * sigma + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    return np.asarray(kernel / kernel.sum(), np.float32)


@njit(cache=True, nogil=True)
def _inside(index: Any, size: Any) -> Any:
    """A place beyond an edge mirrored at it, the last pixel twice; however far it is."""
    index %= 2 * size
    return index if index < size else 2 * size - 1 - index


@njit(cache=True, nogil=True, inline="never")
def _add_shifted(line: Any, kernel: Any, out: Any) -> Any:
    """Add the line times each weight, shifted by one pixel more each; four weights at a time."""
    size, nx, k = kernel.size, out.size, 0
    while k < size:
        a = line[k:]
        if size - k >= 4:
            one, two, three, four = kernel[k], kernel[k + 1], kernel[k + 2], kernel[k + 3]
            b, c, d = line[k + 1 :], line[k + 2 :], line[k + 3 :]
            for x in range(nx):
                out[x] = (((out[x] + one * a[x]) + two * b[x]) + three * c[x]) + four * d[x]
            k += 4
            continue
        one = kernel[k]
        for x in range(nx):
            out[x] += one * a[x]
        k += 1


@njit(cache=True, nogil=True, inline="never")
def _add_rows(ring: Any, begin: Any, kernel: Any, out: Any) -> Any:
    """Sum of the rows of a ring, from row `begin` on, times the weights; four at a time."""
    size, nx, k = kernel.size, out.size, 0
    out[:] = 0
    while k < size:
        a = ring[(begin + k) % size]
        if size - k >= 4:
            one, two, three, four = kernel[k], kernel[k + 1], kernel[k + 2], kernel[k + 3]
            b, c = ring[(begin + k + 1) % size], ring[(begin + k + 2) % size]
            d = ring[(begin + k + 3) % size]
            for x in range(nx):
                out[x] = (((out[x] + one * a[x]) + two * b[x]) + three * c[x]) + four * d[x]
            k += 4
            continue
        one = kernel[k]
        for x in range(nx):
            out[x] += one * a[x]
        k += 1


@njit(cache=True, nogil=True)
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
        new[:] = 0
        if mirror or 0 <= y < ny:
            source = image[_inside(y, ny)]
            for x in range(nx):
                line[x + half] = source[x] if source[x] == source[x] else np.float32(0)
            if mirror:
                for x in range(half):
                    line[x] = line[half + _inside(x - half, nx)]
                    line[nx + half + x] = line[half + _inside(nx + x, nx)]
            _add_shifted(line, kernel, new)
        if y < first + half:
            continue
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

    def work(first: int, last: int) -> None:
        convolve_rows(image, kernel, True, first, last, out[first:last])

    run_bands(work, len(image), band=_BAND, threads=core_count() if threads is None else threads)
    return out
