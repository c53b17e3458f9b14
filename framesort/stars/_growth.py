"""How a frame's star light grows with radius: total flux and half-flux radius.

The core of a star is fitted; what the fit misses in the wings is the same share of the light
for all stars of a frame, so it is measured on the bright ones together (the curve of growth,
Stetson 1990, PASP 102, 932) and applied to all.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop
from framesort.records import MAD_TO_SIGMA
from framesort.stars._fit import HEIGHT, A, B, C, G, X, Y

__all__ = ["Growth", "core_flux", "measure_growth", "ring_light", "shape_numbers"]

_END = 10.0
"""Radius at which the light of the Moffat profile is taken to end, in FWHM."""

_CUT = 3.0
"""Deviations from the median beyond which a value is not averaged."""


@dataclass(frozen=True)
class Growth:
    """Total over core light, and half-flux radius over FWHM, of a frame."""

    total: float
    half_radius: float


def shape_numbers(stars: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """Widths along both axes, eccentricity and angle from the shape parameters."""
    a, b, c = stars[:, A], stars[:, B], stars[:, C]
    root = np.hypot(a - c, 2 * b)
    small, large = 0.5 * (a + c - root), 0.5 * (a + c + root)
    small = np.maximum(small, 1e-12)
    return {
        "fwhm": 2 * (small * large) ** -0.25,
        "major": 2 / np.sqrt(small),
        "minor": 2 / np.sqrt(large),
        "eccentricity": np.sqrt(np.clip(1 - small / large, 0, 1)),
        "elongation_angle": np.degrees(0.5 * np.arctan2(-2 * b, c - a)) % 180,
    }


def _inside(q: Any, g: Any) -> Any:
    """Integral of (1 + c q)^(-1/g) from 0 to q: times pi over sqrt(det), the light inside."""
    c = 2**g - 1
    power = 1 / g - 1
    return (1 - (1 + c * q) ** -power) / (c * power)


def core_flux(stars: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light inside the ellipse at twice the half-maximum radius (q = 4), ADU."""
    det = np.maximum(stars[:, A] * stars[:, C] - stars[:, B] ** 2, 1e-24)
    return np.asarray(stars[:, HEIGHT] * np.pi / np.sqrt(det) * _inside(np.float64(4), stars[:, G]))


def _model_growth(star: NDArray[np.float64], radius: NDArray[np.float64]) -> NDArray[np.float64]:
    """Light of the fitted ellipse inside circles, over its core light."""
    angle = (np.arange(64) + 0.5) * np.pi / 64
    k = (
        star[A] * np.cos(angle) ** 2
        + 2 * star[B] * np.cos(angle) * np.sin(angle)
        + star[C] * np.sin(angle) ** 2
    )
    inside = _inside(k * radius[:, None] ** 2, star[G]) / k
    det = star[A] * star[C] - star[B] ** 2
    return np.asarray(inside.mean(axis=1) * np.sqrt(det) / _inside(np.float64(4), star[G]))


@loop()
def _ring_means(image: Any, stars: Any, order: Any, width: Any, rings: Any, limit: Any) -> Any:
    """Mean of the image in rings around each star; NaN where a ring is less than half there.

    A profile was subtracted only as far as it exceeds `limit`; the rest of it goes here.
    """
    ny, nx = image.shape
    out = np.empty((order.size, rings))
    count = np.empty(rings)
    reach = int(width * rings) + 1
    for k in range(order.size):
        p = stars[order[k]]
        px, py = p[X], p[Y]
        c = 2.0 ** p[G] - 1.0
        q_end = ((p[HEIGHT] / limit[k]) ** p[G] - 1.0) / c
        out[k] = 0.0
        count[:] = 0.0
        x0, y0 = int(np.round(px)), int(np.round(py))
        for y in range(max(0, y0 - reach), min(ny, y0 + reach + 1)):
            for x in range(max(0, x0 - reach), min(nx, x0 + reach + 1)):
                r = int(np.sqrt((x - px) ** 2 + (y - py) ** 2) / width)
                if r < rings and np.isfinite(image[y, x]):
                    dx, dy = x - px, y - py
                    q = p[A] * dx * dx + 2.0 * p[B] * dx * dy + p[C] * dy * dy
                    value = float(image[y, x])
                    if q >= q_end:
                        value -= p[HEIGHT] * np.exp(-np.log(1.0 + c * q) / p[G])
                    out[k, r] += value
                    count[r] += 1.0
        for r in range(rings):
            area = np.pi * width * width * (2 * r + 1)
            out[k, r] = out[k, r] / count[r] if count[r] > 0.5 * area else np.nan
    return out


