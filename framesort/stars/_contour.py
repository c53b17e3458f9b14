"""The half-maximum contour of a frame's stars, beyond what an elliptical profile can fit.

A star that moved on a straight line, turbulence, a pixel as wide as the star: none is quite an
elliptical Moffat profile, and a fit is narrower or rounder than the star by a few percent. The
residuals of the fits on the bright stars together show how far the true contour lies from theirs.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from framesort.records import MAD_TO_SIGMA
from framesort.stars._fit import HEIGHT, A, B, C, G, X, Y
from framesort.stars._growth import shape_numbers
from framesort.stars._least_squares import normal_matrix, solve_normal

__all__ = ["Contour", "measure_contour"]

_NEAR, _FAR = 0.55, 1.45
"""Ellipses between which the remainder is fitted, in half-maximum radii."""

_PRIOR = 0.03
"""Typical relative error of a fitted width: the residual has less weight where its own
uncertainty is not well below this."""

_LEAST_STARS = 3


@dataclass(frozen=True, kw_only=True)
class Contour:
    """Half-maximum contour of a frame's mean star.

    Attributes
    ----------
    ratio : float
        Its FWHM (diameter of the circle of equal area) over that of the mean fitted profile.
    eccentricity, angle : float
        Of the ellipse with the second moments of the area inside; degrees [0, 180).
    variance : float
        Of the distortion (a^2 - b^2) / (a^2 + b^2) that the remainder adds, both components.
    """

    ratio: float
    eccentricity: float
    angle: float
    variance: float = 0.0

    def without_noise(self, variance: float) -> "Contour":
        """The same without the distortion that noise alone makes of a round star.

        The mean square of a measured distortion is that of the star plus the variances of both
        components. `variance` is that of the mean fitted profile.
        """
        square = self.eccentricity**2
        distortion = square / (2 - square)
        real = np.sqrt(max(distortion**2 - variance - self.variance, 0.0))
        return replace(self, eccentricity=float(np.sqrt(2 * real / (1 + real))))


def _root(stars: NDArray[np.float64]) -> NDArray[np.float64]:
    """Symmetric square roots (n, 2, 2) of the shapes, which map half maximum onto a circle."""
    det = np.sqrt(np.maximum(stars[:, A] * stars[:, C] - stars[:, B] ** 2, 1e-24))
    over = 1 / np.sqrt(stars[:, A] + stars[:, C] + 2 * det)
    one = np.stack([stars[:, A] + det, stars[:, B]], axis=1)
    two = np.stack([stars[:, B], stars[:, C] + det], axis=1)
    return np.asarray(np.stack([one, two], axis=1) * over[:, None, None])


def _collect(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    level: NDArray[np.float64],
    noise: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Rows of u, v (half-maximum radii), remainder over height, its weight."""
    ny, nx = residual.shape
    roots = _root(stars)
    reach = _FAR / 2 * float(np.median(shape_numbers(stars)["major"])) + 1
    step = np.arange(-int(np.ceil(reach)), int(np.ceil(reach)) + 1)
    x = np.rint(stars[:, X]).astype(int)[:, None, None] + step
    y = np.rint(stars[:, Y]).astype(int)[:, None, None] + step[:, None]
    inside = (x >= 0) & (x < nx) & (y >= 0) & (y < ny)
    values = residual[np.where(inside, y, 0), np.where(inside, x, 0)].astype(float)
    dx, dy = x - stars[:, X, None, None], y - stars[:, Y, None, None]
    u = roots[:, 0, 0, None, None] * dx + roots[:, 0, 1, None, None] * dy
    v = roots[:, 1, 0, None, None] * dx + roots[:, 1, 1, None, None] * dy
    # A floor keeps the few brightest stars from deciding alone.
    relative = noise / stars[:, HEIGHT]
    weight = 1 / (relative**2 + np.median(relative) ** 2 * 0.1)
    good = inside & np.isfinite(values) & (u * u + v * v < _FAR**2)
    remainder = (values - level[:, None, None]) / stars[:, HEIGHT, None, None]
    spread = np.broadcast_to(weight[:, None, None], good.shape)
    return np.stack([part[good] for part in (u, v, remainder, spread)])


def _basis(radius: NDArray[np.float64], turn: NDArray[np.float64]) -> NDArray[np.float64]:
    """Even harmonics, each with a parabola in radius: odd ones do not change width or shape."""
    off = radius - 1
    around = [np.ones_like(turn)]
    for order in (2, 4):
        around += [np.cos(order * turn), np.sin(order * turn)]
    return np.stack([a * off**power for a in around for power in range(3)], axis=-1)


