"""What is fitted to the stars of one stack: fluxes, places, widths, the profile, spikes."""

from enum import IntEnum
from typing import NamedTuple

import numpy as np

from framesort.records import MAD_TO_SIGMA
from framesort.replacement import _kernels as kernels
from framesort.replacement import _spike_angles as spike_angles
from framesort.replacement._arrays import Array, Mask
from framesort.replacement._profile import Profile, centre_profile, profile_fwhm
from framesort.replacement._profile_fit import fit_profile
from framesort.replacement._robust import median_deviation
from framesort.replacement._side import Places, Side, draw_star, redraw, window_around
from framesort.workers import run_bands

CORE = 1.9
"""A star's flux and place come from pixels within so many widths of it."""

BEYOND = 1.5
"""Widths from the rim of a patch of saturated pixels to where its star is fitted."""

RING = 0.5
"""Widths beyond a round saturated core in which its star's light is measured."""

REACH, FEW = 30.0, 30
"""Wings are compared out to so many widths; pixels that the comparison takes at least."""

WIDTH_KNOWN = 0.3
"""Relative error up to which a star's width is given."""


def wide_saturated(side: Side, places: Places) -> Mask:
    """Stars whose saturated pixels leave nothing of the core to measure their light on."""
    return places.rim * side.q(places) + BEYOND > CORE


def fit_radius(places: Places, q: Array) -> Array:
    """Radius of the pixels from which a star's light and place are measured."""
    return np.maximum(CORE / q, np.maximum(places.rim + BEYOND / q, places.core + RING / q))


def steady_wide(side: Side, places: Places) -> None:
    """Light of stars with wide saturated cores from the median of their wings; flux and model.

    Light that runs out of a saturated core along columns and rows lies on few of the pixels; in a
    least-squares fit it would be taken for the star's.
    """
    x, y = side.at(places)
    q = side.q(places)
    extent = side.profile.extent(side.flux, q, 3 * side.noise)
    reach, lines_to = (np.minimum(v, REACH / q) for v in extent)
    for k in np.flatnonzero(wide_saturated(side, places) & (side.flux > 0)).tolist():
        window = window_around(x[k], y[k], int(max(reach[k], lines_to[k])) + 1)
        cut = window.cut
        own = draw_star(side, places, k, window, flux=side.flux[k], extent=(reach[k], lines_to[k]))
        rows, columns = np.indices(own.shape)
        away = np.hypot(columns + window.left - x[k], rows + window.top - y[k])
        rest = side.image[cut] - side.model[cut]
        use = np.isfinite(rest) & (own > 3 * side.noise) & (away > places.rim[k] + 1 / q[k])
        if use.sum() < FEW:
            continue
        factor = float(np.clip(1 + np.median(rest[use] / own[use]), 0.3, 2))
        side.flux[k] *= factor
        side.model[cut] += np.float32(factor - 1) * own


def solve_fluxes(side: Side, places: Places, *, rounds: int) -> None:
    """All fluxes of one stack together; the model, up to date before, is so after."""
    x, y = side.at(places)
    q = side.q(places)
    order = np.argsort(-side.flux, kind="stable")
    flux = side.flux[order]
    core = fit_radius(places, q)[order]
    # A star may still be brighter than its first guess, and is drawn wherever it is fitted.
    bound = np.maximum(flux * 1.2, 100 * side.noise)
    radius, reach = side.profile.extent(bound, q[order], 0.05 * side.noise)
    kernels.sweep_fluxes(
        side.image,
        side.model,
        side.noise,
        side.eps,
        x[order],
        y[order],
        flux,
        q[order],
        core,
        np.maximum(radius, core),
        reach,
        side.profile.tables,
        rounds,
    )
    side.flux[order] = flux


class Unknowns(IntEnum):
    """What is solved for on each star's pixels, flux and a constant always; and how many."""

    FLUX = 2
    PLACE = 4
    WIDTH = 5


class StarFits(NamedTuple):
    """What a fit of each star by itself gave; 0 where it was not solved for.

    Attributes
    ----------
    flux_error : (n,) float ndarray
        Standard deviation of the flux.
    shift_x, shift_y, shift_error : (n,) float ndarray
        Where the star is beside its place, pixels, and the standard deviation of the first.
    width, width_error : (n,) float ndarray
        Relative: by what share the star is wider than its profile.
    covered : (n,) float ndarray
        Share of the star's pixels that could be used; 0 where the fit failed.
    """

    flux_error: Array
    shift_x: Array
    shift_y: Array
    shift_error: Array
    width: Array
    width_error: Array
    covered: Array


