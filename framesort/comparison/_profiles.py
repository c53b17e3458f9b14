"""Profiles of a star image: around the star, along and across the spike; its halo."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from framesort.records import MAD_TO_SIGMA

__all__ = [
    "APERTURE",
    "StarProfiles",
    "average_round",
    "jackknife_error",
    "measure_halo",
    "measure_profiles",
]

APERTURE = 8.0
"""Heater-off FWHM within which all light of a star is counted; beyond is background."""

HALO = (2.0, 6.0)
"""Heater-off FWHM between which light counts as halo."""

RADIUS_STEP = 0.25
"""Of the profiles, pixels."""

ANGLES = 90
"""Around the star."""

SPIKE_SECTOR = 40.0
"""Directions nearer than this to the spike, degrees, are left out. With 20, a spike of a tenth of
the light is taken for 0.14 px^2 of blur (stars of 3 px), with 40 for 0.08."""


def _none() -> NDArray[np.float64]:
    return np.zeros(0)


def _none_parts() -> NDArray[np.float64]:
    return np.zeros((0, 0))


@dataclass(frozen=True, kw_only=True)
class StarProfiles:
    """Profiles of a star image, light per square pixel of a star of total light 1.

    Attributes
    ----------
    radius : (n,) float64 ndarray
        Pixels, from 0 in equal steps.
    round : (n,) float64 ndarray
        Mean around the star without the spike's directions.
    around : (n,) float64 ndarray
        Mean over all directions.
    median : (n,) float64 ndarray
        Median around the star without the spike's directions.
    along, across : (n,) float64 ndarray
        Along the spike and at right angles to it, both sides averaged; NaN without an angle.
    round_parts, around_parts : (g, n) float64 ndarray
        `round` and `around` with a subset of stars, or of frames, left out: for uncertainties.
    fwhm : float
        Full width at half maximum of `round`, pixels.
    """

    radius: NDArray[np.float64] = field(default_factory=_none)
    round: NDArray[np.float64] = field(default_factory=_none)
    around: NDArray[np.float64] = field(default_factory=_none)
    median: NDArray[np.float64] = field(default_factory=_none)
    along: NDArray[np.float64] = field(default_factory=_none)
    across: NDArray[np.float64] = field(default_factory=_none)
    round_parts: NDArray[np.float64] = field(default_factory=_none_parts)
    around_parts: NDArray[np.float64] = field(default_factory=_none_parts)
    fwhm: float = np.nan


def ring_weights(radius: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights w with which ``sum(w f)`` is the integral of f(r) 2 pi r over the plane.

    Trapezium rule with the first Euler-Maclaurin term at the centre, where r f(r) has a slope.
    """
    step = radius[1] - radius[0]
    weights = np.asarray(2 * np.pi * radius * step)
    weights[0] = 2 * np.pi * step**2 / 12
    weights[-1] /= 2
    return weights


def jackknife_error(parts: NDArray[np.float64]) -> float:
    """Standard deviation of a mean from its values with one subset left out at a time.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, eq. 11.5. NaN for fewer than two.
    """
    n = len(parts)
    if n < 2:
        return float("nan")
    return float(np.sqrt((n - 1) / n * np.sum((parts - parts.mean()) ** 2)))


def _sample_polar(
    image: NDArray[np.float64],
    radius: NDArray[np.float64],
    angle: NDArray[np.float64],
    per_pixel: int,
) -> NDArray[np.float64]:
    """Values of a star image at radii (pixels) and angles (radians): (angles, radii)."""
    middle = image.shape[0] // 2
    x = middle + per_pixel * radius * np.cos(angle)[:, None]
    y = middle + per_pixel * radius * np.sin(angle)[:, None]
    smooth = spline_filter(image, order=3, output=np.float64)
    return np.asarray(map_coordinates(smooth, [y, x], order=3, mode="nearest", prefilter=False))


def _half_width(radius: NDArray[np.float64], light: NDArray[np.float64]) -> float:
    below = np.flatnonzero(light < 0.5 * light[0])
    if not below.size or not light[0] > 0:
        return float("nan")
    k = int(below[0])
    part = (light[k - 1] - 0.5 * light[0]) / (light[k - 1] - light[k])
    return float(2 * (radius[k - 1] + part * (radius[k] - radius[k - 1])))