def _solve(
    design: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Weighted least squares without outliers (a neighbour, a hot pixel); and the covariance."""
    keep = np.ones(len(values), bool)
    for _ in range(3):
        count, free = int(keep.sum()), design.shape[1]
        if count < 2 * free:
            return None
        chosen, w = design[keep], weight[keep]
        normal = normal_matrix(chosen, w)
        if np.linalg.matrix_rank(normal) < free:
            return None
        solution = solve_normal(normal, chosen, values[keep], w)
        scaled = (values - np.einsum("ki,i->k", design, solution)) * np.sqrt(weight)
        spread = MAD_TO_SIGMA * float(np.median(np.abs(scaled[keep])))
        keep = np.abs(scaled) < 4 * max(spread, 1e-30)
    return solution, np.asarray(np.linalg.inv(normal) * spread**2)


def measure_contour(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    level: NDArray[np.float64],
    noise: NDArray[np.float64],
    mean: NDArray[np.float64],
) -> Contour:
    """Half-maximum contour of the mean star: the fitted ellipse, moved by what fits leave.

    In coordinates in which the fitted half maximum is the unit circle, the remainder over the
    height is fitted by second and fourth harmonics around it; the contour is where profile plus
    remainder are half of profile plus remainder in the centre.

    Parameters
    ----------
    residual : (ny, nx) float32 ndarray
        The image after all fitted stars were subtracted.
    stars : (m, 8) float64 ndarray
        Bright, isolated stars.
    level, noise : (m,) float64 ndarray
        What is left of the background at each, and the noise per pixel.
    mean : (8,) float64 ndarray
        The frame's mean profile.

    Returns
    -------
    Contour
        That of `mean` where the stars are too few.
    """
    fitted = {name: float(value[0]) for name, value in shape_numbers(mean[None]).items()}
    plain = Contour(
        ratio=1.0, eccentricity=fitted["eccentricity"], angle=fitted["elongation_angle"]
    )
    known = np.isfinite(level)
    if known.sum() < _LEAST_STARS:
        return plain
    u, v, remainder, weight = _collect(residual, stars[known], level[known], noise[known])
    radius, turn = np.hypot(u, v), np.arctan2(v, u)
    core, ring = radius < 0.6, radius > _NEAR
    top = _solve(
        np.stack([np.ones(core.sum()), radius[core] ** 2], axis=1), remainder[core], weight[core]
    )
    edge = _solve(_basis(radius[ring], turn[ring]), remainder[ring], weight[ring])
    if top is None or edge is None:
        return plain
    around = np.arange(72) * np.pi / 36
    grid = np.linspace(_NEAR, _FAR, 91)
    profile = (1 + (2 ** mean[G] - 1) * grid**2) ** (-1 / mean[G])
    # Both uncertainties over the profile's slope at half maximum, as of a radius.
    slope = -float(np.interp(1.0, grid, np.gradient(profile, grid)))
    error = np.sqrt(edge[1][0, 0] + 0.25 * top[1][0, 0]) / slope
    share = _PRIOR**2 / (_PRIOR**2 + error**2)
    light = profile + share * np.einsum("abi,i->ab", _basis(*np.meshgrid(grid, around)), edge[0])
    half = 0.5 * (1 + share * top[0][0])
    # The last radius, from inside, at which the light is still above half.
    crossing = np.array([_crossing(grid, row, half) for row in light])
    if not np.isfinite(crossing).all():
        return plain
    points = np.linalg.solve(
        _root(mean[None])[0], crossing * np.stack([np.cos(around), np.sin(around)])
    )
    area, eccentricity, angle = _area_shape(*points)
    # Second harmonics, at the contour: rows 3 and 6 of the basis.
    wobble = 4 * share**2 * (edge[1][3, 3] + edge[1][6, 6]) / slope**2
    return Contour(
        ratio=2 * np.sqrt(area / np.pi) / fitted["fwhm"],
        eccentricity=eccentricity,
        angle=angle,
        variance=float(wobble),
    )


def _crossing(grid: NDArray[np.float64], light: NDArray[np.float64], half: float) -> float:
    """Radius at which light falls through `half`; NaN where it does not."""
    below = np.flatnonzero(light < half)
    if len(below) == 0 or below[0] == 0:
        return np.nan
    k = int(below[0])
    return float(grid[k] - (grid[k] - grid[k - 1]) * (half - light[k]) / (light[k - 1] - light[k]))


def _area_shape(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float, float]:
    """Area, eccentricity and angle of a polygon about the origin, from its second moments."""
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y2 - x2 * y
    area = 0.5 * float(cross.sum())
    xx = float((cross * (x * x + x * x2 + x2 * x2)).sum()) / 12
    yy = float((cross * (y * y + y * y2 + y2 * y2)).sum()) / 12
    xy = float((cross * (x * y2 + 2 * x * y + 2 * x2 * y2 + x2 * y)).sum()) / 24
    root = np.hypot(xx - yy, 2 * xy)
    ratio = max(xx + yy - root, 0.0) / (xx + yy + root)
    angle = float(np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180)
    return abs(area), float(np.sqrt(1 - ratio)), angle