def clipped_mean(
    values: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted mean along axis 0 without what lies far from the median, and its uncertainty.

    NaN is left out. The uncertainty is that of the scatter seen, not of the weights.
    """
    good = np.isfinite(values)
    filled = np.where(good, values, np.nan)
    some = good.any(axis=0)
    centre, spread = np.zeros(values.shape[1:]), np.zeros(values.shape[1:])
    centre[some] = np.nanmedian(filled[:, some], axis=0)
    # Each value is judged by its own expected error, which falls with its weight.
    scaled = np.abs(filled - centre) * np.sqrt(weight)[:, None]
    spread[some] = MAD_TO_SIGMA * np.nanmedian(scaled[:, some], axis=0)
    good &= scaled <= _CUT * np.maximum(spread, 1e-30)
    w = np.where(good, weight[:, None], 0.0)
    norm = np.maximum(w.sum(axis=0), 1e-300)
    mean = (w * np.where(good, values, 0)).sum(axis=0) / norm
    number = np.maximum((w > 0).sum(axis=0), 1)
    residual = (w * np.where(good, values - mean, 0)) ** 2
    error = np.sqrt(residual.sum(axis=0)) / norm * np.sqrt(number / np.maximum(number - 1, 1))
    bad = (w > 0).sum(axis=0) < 2
    return np.where(some, mean, np.nan), np.where(bad, np.inf, error)


def ring_light(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    bright: NDArray[np.int64],
    noise: NDArray[np.float64],
    fwhm: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """What the fits of bright stars leave, in rings out to 6 FWHM.

    Returns
    -------
    means : (m, rings) float ndarray
        Mean of the remainder in each ring less `level`; NaN where it has too few pixels.
    level : (m,) float ndarray
        Local background: what the outer quarter of the rings holds.
    width : float
        Of a ring, pixels.
    """
    width = max(1.0, 0.5 * fwhm)
    rings = int(np.ceil(6 * fwhm / width))
    means = _ring_means(residual, stars, bright, width, rings, 0.1 * noise)
    level = np.mean(means[:, -max(2, rings // 4) :], axis=1)
    return means - level[:, None], level, width


def measure_growth(
    rings: NDArray[np.float64],
    width: float,
    core: NDArray[np.float64],
    mean_star: NDArray[np.float64],
    noise: NDArray[np.float64],
) -> Growth:
    """Total light over core light, and half-flux radius over FWHM.

    Parameters
    ----------
    rings, width
        As of `ring_light` for bright, isolated stars.
    core : (m,) float64 ndarray
        Their core light.
    mean_star : (8,) float64 ndarray
        The frame's mean profile.
    noise : (m,) float64 ndarray
        Noise per pixel at each.
    """
    fwhm = float(shape_numbers(mean_star[None])["fwhm"][0])
    grid = np.concatenate([np.arange(0.05, 3, 0.01), np.arange(3, _END + 0.01, 0.05)]) * fwhm
    growth = _model_growth(mean_star, grid)
    if len(core) >= 3:
        number = rings.shape[1]
        means = rings / core[:, None]
        # A floor of the relative error keeps the few brightest stars from deciding alone.
        weight = 1 / ((noise / core) ** 2 + np.median(noise / core) ** 2 * 0.1)
        mean, error = clipped_mean(means, weight)
        area = np.pi * width**2 * (2 * np.arange(number) + 1)
        usable = np.isfinite(mean) & np.isfinite(error)
        light = np.where(usable, mean, 0) * area
        spread = np.where(usable, error, 0) * area
        edges = width * np.arange(1, number + 1)
        # Go out as far as the sum is known to one percent.
        known = np.sqrt(np.cumsum(spread**2)) < 0.01 * growth[-1]
        reach = int(np.argmin(known)) if not known.all() else number - max(2, number // 4)
        if reach > 0:
            extra = np.concatenate([[0.0], np.cumsum(light[:reach])])
            growth = growth + np.interp(grid, np.concatenate([[0.0], edges[:reach]]), extra)
    total = float(growth[-1])
    rising = np.maximum.accumulate(growth)
    half = float(np.interp(0.5 * total, rising, grid))
    return Growth(total, half / fwhm)