def fit_stars(
    side: Side,
    places: Places,
    unknowns: Unknowns,
    *,
    flux: Array | None = None,
    reach: Array | None = None,
) -> StarFits:
    """Fit each star's own pixels by least squares; the side is not changed.

    `flux`, if not the model's own, is what a shift or another width would move; `reach` the radius
    of the pixels if it is not that of `fit_radius`.
    """
    q = side.q(places)
    reach = fit_radius(places, q) if reach is None else reach
    light = side.flux if flux is None else flux
    stars = (*side.at(places), light, q, reach)
    out = np.zeros((len(places), len(StarFits._fields)))

    def work(first: int, last: int) -> None:
        kernels.fit_stars(
            side.image,
            side.model,
            side.noise,
            side.eps,
            *(v[first:last] for v in stars),
            side.profile.tables,
            int(unknowns),
            out[first:last],
        )

    run_bands(work, len(places), band=256)
    return StarFits(*out.T)


def star_fwhm(side: Side, places: Places, fits: StarFits) -> Array:
    """FWHM of each star from its fitted width, pixels; NaN where that is not known well."""
    wide = profile_fwhm(side.profile) * places.factor * np.exp(np.clip(fits.width, -1, 1))
    known = (fits.width_error > 0) & (fits.width_error < WIDTH_KNOWN)
    return np.where(known, wide, np.nan)


def relative_error(side: Side) -> float:
    """Error of the model as a share of the model, from pixels where noise does not hide it."""
    v = side.image[::3, ::3]
    v = v[np.isfinite(v)]
    spread = median_deviation(v - np.median(v))
    bright = side.model > 100 * max(side.noise, spread)
    if bright.sum() < 100:
        return min(side.eps, 0.02)
    share = np.abs(side.image[bright] / side.model[bright] - 1)
    return float(np.clip(MAD_TO_SIGMA * np.nanmedian(share), 0.002, 0.1))


def fit_radii(side: Side, places: Places) -> tuple[Array, Array]:
    """How far from each star its light is used for the profile: all around, along a spike."""
    q = side.q(places)
    radius, reach = side.profile.extent(side.flux, q, 0.1 * side.noise)
    radius = np.maximum(1.4 * radius, 3 / q)
    reach = np.maximum(1.4 * reach, radius)
    if len(side.angles):
        # Not only as far as a spike is known to go: as far as one of 1 % could be seen.
        reach = np.maximum(reach, np.minimum(3 * radius, 50 / q))
    return radius, reach


def renew_profile(
    side: Side,
    places: Places,
    pick: Array,
    span: tuple[Array, Array],
    *,
    norm: float,
    base: Profile | None = None,
    pixel_noise: float = 1.0,
) -> None:
    """The profile from picked stars, then fluxes and model in its terms.

    `span` is how far the light of each star is used (`fit_radii`).
    """
    q = side.q(places)
    stars = (*side.at(places), side.flux, q, *span)
    profile, growth = fit_profile(
        side, tuple(v[pick] for v in stars), norm=norm, base=base, pixel_noise=pixel_noise
    )
    if not side.shifted:
        # Places and profile could share a shift: the profile's centre is what counts as place.
        profile, dx, dy = centre_profile(profile)
        places.x += dx / q
        places.y += dy / q
        places.shift_x -= dx / q
        places.shift_y -= dy / q
    side.profile = profile
    side.flux = side.flux * growth
    redraw(side, places)


def search_spikes(side: Side, places: Places) -> None:
    """Find spikes around bright stars, or rotate known ones into place."""
    pick = np.argsort(-side.flux, kind="stable")[:60]
    stars = tuple(v[pick] for v in (*side.at(places), side.flux))
    if len(side.profile.tables.cs):
        q = side.q(places)[pick]
        reach = np.minimum(side.profile.spike_reach(side.flux[pick], q, side.noise), 30 / q)
        side.angles = spike_angles.refine_angles(side, (*stars, q, reach))
    else:
        side.angles = spike_angles.find_spike_angles(side, stars)