def measure_profiles(
    image: NDArray[np.float64],
    without: NDArray[np.float64],
    *,
    per_pixel: int,
    fwhm: float,
    spike_angle: float,
) -> tuple[StarProfiles, float, float]:
    """Profiles of a star image whose background and total light are still to be settled.

    Parameters
    ----------
    image : (m, m) float64 ndarray
        Star at the middle sample.
    without : (g, m, m) float64 ndarray
        Images with a subset of stars or frames left out.
    per_pixel : int
        Samples a pixel.
    fwhm : float
        Heater-off FWHM, pixels.
    spike_angle : float
        Degrees; NaN for none.

    Returns
    -------
    StarProfiles
        Background subtracted, divided by the light within `APERTURE`.
    level, total : float
        Background and light of the image.
    """
    half = (image.shape[0] // 2) / per_pixel
    radius = np.linspace(0.0, int(half / RADIUS_STEP) * RADIUS_STEP, int(half / RADIUS_STEP) + 1)
    start = 0.0 if np.isnan(spike_angle) else np.deg2rad(spike_angle)
    angle = start + np.linspace(0.0, 2 * np.pi, ANGLES, endpoint=False)
    turn = np.rad2deg(np.abs(np.arctan(np.tan(angle - start))))
    free = np.isnan(spike_angle) | (turn > SPIKE_SECTOR)
    free = np.broadcast_to(free, angle.shape)
    polar = _sample_polar(image, radius, angle, per_pixel)
    parts = [_sample_polar(part, radius, angle, per_pixel) for part in without]
    around, level, total = _settle(polar.mean(axis=0), radius, fwhm)
    settled = [_settle(part.mean(axis=0), radius, fwhm) for part in parts]
    light = (polar - level) / total
    along = across = np.full_like(radius, np.nan)
    if not np.isnan(spike_angle):
        along = 0.5 * (light[0] + light[ANGLES // 2])
        sides = light[turn > 90 - 180.0 / ANGLES]
        across = sides.mean(axis=0)
    round_ = light[free].mean(axis=0)
    round_parts = [
        (part[free].mean(axis=0) - base) / sum_
        for part, (_, base, sum_) in zip(parts, settled, strict=True)
    ]
    profiles = StarProfiles(
        radius=radius,
        round=round_,
        around=around,
        median=np.median(light[free], axis=0),
        along=along,
        across=across,
        round_parts=np.array(round_parts),
        around_parts=np.array([one for one, _, _ in settled]),
        fwhm=_half_width(radius, round_),
    )
    return profiles, level, total


def _settle(
    around: NDArray[np.float64], radius: NDArray[np.float64], fwhm: float
) -> tuple[NDArray[np.float64], float, float]:
    """A profile less its background, over its light; background; light."""
    outside = radius > min(APERTURE * fwhm, 0.75 * radius[-1])
    ring = ring_weights(radius)
    level = float(np.average(around[outside], weights=ring[outside]))
    inside = radius <= APERTURE * fwhm
    total = float(np.sum((ring * (around - level))[inside]))
    return (around - level) / total, level, total


def measure_halo(profiles: StarProfiles, *, fwhm: float) -> tuple[float, float]:
    """Share of a star's light between 2 and 6 heater-off FWHM, and its uncertainty.

    Of the light within 8 FWHM; the mean beyond is the background. The spike's light counts too.

    Parameters
    ----------
    profiles : StarProfiles
    fwhm : float
        Heater-off FWHM of the group, pixels.
    """
    if not len(profiles.radius):
        return float("nan"), float("nan")
    radius, ring = profiles.radius, ring_weights(profiles.radius)
    inner, outer = (edge * fwhm for edge in HALO)
    step = radius[1] - radius[0]
    # A ring counts by the part of its width between the two radii.
    share = np.clip(
        (np.minimum(radius + step / 2, outer) - np.maximum(radius - step / 2, inner)) / step, 0, 1
    )
    value = float(np.sum(ring * share * profiles.around))
    return value, jackknife_error(np.sum(profiles.around_parts * ring * share, axis=1))


def average_round(profiles: Sequence[StarProfiles]) -> StarProfiles:
    """Mean of `StarProfiles.round` of frames, for comparing one frame with them.

    Frames whose central value is more than 4 robust standard deviations from the median are left
    out. The parts leave out one frame at a time.
    """
    light = np.stack([one.round for one in profiles])
    distance = np.abs(light[:, 0] - np.median(light[:, 0]))
    light = light[distance <= 4 * MAD_TO_SIGMA * np.median(distance)] if len(light) > 4 else light
    n = len(light)
    mean = light.mean(axis=0)
    parts = (n * mean - light) / (n - 1) if n > 1 else profiles[0].round_parts
    return StarProfiles(radius=profiles[0].radius, round=mean, round_parts=parts)
