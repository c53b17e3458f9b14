"""How star width and background change over the field: tilt, curvature, gradient."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from framesort.records import MAD_TO_SIGMA
from framesort.stars._background import Map, WholeMap
from framesort.stars._least_squares import normal_matrix, solve_normal
from framesort.stars._pixels import Pixels

__all__ = ["WidthMap", "fit_slope", "half_diagonal", "map_widths"]

_MESH = 64
"""Pixels over which a background is taken together, see `estimate_background`."""

_LEAST_STARS = 12
"""Three for each of the four numbers that are fitted."""

_HUBER = 1.345
"""Standard deviations beyond which a value counts less: 95 % efficient for normal scatter
(Huber 1964, Ann. Math. Stat. 35, 73; the number is common practice)."""


@dataclass(frozen=True, kw_only=True)
class WidthMap:
    """FWHM over the field as tilt and curvature, pixels.

    Attributes
    ----------
    centre : float
        In the middle of the image.
    corners, corners_err : float
        Mean of the four corners, and the uncertainty of corners less centre.
    tilt, tilt_err : float
        How much wider stars are at one end of a diagonal's length than at the other, along
        the direction in which they widen.
    """

    centre: float = np.nan
    corners: float = np.nan
    corners_err: float = np.nan
    tilt: float = np.nan
    tilt_err: float = np.nan


def _fit(
    design: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust weighted least squares: solution and its covariance."""
    w = weight.copy()
    for _ in range(10):
        normal = normal_matrix(design, w)
        solution = solve_normal(normal, design, values, w)
        scaled = np.abs(values - np.einsum("ki,i->k", design, solution)) * np.sqrt(weight)
        # Values of exactly one kind (a drawn plane) have no scatter at all.
        spread = max(MAD_TO_SIGMA * float(np.median(scaled)), 1e-12 * float(np.abs(values).max()))
        w = weight * np.minimum(1, _HUBER * spread / np.maximum(scaled, 1e-300))
    inverse = np.linalg.inv(normal)
    residual = w * (values - np.einsum("ki,i->k", design, solution))
    middle = normal_matrix(design, residual**2)
    count, free = design.shape
    # The sandwich of White 1980 (Econometrica 48, 817): scatter as seen, not as weighted.
    covariance = inverse @ middle @ inverse * (count / max(1, count - free))
    return solution, np.asarray(covariance)


def half_diagonal(pixels: Pixels) -> float:
    """Distance from the middle of an image to its farthest pixel with data, pixels.

    Half a diagonal, but for an image whose corners are empty (a frame turned on its grid).
    """
    ny, nx = pixels.shape
    far = 0.0
    for k in range((ny + 1) // 2):  # the outermost rows first
        height = 0.5 * ny - k
        if np.hypot(height, 0.5 * nx) <= far:
            break
        for y in (k, ny - 1 - k):
            known = np.isfinite(pixels.rows(y, y + 1)[0])
            if known.any():
                first, last = int(np.argmax(known)), nx - 1 - int(np.argmax(known[::-1]))
                width = max(0.5 * (nx - 1) - first, last - 0.5 * (nx - 1)) + 0.5
                far = max(far, float(np.hypot(width, height)))
    return far


def map_widths(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    fwhm: NDArray[np.float64],
    error: NDArray[np.float64],
    shape: tuple[int, int],
    *,
    half: float | None = None,
) -> WidthMap:
    """Fit FWHM over the field by a tilt and a bowl: f = a + b X + c Y + d (X^2 + Y^2).

    X and Y are measured from the middle of the image in half diagonals, so that corners are
    at 1. A tilted sensor in a curved focus gives tilt and bowl; a bowl off the axis gives
    both as well.

    Parameters
    ----------
    x, y, fwhm, error : (n,) float ndarray
        Of clean stars, pixels.
    shape : (ny, nx)
        Of the image.
    half : float or None
        Half its diagonal, or as far as it has data, see `half_diagonal`; None: that of `shape`.

    Returns
    -------
    WidthMap
        NaN for fewer than 12 stars, or where the corners' width is uncertain by more than a
        fifth.
    """
    good = np.isfinite(fwhm) & np.isfinite(error)
    if good.sum() < _LEAST_STARS:
        return WidthMap()
    ny, nx = shape
    half = 0.5 * float(np.hypot(nx, ny)) if half is None else half
    u, v = (x[good] - 0.5 * (nx - 1)) / half, (y[good] - 0.5 * (ny - 1)) / half
    design = np.column_stack([np.ones(len(u)), u, v, u * u + v * v])
    if np.linalg.matrix_rank(design) < 4:
        return WidthMap()
    # Stars differ by a percent for other reasons (blends, the place within a pixel).
    weight = 1 / (error[good] ** 2 + (0.01 * np.median(fwhm[good])) ** 2)
    a, covariance = _fit(design, fwhm[good], weight / weight.max())
    slope = float(np.hypot(a[1], a[2]))
    along = a[1:3] / slope if slope > 0 else np.array([1.0, 0.0])
    corners_err = float(np.sqrt(covariance[3, 3]))
    if not (0 < a[0] and corners_err < 0.2 * abs(a[0] + a[3])):
        return WidthMap()
    return WidthMap(
        centre=float(a[0]),
        corners=float(a[0] + a[3]),
        corners_err=corners_err,
        tilt=2 * slope,
        tilt_err=2 * float(np.sqrt(along @ covariance[1:3, 1:3] @ along)),
    )


def fit_slope(
    level: NDArray[np.float32] | Map, pixels: Pixels | None = None, *, half: float | None = None
) -> float:
    """Rise of a plane through a background over a diagonal, with bright structure given low weight.

    Parameters
    ----------
    level : (ny, nx) float32 ndarray or Map
        Background as of `estimate_background`, ADU.
    pixels : Pixels or None
        The image; where it is NaN the background is a guess, which does not count.
    half : float or None
        As for `map_widths`.
    """
    known_level = WholeMap(level) if isinstance(level, np.ndarray) else level
    ny, nx = known_level.shape
    step = max(1, min(ny, nx) // 64)
    sample = known_level.every(step, step // 2).astype(float)
    if min(sample.shape) < 2 or not np.isfinite(sample).all():
        return np.nan
    half = 0.5 * float(np.hypot(nx, ny)) if half is None else half
    known = np.ones(sample.size, dtype=bool)
    if pixels is not None:
        every = slice(step // 2, None, step)
        filled = np.isfinite(pixels.part(every, every)).astype(np.float32)
        # A part of the background's mesh with missing pixels measures a place beside its centre.
        inner = uniform_filter(filled, 2 * (_MESH // step) + 1, mode="nearest") > 0.9
        known = ((filled > 0) & inner).ravel()
        if known.sum() < 0.05 * filled.sum():
            known = filled.ravel() > 0
    v, u = (np.indices(sample.shape) * step - np.reshape(sample.shape, (2, 1, 1)) * step / 2) / half
    design = np.column_stack([np.ones(sample.size), u.ravel(), v.ravel()])
    if known.sum() < 4 or np.linalg.matrix_rank(design[known]) < 3:
        return np.nan
    a, _ = _fit(design[known], sample.ravel()[known], np.ones(int(known.sum())))
    return 2 * float(np.hypot(a[1], a[2]))
