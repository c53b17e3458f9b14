"""The two-sided spike through bright stars, together over a frame.

The light is sampled along rays from each bright star, between two radii that scale with
the FWHM, after every fitted star was subtracted. At each angle a spike-shaped template is
compared with every star's light; the mean over stars is the spike's share of the stars' light,
and its scatter over stars the uncertainty. A neighbour, a bleeding column, a satellite or a
row of stars affects a few stars only; these scatter over the angles and have low weight, as
does light on one side only.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.records import SPIKE_BINS
from framesort.stars._fit import X, Y
from framesort.stars._growth import core_flux
from framesort.stars._guess import star_depth
from framesort.stars._rays import (
    INNER,
    OUTER,
    choose_spike,
    sample_rays,
    spike_filter,
    spike_template,
    widen_error,
)
from framesort.stars._reach import Reach, both_sides, light_at_angles, measure_reach
from framesort.stars._together import average_stars

__all__ = ["SpikeMeasurement", "spike_from_stars"]

_STEPS = 16
_MOST_STARS = 200
_LEAST_STARS = 4

_LEAST_DEPTH = 25.0
"""S/N from which a star is used; its own scatter sets its weight."""

_SURE = 5.0
"""Deviations from which a spike is followed outwards."""

_MOST_MISSING = 0.3
"""Share of a star's angles that may be without data."""

_NEIGHBOUR_ERROR = 0.01
"""Share of a neighbour's light that its fit may leave. A row of neighbours puts it all at one
angle, where it does not show as scatter over angles."""

_PROFILE_ERROR = 0.1
"""Relative error of the fitted profile far out: this share of a trail may remain as a spike."""


@dataclass(frozen=True, kw_only=True)
class SpikeMeasurement:
    """Spike of one frame.

    Attributes
    ----------
    strength, error : float
        Light of the spike between 2 and 6 FWHM from the star, both sides together, as a share
        of the star's light; the uncertainty allows for the free choice of the angle. NaN
        where too few bright stars are there.
    angle : float
        Degrees counter-clockwise from +x, [0, 180).
    total, total_err : float
        All of the spike's light as a share of the star's, if it falls exponentially as it does
        between 2 and 12 FWHM; NaN for spikes below 5 sigma.
    length : float
        Distance over which it falls to 1/e, pixels.
    profile, profile_err : (SPIKE_BINS,) float ndarray
        See `framesort.records.FrameQuality`.
    """

    strength: float = np.nan
    error: float = np.nan
    angle: float = np.nan
    total: float = np.nan
    total_err: float = np.nan
    length: float = np.nan
    profile: NDArray[np.float64]
    profile_err: NDArray[np.float64]


def _spike_stars(
    stars: NDArray[np.float64], usable: NDArray[np.bool_], noise: Any, fwhm: float
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The bright stars whose surroundings are used, brightest first.

    And for each the light of the stars beside it over its own.
    """
    flux = np.maximum(core_flux(stars), 0)
    snr = star_depth(stars, noise, fwhm)
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


def _fit_spike(
    light: NDArray[np.float64],
    beyond: NDArray[np.float64],
    uneven: NDArray[np.float64],
    neighbour_light: NDArray[np.float64],
) -> tuple[float, float, float]:
    """Strength, uncertainty and angle, from the light by angle with and without the profiles."""
    filters = spike_filter()
    spike = average_stars(
        light_at_angles(beyond, filters), neighbour_light, light_at_angles(uneven, filters)
    )
    # What the profiles' own flattening would show as a spike if it were not subtracted.
    own = (spike.weight * light_at_angles(light - beyond, filters)).sum(axis=0)
    error = np.hypot(
        spike.error * widen_error(spike.freedom), _PROFILE_ERROR * np.maximum(own, 0.0)
    )
    return choose_spike(spike.mean, error, np.arange(0.0, 180.0))


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
        Background and fitted stars subtracted.
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
    shape = average_stars(
        light, neighbour_light * spike_template(np.zeros(1)).max(), light_off[whole]
    )
    strength, strength_err, angle = _fit_spike(light, beyond, beyond_off[whole], neighbour_light)
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
        profile=shape.mean - shape.mean.mean(),
        profile_err=shape.error,
    )
