"""What a frame's typical star looks like, before and between the fits."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.spatial import cKDTree

from framesort.stars._background import Map, WholeMap
from framesort.stars._detect import KERNEL_SHARE, find_candidates
from framesort.stars._fit import (
    BACK,
    COUNT,
    HEIGHT,
    QUALITY,
    A,
    B,
    C,
    G,
    X,
    Y,
    draw_stars,
    fit_stars,
)
from framesort.stars._growth import clipped_mean, core_flux, shape_numbers

__all__ = [
    "FIT_RADIUS",
    "G_START",
    "LEAST_WIDTH",
    "RAISE",
    "find_isolated",
    "guess_star",
    "joint_index",
    "mean_star",
    "place_stars",
    "star_depth",
]

RAISE = 1 + KERNEL_SHARE**2

LEAST_WIDTH = 1.25
"""Nothing that came through the optics is narrower than this across (FWHM, pixels): a point
fills one pixel, and the narrowest profile of which half the light leaves it has 1.4."""

FIT_RADIUS = 2.2
"""Radius of the circle that is fitted, FWHM."""

G_START = 0.25
"""One over the Moffat index to begin with: index 4, between turbulence and optics."""

_SHAPE_SPREAD = 0.002
"""By how much the shapes of bright stars of one frame differ at least, relative."""


def place_stars(
    places: NDArray[Any], height: NDArray[Any], mean: NDArray[Any]
) -> NDArray[np.float64]:
    """Stars to begin with: at the maxima, in the mean shape."""
    stars = np.tile(mean, (len(places), 1))
    # A Gaussian smoothed with one of r times its width has its height over 1 + r^2.
    stars[:, HEIGHT] = RAISE * height
    stars[:, BACK] = 0
    stars[:, X], stars[:, Y] = places[:, 0], places[:, 1]
    return stars


def _round_star(fwhm: float, g: float) -> NDArray[np.float64]:
    star = np.zeros(COUNT)
    star[[HEIGHT, A, C, G]] = 1, 4 / fwhm**2, 4 / fwhm**2, g
    return star


def mean_star(
    stars: NDArray[np.float64], g: float, depth: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Median width, and mean of the shapes without it; and the variance of its distortion.

    The variance is that of (a^2 - b^2) / (a^2 + b^2), sum of both components. `depth` is the
    signal to noise of each star: the error of a shape is one over it, beside what stars of any
    brightness differ by.
    """
    det = stars[:, A] * stars[:, C] - stars[:, B] ** 2
    width = np.median(det**-0.25)
    # The inverse matrices, made of equal area, average like second moments.
    v = stars[:, [C, B, A]] / np.sqrt(det)[:, None]
    weight = 1 / (1 / np.maximum(depth, 1) ** 2 + _SHAPE_SPREAD**2)
    both = np.column_stack([0.5 * (v[:, 0] - v[:, 2]), -v[:, 1]])
    (plus, cross), error = clipped_mean(both, weight)
    # Of unit area: the half sum of the diagonal follows.
    whole = np.sqrt(1 + plus**2 + cross**2)
    star = np.zeros(COUNT)
    shape = np.array([whole - plus, -cross, whole + plus]) / width**2
    star[HEIGHT], star[[A, B, C]], star[G] = 1, shape[[0, 1, 2]], g
    return star, float(np.sum(error**2) / whole**2)


