"""The two-sided spike through bright stars, together over a frame.

The light is sampled along rays from each bright star, between two radii that scale with
the FWHM, after every fitted star was taken away. At each angle a line-shaped template is
compared with every star's light; the mean over stars is the line's share of the stars' light,
and its scatter over stars the uncertainty. A neighbour, a bleeding column, a satellite or a
row of stars stands beside a few stars only; these scatter over the angles and count little, as
does what stands on one side only.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.records import SPIKE_BINS
from framesort.stars._background import Background, estimate_background, prepare_image
from framesort.stars._detect import remove_spikes
from framesort.stars._fit import COUNT, HEIGHT, A, B, C, G, X, Y, draw_stars
from framesort.stars._growth import core_flux
from framesort.stars._rays import (
    INNER,
    OUTER,
    choose_spike,
    sample_rays,
    spike_filter,
    spike_template,
    widen_error,
)
from framesort.stars._reach import Reach, both_sides, hold_against, measure_reach
from framesort.stars._together import average_stars

__all__ = ["SpikeMeasurement", "measure_spike", "spike_from_stars"]

_STEPS = 16
_MOST_STARS = 200
_LEAST_STARS = 4

_LEAST_DEPTH = 25.0
"""Signal to noise from which a star is looked at; how much it counts, it tells itself."""

_SURE = 5.0
"""Deviations from which a line is followed to its ends."""

_MOST_MISSING = 0.3
"""Share of a star's angles that may be without data."""

_NEIGHBOUR_ERROR = 0.01
"""Share of a neighbour's light that its fit may leave. In a row of neighbours it is all in a line,
so it is no scatter over angles."""

_PROFILE_ERROR = 0.1
"""Relative error of the fitted profile far out: so much of a trail may be left as a line."""


@dataclass(frozen=True, kw_only=True)
class SpikeMeasurement:
    """Spike of one frame.

    Attributes
    ----------
    strength, error : float
        Light of the line between 2 and 6 FWHM from the star, both sides together, as a share
        of the star's light; the uncertainty allows for the free choice of the angle. NaN
        where too few bright stars are there.
    angle : float
        Degrees counter-clockwise from +x, [0, 180).
    total, total_err : float
        All of the line's light as a share of the star's, if it falls exponentially as it does
        between 2 and 12 FWHM; NaN for lines below 5 sigma.
    length : float
        Distance over which it falls to 1/e, pixels.
    profile, profile_err : (SPIKE_BINS,) float ndarray
        See `framesort.records.FrameQuality`.
    stars : int
        Number of stars used.
    """

    strength: float = np.nan
    error: float = np.nan
    angle: float = np.nan
    total: float = np.nan
    total_err: float = np.nan
    length: float = np.nan
    profile: NDArray[np.float64]
    profile_err: NDArray[np.float64]
    stars: int = 0


