"""The sky without stars, and what of it is significant, scale by scale.

A starlet transform (Starck & Murtagh 2006, Astronomical Image and Data Analysis, ch. 2) splits an
image into details of 1, 2, 4, ... pixels. Each coefficient is multiplied by its local significance:
0 where the mean square of the coefficients around it is what noise alone gives, 1 where it is far
above that. Structure is kept as it is; noise does not pass.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numba import njit

from framesort.replacement._arrays import Array, Floats, Image
from framesort.replacement._robust import median_deviation
from framesort.workers import run_bands

__all__ = [
    "WHITE",
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
"""Rows beyond a band that its significant detail depends on."""

BAND = 256

COLUMNS = 1024
"""Columns that are cleaned at a time, so that an image is worked on in the processor's cache."""

SAMPLE = 500_000
"""Most pixels that the noise is measured from."""

BINS = 20

WHITE = np.ones((1, 1))
"""Kernel of noise that is not correlated."""

Rows = Callable[[int, int], tuple[Image, Image]]
"""Gives an image and its pixel noise, from a first row to a last one."""


@dataclass(frozen=True)
class PixelNoise:
    """Noise of a pixel as a function of the level: photon noise and a constant part.

    Attributes
    ----------
    constant, slope : float
        The variance at a level is ``constant + slope * level``, ADU^2.
    least : float
        The variance is nowhere less, ADU^2.
    kernel : (n, n) float ndarray
        White noise convolved with it is correlated as the noise is; its sum of squares is 1.
    """

    constant: float
    slope: float
    least: float
    kernel: Floats = field(default_factory=lambda: WHITE)

    @property
    def wide(self) -> float:
        """Noise of a mean over many pixels, in units of what independent pixels would give it."""
        return float(self.kernel.sum())

    def correlated(self, kernel: Floats, share: float) -> "PixelNoise":
        """The same where noise has that kernel and was measured too low: by its `share`."""
        more = 1 / share**2
        return PixelNoise(self.constant * more, self.slope * more, self.least * more, kernel)

    def at(self, level: Image) -> Image:
        """Standard deviation at the given levels, ADU."""
        variance = np.float32(self.constant) + np.float32(self.slope) * level
        return np.asarray(np.sqrt(np.maximum(variance, np.float32(self.least))))


def fine_residual(image: Array) -> Image:
    """Each pixel against its eight neighbours, as noisy as the image (Immerkaer 1996, eq. 1).

    0 along the edges.
    """
    out = np.zeros(image.shape, np.float32)
    bend = image[:-2] - 2 * image[1:-1] + image[2:]
    out[1:-1, 1:-1] = (bend[:, :-2] - 2 * bend[:, 1:-1] + bend[:, 2:]) / 6
    return out


