"""The sky without stars, and what of it is significant, scale by scale.

A starlet transform (Starck & Murtagh 2006, Astronomical Image and Data Analysis, ch. 2) splits an
image into details of 1, 2, 4, ... pixels. Each coefficient is multiplied by its local significance:
0 where the mean square of the coefficients around it is what noise alone gives, 1 where it is far
above that. Structure is kept as it is; noise does not pass.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from framesort.workers import run_bands

__all__ = [
    "PixelNoise",
    "Rows",
    "clean_rows",
    "fit_noise",
    "noise_by_scale",
    "significant_part",
]

SCALES = 5
"""Details of 1 to 16 pixels are cleaned; what is wider is kept as it is."""

THRESHOLD = (1.9, 1.9, 1.6, 1.5, 1.5)
"""Mean square of the coefficients around a pixel that counts as none, in units of their noise;
one a scale."""

MARGIN = 192
"""Rows beyond a band that its significant part depends on."""

BAND = 512

Rows = Callable[[int, int], tuple[NDArray[np.float32], NDArray[np.float32]]]
"""Gives an image and its pixel noise, from a first row to a last one."""


@dataclass(frozen=True)
class PixelNoise:
    """Noise of a pixel as a function of the level: shot noise and all that does not depend on it.

    Attributes
    ----------
    constant, slope : float
        The variance at a level is ``constant + slope * level``, ADU^2.
    least : float
        The variance is nowhere less, ADU^2.
    """

    constant: float
    slope: float
    least: float

    def at(self, level: NDArray[np.float32]) -> NDArray[np.float32]:
        """Standard deviation at the given levels, ADU."""
        variance = np.float32(self.constant) + np.float32(self.slope) * level
        return np.sqrt(np.maximum(variance, np.float32(self.least)))


def fine_residual(image: NDArray) -> NDArray[np.float32]:
    """Each pixel against its eight neighbours, as noisy as the image (Immerkaer 1996, eq. 1).

    0 along the edges.
    """
    out = np.zeros(image.shape, np.float32)
    bend = image[:-2] - 2 * image[1:-1] + image[2:]
    out[1:-1, 1:-1] = (bend[:, :-2] - 2 * bend[:, 1:-1] + bend[:, 2:]) / 6
    return out


def fit_noise(level: NDArray, residual: NDArray) -> PixelNoise:
    """Pixel noise from fine residuals at known levels, by median deviations in bins of level."""
    if len(level) < 400:
        spread = 1.4826 * float(np.median(np.abs(residual))) if len(residual) else 1.0
        return PixelNoise(max(spread, 1e-12) ** 2, 0.0, 1e-24)
    edges = np.quantile(level, np.linspace(0, 1, 21))
    bins = np.clip(np.searchsorted(edges, level) - 1, 0, 19)
    middle, variance = [], []
    for k in range(20):
        inside = bins == k
        if inside.sum() > 15:
            middle.append(float(np.median(level[inside])))
            variance.append((1.4826 * float(np.median(np.abs(residual[inside])))) ** 2)
    slope, constant = np.polyfit(middle, variance, 1) if np.ptp(middle) > 0 else (0.0, variance[0])
    if slope < 0:  # not shot noise: coverage or a gradient
        slope, constant = 0.0, float(np.median(variance))
    return PixelNoise(float(constant), float(slope), max(0.5 * min(variance), 1e-24))


@njit(cache=True, nogil=True)
def _smooth(image: Any, step: Any, line: Any, out: Any) -> Any:
    """The cubic B-spline filter with holes of `step` pixels along rows, then along columns."""
    ny, nx = image.shape
    c0, c1, c2 = np.float32(0.375), np.float32(0.25), np.float32(0.0625)
    far = 2 * step
    for y in range(ny):
        row, new = image[y], line[y]
        for x in range(nx):
            if far <= x < nx - far:
                new[x] = (
                    c0 * row[x]
                    + c1 * (row[x - step] + row[x + step])
                    + c2 * (row[x - far] + row[x + far])
                )
            else:
                total = c0 * row[x]
                for k in range(-2, 3):
                    if k != 0:
                        i = (x + k * step) % (2 * nx)
                        i = i if i < nx else 2 * nx - 1 - i
                        total += (c1 if abs(k) == 1 else c2) * row[i]
                new[x] = total
    for y in range(ny):
        rows = np.empty(5, np.int64)
        for k in range(5):
            j = (y + (k - 2) * step) % (2 * ny)
            rows[k] = j if j < ny else 2 * ny - 1 - j
        a, b, c, d, e = line[rows[0]], line[rows[1]], line[rows[2]], line[rows[3]], line[rows[4]]
        new = out[y]
        for x in range(nx):
            new[x] = c0 * c[x] + c1 * (b[x] + d[x]) + c2 * (a[x] + e[x])


def smooth_scale(image: NDArray, scale: int) -> NDArray[np.float32]:
    """One step of the starlet transform; the image is mirrored at its edges."""
    image = np.ascontiguousarray(image, np.float32)
    out = np.empty_like(image)
    _smooth(image, 2**scale, np.empty_like(image), out)
    return out


def noise_by_scale(kernel: NDArray) -> tuple[float, ...]:
    """Standard deviation of each starlet scale of white noise of 1 convolved with a kernel."""
    half = kernel.shape[0] // 2
    far = half + MARGIN
    image = np.zeros((2 * far + 1, 2 * far + 1), np.float32)
    image[far - half : far + half + 1, far - half : far + half + 1] = kernel
    out = []
    for scale in range(SCALES):
        wide = smooth_scale(image, scale)
        out.append(float(np.sqrt(np.sum((image - wide) ** 2, dtype=float))))
        image = wide
    return tuple(out)


def clean_rows(image: NDArray, noise: NDArray, unit: tuple[float, ...]) -> NDArray[np.float32]:
    """The significant part of an image.

    Parameters
    ----------
    image, noise : (ny, nx) float32 ndarray
        Without NaN; the noise is that of a pixel before any convolution.
    unit : tuple of float
        Noise of each scale for a pixel noise of 1, from `noise_by_scale`.
    """
    out = np.zeros(image.shape, np.float32)
    for scale, share in enumerate(unit):
        wide = smooth_scale(image, scale)
        detail = image - wide
        z = detail / (np.float32(share) * noise)
        z *= z
        power = smooth_scale(z, scale)
        for _ in range(2):
            power = smooth_scale(power, min(scale + 1, SCALES - 1))
        np.maximum(power, np.float32(1e-6), out=power)
        weight = 1 - np.float32(THRESHOLD[scale]) / power
        np.maximum(weight, 0, out=weight)
        np.sqrt(weight, out=weight)
        detail *= weight
        out += detail
        image = wide
    out += image
    return out


def significant_part(
    rows: Rows, shape: tuple[int, int], unit: tuple[float, ...], *, halo: int = 0
) -> NDArray[np.float32]:
    """`clean_rows` of a whole image, in bands that threads take up."""
    out = np.empty(shape, np.float32)

    def work(first: int, last: int) -> None:
        low, high = max(0, first - MARGIN), min(shape[0], last + MARGIN)
        image, noise = rows(low, high)
        out[first:last] = clean_rows(image, noise, unit)[first - low : last - low]

    run_bands(work, shape[0], band=BAND)
    return out
