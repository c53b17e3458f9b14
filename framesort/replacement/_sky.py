"""The sky without stars, and what of it is significant, scale by scale.

A starlet transform (Starck & Murtagh 2006, Astronomical Image and Data Analysis, ch. 2) splits an
image into details of 1, 2, 4, ... pixels. Each coefficient is multiplied by its local significance:
0 where the mean square of the coefficients around it is what noise alone gives, 1 where it is far
above that. Structure is kept as it is; noise does not pass.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Floats, Image
from framesort.replacement._robust import median_deviation
from framesort.replacement._starlet import (
    ONCE,
    REACH,
    TWICE,
    divide_rows,
    join_rows,
    smooth_grid,
    spread,
    squares,
    take_away,
    weigh_power,
)
from framesort.workers import run_bands, run_each

__all__ = [
    "WHITE",
    "PixelNoise",
    "Rows",
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
"""Pixels that the significant detail of one depends on, on either side."""

BAND = 128
"""Rows worked on at a time."""

SAMPLE = 500_000
"""Most pixels that the noise is measured from."""

BINS = 20

WHITE = np.ones((1, 1))
"""Kernel of noise that is not correlated."""

Rows = Callable[..., tuple[Image, Image]]
"""Gives an image and its pixel noise, from a first row to a last one, all columns unless told."""


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
    def measured(self) -> bool:
        """Whether it is more than a number to begin with."""
        return self.least > 0

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
    order = np.empty(len(level), np.int64)
    passes.sort_places(np.ascontiguousarray(level, np.float32).view(np.uint32), order)
    bins = np.array_split(order, BINS)
    middle = [float(level[inside[len(inside) // 2]]) for inside in bins]
    variance = run_each(lambda inside: median_deviation(residual[inside]) ** 2, bins)
    slope, constant = np.polyfit(middle, variance, 1) if np.ptp(middle) > 0 else (0.0, variance[0])
    if slope < 0:  # not photon noise: coverage or a gradient
        slope, constant = 0.0, float(np.median(variance))
    return PixelNoise(float(constant), float(slope), max(0.5 * min(variance), 1e-24))


def smooth_scale(image: Array, scale: int) -> Image:
    """One step of the starlet transform; the image is mirrored at its edges."""
    return smooth_grid(image, ONCE, 2**scale)


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


def _power(square: Image, scale: int, grid: int) -> Image:
    """Mean square around each place of a grid of every `grid`-th pixel, of a scale's squares."""
    once = square if scale == 0 else smooth_grid(square, ONCE, 2**scale // grid)
    return smooth_grid(once, TWICE, 2 ** min(scale + 1, SCALES - 1) // grid)


def significant_part(rows: Rows, shape: tuple[int, ...], unit: tuple[float, ...]) -> Image:
    """The significant part of an image.

    Parameters
    ----------
    rows : callable
        Gives the image and its pixel noise (that of a pixel before any convolution), float32 and
        without NaN; called twice for each row, by several threads.
    shape : tuple of int
        Of the image.
    unit : tuple of float
        Noise of each scale for a pixel noise of 1, from `noise_by_scale`.

    Returns
    -------
    (ny, nx) float32 ndarray
    """
    ny, nx = shape
    half = (ny + 1) // 2, (nx + 1) // 2
    grids = [np.empty(half, np.float32) for _ in range(4)]
    limits = [t * share**2 for t, share in zip(THRESHOLD, unit, strict=True)]

    def divide(first: int, last: int) -> None:
        low, high = max(0, first - REACH), min(ny, last + REACH)
        divide_rows(*rows(low, high), low, first, last, ONCE, tuple(grids))

    run_bands(divide, ny, band=BAND)
    sigma = grids.pop()
    # Large ones go as soon as they are used: this is where most memory is needed.
    second, finest = (weigh_power(_power(grids.pop(), k, 2), limits[k]) for k in (1, 0))
    rest = _less_coarse(grids.pop(), sigma, limits)
    del sigma
    out = np.empty(shape, np.float32)

    def join(first: int, last: int) -> None:
        low, high = max(0, first - REACH), min(ny, last + REACH)
        image, _ = rows(low, high)
        join_rows(image, low, first, last, ONCE, (finest, second), rest, out[first:last])

    run_bands(join, ny, band=BAND)
    return out


def _less_coarse(wide: Image, sigma: Image, limits: list[float]) -> Image:
    """What is taken away in the scales from the third on; all given at every second pixel."""
    fine, noise = wide, sigma
    coarser = smooth_grid(wide, ONCE, 2)
    least = np.ascontiguousarray(coarser[::2, ::2]), np.ascontiguousarray(sigma[::2, ::2])
    power = squares(np.ascontiguousarray(fine[::2, ::2]), *least)
    weight = weigh_power(_power(power, 2, 4), limits[2])
    image, noise = least
    rest = np.zeros_like(image)
    for scale in (3, 4):
        smooth = smooth_grid(image, ONCE, 2**scale // 4)
        power = _power(squares(image, smooth, noise), scale, 4)
        take_away(image, smooth, weigh_power(power, limits[scale]), rest)
        image = smooth
    out = spread(rest, fine.shape)
    take_away(fine, coarser, spread(weight, fine.shape), out)
    return out
