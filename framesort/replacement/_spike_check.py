"""The heater's spike beside the brightest stars, before and after, on pixels as they are."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from scipy import ndimage

from framesort.records import MAD_TO_SIGMA
from framesort.replacement._arrays import Array, Floats
from framesort.replacement._difference import STEP, TOLERANCE, Difference

__all__ = ["SpikeCheck", "measure_spikes"]

STARS = 20
"""Brightest stars measured, saturated ones included."""

ANGLES = 90
"""Angles over half a turn."""

ASIDE = 2
"""Angles to either side of the spike's that are measured as well."""

NEAR, FAR = 2.5, 9.0
"""Distances from the star, in widths of the deep stack's stars, between which a spike is summed."""


def _no_stars() -> Table:
    names = ("x", "y", "sigma", "share", "sigma_deep")
    return Table({name: [] for name in names}, dtype=[float] * len(names))


@dataclass(frozen=True, kw_only=True)
class SpikeCheck:
    """The residual spike.

    Attributes
    ----------
    angle : float
        Where the deep stack exceeds the sharp one most, degrees; NaN if it does nowhere.
    left, error : float
        Residual share of the deep stack's excess, and its uncertainty; negative if too much
        was subtracted.
    stars : `~astropy.table.Table`
        The brightest stars: x, y, `sigma` of the strongest residual within four degrees
        of the spike (negative if too much was subtracted), residual `share` of the deep stack's
        excess at its angle, and `sigma_deep` of that excess.
    """

    angle: float = np.nan
    left: float = np.nan
    error: float = np.nan
    stars: Table = field(default_factory=_no_stars)


def _polar(
    images: list[Array], noise: Array, x: float, y: float, radii: Array
) -> tuple[Array, Array]:
    """Weighted means along both arms at each angle, (image, angle), and their error."""
    angle = np.radians((np.arange(ANGLES) + 0.5) * 180 / ANGLES)
    arms = np.concatenate([radii, -radii])
    i = (x - 0.5 * (STEP - 1) + arms * np.cos(angle)[:, None]) / STEP
    j = (y - 0.5 * (STEP - 1) + arms * np.sin(angle)[:, None]) / STEP
    spread = ndimage.map_coordinates(noise, (j, i), order=0, cval=np.inf)
    weight = 1 / spread**2
    total = weight.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        means = np.array(
            [
                (weight * ndimage.map_coordinates(image, (j, i), order=1)).sum(axis=1) / total
                for image in images
            ]
        )
        # One sample a bin along the arm, one bin across.
        error = np.sqrt(1 / total)
    return means, error


def measure_spikes(
    difference: Difference,
    before: Array,
    rows: Table,
    width: float,
    reach: Floats,
) -> SpikeCheck:
    """Sum the residual along the spike beside the brightest stars.

    Parameters
    ----------
    difference : Difference
        Of the final picture.
    before : (my, mx) ndarray
        The deep stack less the scaled sharp one, in the same bins; 0 where not to be used.
    rows : `~astropy.table.Table`
        The brightest stars, x and y.
    width : float
        FWHM of the deep stack's stars, pixels.
    reach : (n,) ndarray
        Radius of each star's saturated core, pixels.
    """
    d = difference
    noise = d.correlation * np.hypot(d.noise, np.float32(TOLERANCE) * np.maximum(d.compact, 0))
    noise = np.where(d.use, noise, np.float32(np.inf))
    left: list[Array] = []
    excess: list[Array] = []
    errors: list[Array] = []
    for x, y, core in zip(rows["x"], rows["y"], reach, strict=True):
        first = max(NEAR * width, core + 1.5 * width)
        radii = np.arange(first, first + (FAR - NEAR) * width, STEP)
        (after, was), error = _polar([d.value, before], noise, float(x), float(y), radii)
        if np.isfinite(error).sum() < ANGLES / 2:
            after, was, error = np.zeros(ANGLES), np.zeros(ANGLES), np.full(ANGLES, np.inf)
        for values, out in ((after, left), (was, excess)):
            rest = values - np.nanmedian(values)
            out.append(rest)
        own = MAD_TO_SIGMA * np.nanmedian(np.abs(left[-1]))
        errors.append(np.fmax(error, own))
    if not errors:
        return SpikeCheck()
    after, was, error = (np.array(v) for v in (left, excess, errors))
    known = np.isfinite(after) & np.isfinite(was) & np.isfinite(error)
    weight = np.where(known, 1 / error**2, 0)
    # The root keeps one star on a steep nebula from choosing the angle for all.
    sure = np.where(known, was / np.where(known, error, 1), 0)
    sure = (np.sign(sure) * np.sqrt(np.abs(sure))).sum(axis=0)
    k = int(np.argmax(sure + np.roll(sure, 1) + np.roll(sure, -1)))
    # A spike drawn at a slightly wrong angle leaves a dark and a bright line side by side.
    near = (k + np.arange(-ASIDE, ASIDE + 1)) % ANGLES
    aside = np.where(known, after / np.where(known, error, 1), 0)[:, near]
    most = aside[np.arange(len(aside)), np.argmax(np.abs(aside), axis=1)]
    after, was, error, weight = (v[:, k] for v in (after, was, error, weight))
    seen = weight > 0
    strong = seen & (was > 5 * error)
    table = Table(
        {
            "x": np.asarray(rows["x"], float)[seen],
            "y": np.asarray(rows["y"], float)[seen],
            "sigma": most[seen],
            "share": np.where(strong, after / np.where(was == 0, 1, was), np.nan)[seen],
            "sigma_deep": (was / error)[seen],
        }
    )
    if not strong.any():
        return SpikeCheck(stars=table)
    size = float(np.sum((weight * was**2)[strong]))
    return SpikeCheck(
        angle=(k + 0.5) * 180 / ANGLES,
        left=float(np.sum((weight * after * was)[strong])) / size,
        error=float(np.sqrt(1 / size)),
        stars=table,
    )