def fit_noise(level: Array, residual: Array) -> PixelNoise:
    """Pixel noise from fine residuals at known levels, by median deviations in bins of level."""
    level, residual = (v[:: 1 + len(v) // SAMPLE] for v in (level, residual))
    if len(level) < 400:
        spread = median_deviation(residual) if len(residual) else 1.0
        return PixelNoise(max(spread, 1e-12) ** 2, 0.0, 1e-24)
    bins = np.array_split(np.argsort(level), BINS)
    middle = [float(level[inside[len(inside) // 2]]) for inside in bins]
    variance = [median_deviation(residual[inside]) ** 2 for inside in bins]
    slope, constant = np.polyfit(middle, variance, 1) if np.ptp(middle) > 0 else (0.0, variance[0])
    if slope < 0:  # not photon noise: coverage or a gradient
        slope, constant = 0.0, float(np.median(variance))
    return PixelNoise(float(constant), float(slope), max(0.5 * min(variance), 1e-24))


_ONCE = np.array([0.375, 0.25, 0.0625], np.float32)
"""The cubic B-spline filter from its centre outwards."""

_TWICE = np.array([70, 56, 28, 8, 1], np.float32) / 256
"""The same applied twice."""


@njit(cache=True, nogil=True)
def _mirror(place: Any, length: Any) -> Any:
    place %= 2 * length
    return place if place < length else 2 * length - 1 - place


@njit(cache=True, nogil=True)
def _along_rows(image: Any, taps: Any, step: Any, first: Any, last: Any, out: Any) -> Any:
    """A symmetric filter with holes of `step` pixels along rows `first` to `last`."""
    nx = image.shape[1]
    for y in range(first, last):
        row, new = image[y], out[y]
        for x in range(nx):
            new[x] = taps[0] * row[x]
        for k in range(1, len(taps)):
            tap, away = taps[k], k * step
            inner = max(0, nx - 2 * away)
            before, after = row[:inner], row[2 * away : 2 * away + inner]
            middle = new[away : away + inner]
            for x in range(inner):
                middle[x] += tap * (before[x] + after[x])
            for x in range(min(away, nx)):
                new[x] += tap * (row[_mirror(x - away, nx)] + row[_mirror(x + away, nx)])
            for x in range(max(away, nx - away), nx):
                new[x] += tap * (row[_mirror(x - away, nx)] + row[_mirror(x + away, nx)])


@njit(cache=True, nogil=True)
def _along_column(image: Any, taps: Any, step: Any, y: Any, new: Any) -> Any:
    """Row `y` of the same filter along columns."""
    ny, nx = image.shape
    row = image[y]
    for x in range(nx):
        new[x] = taps[0] * row[x]
    for k in range(1, len(taps)):
        tap = taps[k]
        before, after = image[_mirror(y - k * step, ny)], image[_mirror(y + k * step, ny)]
        for x in range(nx):
            new[x] += tap * (before[x] + after[x])


@njit(cache=True, nogil=True)
def _smooth(image: Any, taps: Any, step: Any, first: Any, last: Any, line: Any, out: Any) -> Any:
    """The filter along rows and columns, for rows `first` to `last`."""
    far = (len(taps) - 1) * step
    _along_rows(image, taps, step, max(0, first - far), min(len(image), last + far), line)
    for y in range(first, last):
        _along_column(line, taps, step, y, out[y])


@njit(cache=True, nogil=True)
def _square(image: Any, wide: Any, noise: Any, first: Any, last: Any, out: Any) -> Any:
    """The square of the detail over the pixel noise."""
    for y in range(first, last):
        row, low, sigma, new = image[y], wide[y], noise[y], out[y]
        for x in range(len(row)):
            z = (row[x] - low[x]) / sigma[x]
            new[x] = z * z


@njit(cache=True, nogil=True)
def _add_significant(
    image: Any, wide: Any, power: Any, threshold: Any, first: Any, last: Any, out: Any
) -> Any:
    """Add the detail times its significance, given the mean square around each pixel."""
    for y in range(first, last):
        row, low, p, new = image[y], wide[y], power[y], out[y - first]
        for x in range(len(row)):
            weight = np.float32(1) - threshold / max(p[x], np.float32(1e-30))
            new[x] += (row[x] - low[x]) * np.sqrt(max(weight, np.float32(0)))


def smooth_scale(image: Array, scale: int) -> Image:
    """One step of the starlet transform; the image is mirrored at its edges."""
    image = np.ascontiguousarray(image, np.float32)
    line, out = np.empty_like(image), np.empty_like(image)
    _smooth(image, _ONCE, 2**scale, 0, len(image), line, out)
    return out


def noise_by_scale(kernel: Array) -> tuple[float, ...]:
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


def _more(scale: int) -> int:
    """Step of the two further smoothings of a scale's mean square."""
    return int(2 ** min(scale + 1, SCALES - 1))


def _reaches() -> tuple[int, ...]:
    """How many rows on either side the result depends on, of the image that each scale splits."""
    out = [0]
    for scale in reversed(range(SCALES)):
        power = 2 * 2**scale + 4 * _more(scale)
        out.append(max(power, out[-1]) + 2 * 2**scale)
    return tuple(out[:0:-1])


_REACHES = _reaches()
REACH = _REACHES[0]
"""Rows beyond a band that its significant part depends on."""


def clean_rows(
    image: Array,
    noise: Array,
    unit: tuple[float, ...],
    first: int = 0,
    last: int | None = None,
) -> Image:
    """The significant part of an image.

    Parameters
    ----------
    image, noise : (ny, nx) float32 ndarray
        Without NaN; the noise is that of a pixel before any convolution.
    unit : tuple of float
        Noise of each scale for a pixel noise of 1, from `noise_by_scale`.
    first, last : int or None
        Rows that are wanted, all unless given. They depend on `REACH` rows on either side.

    Returns
    -------
    (last - first, nx) float32 ndarray
    """
    ny, nx = image.shape
    last = ny if last is None else last
    if nx > COLUMNS + 2 * REACH:
        out = np.empty((last - first, nx), np.float32)
        for left in range(0, nx, COLUMNS):
            low, right = max(0, left - REACH), min(nx, left + COLUMNS)
            cut = np.s_[:, low : min(nx, right + REACH)]
            part = clean_rows(
                np.ascontiguousarray(image[cut]),
                np.ascontiguousarray(noise[cut]),
                unit,
                first,
                last,
            )
            out[:, left:right] = part[:, left - low : right - low]
        return out
    line, square, power = (np.empty((ny, nx), np.float32) for _ in range(3))
    spare = [np.empty((ny, nx), np.float32) for _ in range(2)]
    out = np.zeros((last - first, nx), np.float32)
    for scale, share in enumerate(unit):
        step, more = 2**scale, _more(scale)
        wide = spare[scale % 2]

        def around(reach: int) -> tuple[int, int]:
            return max(0, first - reach), min(ny, last + reach)

        _smooth(image, _ONCE, step, *around(_REACHES[scale] - 2 * step), line, wide)
        _square(image, wide, noise, *around(2 * step + 4 * more), square)
        _smooth(square, _ONCE, step, *around(4 * more), line, power)
        _smooth(power, _TWICE, more, first, last, line, square)
        threshold = np.float32(THRESHOLD[scale] * share**2)
        _add_significant(image, wide, square, threshold, first, last, out)
        image = wide
    out += image[first:last]
    return out


def significant_part(rows: Rows, shape: tuple[int, ...], unit: tuple[float, ...]) -> Image:
    """`clean_rows` of a whole image, in bands that threads take up."""
    out = np.empty(shape, np.float32)

    def work(first: int, last: int) -> None:
        low, high = max(0, first - REACH), min(shape[0], last + REACH)
        image, noise = rows(low, high)
        out[first:last] = clean_rows(image, noise, unit, first - low, last - low)

    run_bands(work, shape[0], band=2 * BAND)
    return out