def _spike_stars(
    stars: NDArray[np.float64], usable: NDArray[np.bool_], noise: Any, fwhm: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The bright stars whose surroundings are looked at, brightest first.

    And for each the light of the stars beside it over its own.
    """
    flux = np.maximum(core_flux(stars), 0)
    # Background-limited signal to noise (King 1983, PASP 95, 163).
    snr = flux / (noise * np.sqrt(4 * np.pi) * fwhm / 2.3548)
    tree = cKDTree(stars[:, [X, Y]])
    pairs = tree.query_pairs((OUTER + 2) * fwhm, output_type="ndarray")
    shaded = np.zeros(len(stars), bool)
    beside = np.zeros(len(stars))
    for me, other in ((0, 1), (1, 0)):
        shaded[pairs[flux[pairs[:, other]] > 2 * flux[pairs[:, me]], me]] = True
        np.add.at(beside, pairs[:, me], flux[pairs[:, other]])
    order = np.argsort(-flux, kind="stable")
    order = order[(usable & ~shaded & (snr > _LEAST_DEPTH))[order]][:_MOST_STARS]
    return order, beside[order] / flux[order]


def spike_from_stars(
    residual: NDArray[np.float32],
    stars: NDArray[np.float64],
    usable: NDArray[np.bool_],
    noise: NDArray[np.float64],
    total: float,
    fwhm: float,
) -> SpikeMeasurement:
    """Spike from an image without its stars, and the stars.

    Parameters
    ----------
    residual : (ny, nx) float32 ndarray
        Background and fitted stars taken away.
    stars : (n, 8) float64 ndarray
        See `framesort.stars._fit`.
    usable : (n,) bool ndarray
        Which may be used: real, unsaturated.
    noise : (n,) float64 ndarray
        Background noise per pixel.
    total : float
        Total over core light.
    fwhm : float
        Of the frame, pixels.
    """
    empty = np.full(SPIKE_BINS, np.nan)
    if len(stars) == 0 or not np.isfinite(fwhm):
        return SpikeMeasurement(profile=empty, profile_err=empty)
    index, beside = _spike_stars(stars, usable, noise, fwhm)
    if len(index) < _LEAST_STARS:
        return SpikeMeasurement(profile=empty, profile_err=empty)
    flux = core_flux(stars[index]) * total
    steps = max(_STEPS, int(np.ceil((OUTER - INNER) * fwhm)))
    rays = sample_rays(
        residual, stars, index, INNER * fwhm, OUTER * fwhm, SPIKE_BINS, steps, 0.1 * noise[index]
    )
    (light, light_off), (beyond, beyond_off) = (
        both_sides(side / flux[:, None, None]) for side in rays
    )
    whole = np.isnan(beyond).mean(axis=1) < _MOST_MISSING
    if whole.sum() < _LEAST_STARS:
        return SpikeMeasurement(profile=empty, profile_err=empty)
    light, beyond = np.nan_to_num(light[whole]), np.nan_to_num(beyond[whole])
    neighbour_light = _NEIGHBOUR_ERROR * beside[whole]
    filters = spike_filter()
    shape = average_stars(
        light, neighbour_light * spike_template(np.zeros(1)).max(), light_off[whole]
    )
    line = average_stars(
        hold_against(beyond, filters), neighbour_light, hold_against(beyond_off[whole], filters)
    )
    # What the profiles' own flattening would show as a line, had it been left.
    own = (line.weight * hold_against(light - beyond, filters)).sum(axis=0)
    error = np.hypot(line.error * widen_error(line.freedom), _PROFILE_ERROR * np.maximum(own, 0.0))
    strength, strength_err, angle = choose_spike(line.mean, error, np.arange(0.0, 180.0))
    reach = Reach()
    if strength > _SURE * strength_err:
        reach = measure_reach(
            residual,
            stars,
            index[whole],
            flux=flux[whole],
            neighbour_light=neighbour_light,
            noise=noise[index[whole]],
            angle=angle,
            fwhm=fwhm,
        )
    return SpikeMeasurement(
        strength=strength,
        error=strength_err,
        angle=angle,
        total=reach.total,
        total_err=reach.error,
        length=reach.length * fwhm,
        stars=int(whole.sum()),
        profile=shape.mean - shape.mean.mean(),
        profile_err=shape.error,
    )


def _stars_of_list(star_list: Table) -> NDArray[np.float64]:
    """Fitted profiles from the columns of a star list."""
    fwhm = np.array(star_list["fwhm"], dtype=float)
    typical = np.nanmedian(fwhm) if np.isfinite(fwhm).any() else np.nan
    missing = ~np.isfinite(fwhm)
    fwhm[missing] = typical
    e = np.where(missing, 0.0, np.asarray(star_list["eccentricity"], dtype=float))
    angle = np.radians(
        np.where(missing, 0.0, np.asarray(star_list["elongation_angle"], dtype=float))
    )
    ratio = np.sqrt(1 - np.minimum(e, 0.999) ** 2)
    long_q, short_q = 4 / fwhm**2 * ratio, 4 / fwhm**2 / ratio
    stars = np.zeros((len(star_list), COUNT))
    stars[:, X], stars[:, Y] = star_list["x"], star_list["y"]
    stars[:, A] = long_q * np.cos(angle) ** 2 + short_q * np.sin(angle) ** 2
    stars[:, C] = long_q * np.sin(angle) ** 2 + short_q * np.cos(angle) ** 2
    stars[:, B] = (long_q - short_q) * np.sin(angle) * np.cos(angle)
    stars[:, G] = 1 / float(star_list.meta.get("moffat_index", 4.765))
    stars[:, HEIGHT] = 1
    core = np.asarray(star_list["flux"], dtype=float) / float(
        star_list.meta.get("total_over_core", 1.2)
    )
    stars[:, HEIGHT] = core / core_flux(stars)
    return stars


def measure_spike(
    image: Any,
    star_list: Table,
    *,
    background: Background | None = None,
    saturation: float | None = None,
    mask: Any = None,
) -> SpikeMeasurement:
    """The spike through an image's bright stars.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    star_list : `~astropy.table.Table`
        As `find_stars` gives for this image.
    background : Background or None
        As of `estimate_background`; estimated when None.
    saturation : float or None
        Full pixels are left out; None or +inf for none.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.

    Returns
    -------
    SpikeMeasurement
        NaN where fewer than four bright unsaturated stars are there.
    """
    pixels = prepare_image(image, mask)
    if background is None:
        background = estimate_background(pixels)
    residual = pixels - background.level
    remove_spikes(residual, background.noise)
    if saturation is not None:
        with np.errstate(invalid="ignore"):
            residual[pixels >= saturation] = np.nan
    empty = np.full(SPIKE_BINS, np.nan)
    if len(star_list) == 0 or not np.isfinite(star_list["fwhm"]).any():
        return SpikeMeasurement(profile=empty, profile_err=empty)
    stars = _stars_of_list(star_list)
    ny, nx = pixels.shape
    column = np.clip(np.rint(stars[:, X]).astype(int), 0, nx - 1)
    row = np.clip(np.rint(stars[:, Y]).astype(int), 0, ny - 1)
    noise = np.maximum(background.noise[row, column].astype(float), 1e-6)
    draw_stars(residual, stars, np.arange(len(stars)), -1.0, noise, 60.0)
    clean = np.asarray(star_list["clean"], dtype=bool)
    widths = np.asarray(star_list["fwhm"], dtype=float)
    fwhm = float(np.nanmedian(widths[clean] if clean.any() else widths))
    usable = ~np.asarray(star_list["saturated"], dtype=bool)
    total = float(star_list.meta.get("total_over_core", 1.2))
    return spike_from_stars(residual, stars, usable, noise, total, fwhm)