def guess_star(residual: NDArray[np.float32], noise: Map) -> NDArray[np.float64]:
    """Typical profile from the middle of the image, or all of it where that holds few stars."""
    ny, nx = residual.shape
    best, best_fwhm = 0, 3.0
    # Sharp stars first; then wide ones, of which the single pixels hardly leave the noise.
    for size, fwhm, threshold in ((1024, 2.5, 12.0), (2048, 2.5, 12.0), (2048, 6.0, 7.0)):
        y0, x0 = max(0, (ny - size) // 2), max(0, (nx - size) // 2)
        image = np.ascontiguousarray(residual[y0 : y0 + size, x0 : x0 + size])
        sigma = noise.part(y0, y0 + len(image), x0, x0 + image.shape[1])
        found, width = _settle_width(image, WholeMap(sigma), fwhm, threshold)
        if found > best:
            best, best_fwhm = found, width
        if best >= 10:
            break
    return _round_star(best_fwhm, G_START)


def _settle_width(
    image: NDArray[np.float32], noise: Map, fwhm: float, threshold: float
) -> tuple[int, float]:
    """Number of stars that could be fitted and their median FWHM, from a first guess of it."""
    found = 0
    for _ in range(5):
        places, height = find_candidates(image, noise, fwhm=fwhm, threshold=threshold)
        places, height = places[:100], height[:100]
        n = len(places)
        stars = place_stars(places, height, _round_star(fwhm, G_START))
        sigma = noise.at(places[:, 0], places[:, 1]).astype(float)
        quality = np.zeros(n, QUALITY)
        radius = np.full(n, max(3.5, FIT_RADIUS * fwhm))
        work, order = image.copy(), np.arange(n)
        draw_stars(work, stars, order, -1.0, sigma)
        fit_stars(work, stars, order, radius, np.full(n, 7), 12, sigma, quality)
        shape = shape_numbers(stars)
        good = (quality["success"] == 1) & (shape["minor"] > LEAST_WIDTH)
        found = int(good.sum())
        if found < 3:
            break
        new = _common_width(shape["fwhm"][good])
        settled = abs(new - fwhm) < 0.1 * fwhm
        fwhm = float(np.clip(new, 0.5 * fwhm, 2 * fwhm))
        if settled:
            break
    return found, fwhm


def _common_width(widths: NDArray[np.float64]) -> float:
    """The width that most share: middle of the shortest stretch of log width with a fifth of all.

    Stars of a frame have one width; knots of nebula, which may be more, are of all widths.
    """
    sample = np.sort(np.log(widths))
    count = min(len(sample), max(5, len(sample) // 5))
    first = int(np.argmin(sample[count - 1 :] - sample[: len(sample) - count + 1]))
    return float(np.exp(np.median(sample[first : first + count])))


def joint_index(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    order: NDArray[np.int64],
    radii: NDArray[np.float64],
    sigma: NDArray[np.float64],
) -> float:
    """The one index that fits many faint stars best together; images and stars unchanged."""
    trial = np.array([0.02, 0.12, 0.22, 0.32, 0.42, 0.52])
    cost = np.empty(len(trial))
    for k, g in enumerate(trial):
        work, copy = residual.copy(), stars.copy()
        draw_stars(work, copy, order, 1.0, sigma)
        copy[:, G] = g
        draw_stars(work, copy, order, -1.0, sigma)
        quality = np.zeros(len(stars), QUALITY)
        fit_stars(work, copy, order, radii, np.full(len(stars), 7), 25, sigma, quality)
        cost[k] = np.sum(quality["cost"][order] / sigma[order] ** 2)
    # Typical values, where the stars do not decide.
    cost += ((trial - G_START) / 0.15) ** 2
    fine = np.linspace(trial[0], trial[-1], 101)
    return float(fine[np.argmin(CubicSpline(trial, cost)(fine))])


def star_depth(
    stars: NDArray[np.float64], sigma: NDArray[np.float64], fwhm: float
) -> NDArray[np.float64]:
    """Signal to noise if the background alone made the noise (King 1983, PASP 95, 163).

    Flux over the noise in the noise-equivalent area, 4 pi s^2 for a Gaussian of width s.
    """
    return np.asarray(
        np.maximum(core_flux(stars), 0) / (sigma * np.sqrt(4 * np.pi) * fwhm / 2.3548)
    )


def find_isolated(x: Any, y: Any, flux: NDArray[np.float64], fwhm: float) -> NDArray[np.bool_]:
    """No neighbour that could affect a measurement even after its profile was subtracted."""
    result = np.ones(len(flux), bool)
    if len(flux) < 2:
        return result
    pairs = cKDTree(np.column_stack([x, y])).query_pairs(4 * fwhm, output_type="ndarray")
    distance = np.hypot(x[pairs[:, 0]] - x[pairs[:, 1]], y[pairs[:, 0]] - y[pairs[:, 1]])
    # A neighbour's light falls steeply with distance: allow a sixth of the star's own flux
    # at 2 FWHM and as much as its own at 3.6.
    allowed = 0.1 * 10 ** np.clip(distance / (2 * fwhm) - 0.8, -1, 1)
    for me, other in ((0, 1), (1, 0)):
        bad = flux[pairs[:, other]] > allowed * flux[pairs[:, me]]
        result[pairs[bad, me]] = False
    return result
