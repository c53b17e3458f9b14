"""How star width and background change over the field: tilt, curvature, gradient."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Slope", "WidthMap", "fit_slope", "map_widths"]

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
    tilt_angle : float
        That direction, degrees counter-clockwise from +x, [0, 360).
    """

    centre: float = np.nan
    corners: float = np.nan
    corners_err: float = np.nan
    tilt: float = np.nan
    tilt_err: float = np.nan
    tilt_angle: float = np.nan


@dataclass(frozen=True, kw_only=True)
class Slope:
    """Plane through a background: rise over a diagonal's length, and its direction in degrees."""

    rise: float = np.nan
    angle: float = np.nan


def _fit(
    design: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust weighted least squares: solution and its covariance."""
    w = weight.copy()
    for _ in range(10):
        # Not by BLAS: its rounding changes with the number of its threads.
        normal = np.einsum("ki,kj->ij", design, design * w[:, None])
        solution = np.linalg.solve(normal, np.einsum("ki,k->i", design, w * values))
        scaled = np.abs(values - np.einsum("ki,i->k", design, solution)) * np.sqrt(weight)
        # Values of exactly one kind (a drawn plane) have no scatter at all.
        spread = max(1.4826 * float(np.median(scaled)), 1e-12 * float(np.abs(values).max()))
        w = weight * np.minimum(1, _HUBER * spread / np.maximum(scaled, 1e-300))
    inverse = np.linalg.inv(normal)
    residual = w * (values - np.einsum("ki,i->k", design, solution))
    middle = np.einsum("ki,kj->ij", design, design * (residual**2)[:, None])
    count, free = design.shape
    # The sandwich of White 1980 (Econometrica 48, 817): scatter as seen, not as weighted.
    covariance = inverse @ middle @ inverse * (count / max(1, count - free))
    return np.asarray(solution), np.asarray(covariance)


def map_widths(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    fwhm: NDArray[np.float64],
    error: NDArray[np.float64],
    shape: tuple[int, int],
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

    Returns
    -------
    WidthMap
        NaN for fewer than 12 stars, or where the stars do not tell the corners' width to a
        fifth of itself.
    """
    good = np.isfinite(fwhm) & np.isfinite(error)
    if good.sum() < _LEAST_STARS:
        return WidthMap()
    ny, nx = shape
    half = 0.5 * np.hypot(nx, ny)
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
        tilt_angle=float(np.degrees(np.arctan2(a[2], a[1])) % 360),
    )


def fit_slope(level: NDArray[np.float32]) -> Slope:
    """Plane through a background, where it lies not in the bright parts that stand out.

    Parameters
    ----------
    level : (ny, nx) float32 ndarray
        Background as of `estimate_background`, ADU.
    """
    ny, nx = level.shape
    step = max(1, min(ny, nx) // 64)
    sample = level[step // 2 :: step, step // 2 :: step].astype(float)
    if min(sample.shape) < 2 or not np.isfinite(sample).all():
        return Slope()
    half = 0.5 * np.hypot(nx, ny)
    v, u = (np.indices(sample.shape) * step - np.reshape(sample.shape, (2, 1, 1)) * step / 2) / half
    design = np.column_stack([np.ones(sample.size), u.ravel(), v.ravel()])
    a, _ = _fit(design, sample.ravel(), np.ones(sample.size))
    return Slope(
        rise=2 * float(np.hypot(a[1], a[2])),
        angle=float(np.degrees(np.arctan2(a[2], a[1])) % 360),
    )
