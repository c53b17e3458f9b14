"""Find and measure the stars of an image."""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import STAR_COLUMNS
from framesort.stars._background import Background, estimate_background, prepare_image
from framesort.stars._contour import Contour, measure_contour
from framesort.stars._detect import (
    find_candidates,
    guess_saturation,
    merge_saturated,
    remove_hot_pixels,
    saturated_blobs,
)
from framesort.stars._fit import HEIGHT, A, B, C, G, X, Y, draw_stars, fit_stars
from framesort.stars._growth import Growth, core_flux, measure_growth, ring_light, shape_numbers
from framesort.stars._guess import (
    FAR,
    FIT_RADIUS,
    G_START,
    LEAST_WIDTH,
    RAISE,
    find_isolated,
    guess_star,
    joint_index,
    mean_star,
    place_stars,
    star_depth,
)

__all__ = ["MeasuredField", "find_stars", "measure_field"]

_SHAPE_DEPTH = 12.0
"""Signal to noise from which a star's own shape is measured; fainter ones get the mean."""

_INDEX_DEPTH = 100.0
"""Signal to noise from which one star alone gives its Moffat index to about 0.1 of 1/index."""

_MOST_WIDTH = 3.0
"""Wider than so many FWHM of the frame is a knot of nebula, not a star."""


@dataclass
class MeasuredField:
    """Stars of an image while it is being measured.

    Attributes
    ----------
    residual : (ny, nx) float32 ndarray
        Background and all fitted stars subtracted; saturated pixels NaN.
    background : Background
    stars : (n, 8) float64 ndarray
        Fitted profiles, see `framesort.stars._fit`.
    quality : (n, 5) float64 ndarray
    noise : (n,) float64 ndarray
        Background noise at each star.
    saturated : (n,) bool ndarray
    radius : float
        Of the circle that was fitted.
    mean_star : (8,) float64 ndarray
        The frame's mean profile, height 1.
    growth : Growth
    contour : Contour
        Of the frame's mean star at half maximum.
    table : `~astropy.table.Table`
        Star list, same order.
    """

    residual: NDArray[np.float32]
    background: Background
    stars: NDArray[np.float64]
    quality: NDArray[np.float64]
    noise: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    radius: float
    mean_star: NDArray[np.float64]
    growth: Growth
    contour: Contour
    table: Table


def measure_field(
    image: Any,
    *,
    background: Background | None = None,
    threshold: float = 5.0,
    saturation: float | None = None,
    mask: Any = None,
    limit: int | None = None,
) -> MeasuredField:
    """Find and fit all stars; see `find_stars` for the arguments."""
    if not threshold > 0:
        raise ValueError(f"threshold must be above 0, got {threshold}")
    pixels = prepare_image(image, mask)
    if background is None:
        background = estimate_background(pixels)
    if saturation is None or not np.isfinite(saturation):
        saturation = guess_saturation(pixels) if saturation is None else np.inf
    residual = pixels - background.level
    noise = background.noise
    remove_hot_pixels(residual, noise)
    mean = guess_star(residual, noise)
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    places, height = find_candidates(residual, noise, fwhm=fwhm, threshold=threshold)
    places_saturated, label = saturated_blobs(pixels, saturation)
    places, height, extent = merge_saturated(places, height, residual, places_saturated, label)
    if limit is not None:
        places, height, extent = places[:limit], height[:limit], extent[:limit]
    residual[places_saturated[:, 1], places_saturated[:, 0]] = np.nan
    return _fit_field(residual, background, places, height, extent, mean, pixels)


def _fit_field(
    residual: NDArray[np.float32],
    background: Background,
    places: NDArray[np.int64],
    height: NDArray[np.float32],
    extent: NDArray[np.float64],
    mean: NDArray[np.float64],
    pixels: NDArray[np.float32],
) -> MeasuredField:
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    n = len(places)
    stars = place_stars(places, height, mean)
    sigma = np.maximum(background.noise[places[:, 1], places[:, 0]].astype(float), 1e-6)
    quality = np.zeros((n, 5))
    saturated = extent > 0
    radius = max(3.5, FIT_RADIUS * fwhm)
    radii = np.where(saturated, extent + radius, radius)
    order: NDArray[np.int64] = np.arange(n)
    draw_stars(residual, stars, order, -1.0, sigma, FAR)
    strength = star_depth(stars, sigma, fwhm)
    # First the bright ones with everything free: they give the index.
    bright = np.flatnonzero(~saturated & (strength > 50))[:400]
    free = np.where(saturated, 4, 7)
    free[bright] = 8
    first = np.flatnonzero(saturated | (strength > _SHAPE_DEPTH))
    fit_stars(residual, stars, first, radii, free, 25, sigma, FAR, quality)
    shape = shape_numbers(stars)
    good = (quality[:, 3] > 0) & (shape["minor"] > LEAST_WIDTH) & ~saturated
    narrow = ~saturated & _too_narrow(shape["minor"], quality, sigma, LEAST_WIDTH)
    good &= ~narrow
    # Knots of nebula have widths of their own, which must not enter that of stars.
    good &= (shape["fwhm"] < 1.6 * fwhm) & (shape["fwhm"] > 0.6 * fwhm)
    # What is no star keeps the profile that took it out of the image.
    order = np.flatnonzero(~narrow)
    alone = good & find_isolated(stars[:, X], stars[:, Y], np.maximum(core_flux(stars), 0), fwhm)
    strength = np.where(good, star_depth(stars, sigma, fwhm), 0)
    deep = np.flatnonzero(alone & (free == 8) & (strength > _INDEX_DEPTH))
    if len(deep) >= 10:
        g = float(np.median(stars[deep, G]))
    elif alone.sum() >= 5:
        g = joint_index(residual, stars, np.flatnonzero(alone)[:150], radii, sigma)
    else:
        g = G_START
    # Then all again, with the frame's index, neighbours now known. The shape of the mean star
    # belongs to that index: bright stars are fitted once more before the mean is taken.
    draw_stars(residual, stars, order, 1.0, sigma, FAR)
    stars[:, G] = g
    draw_stars(residual, stars, order, -1.0, sigma, FAR)
    spread = 0.0  # nothing is known of it
    some = np.flatnonzero(alone & (strength > 15))[:300]
    if len(some) < 10:
        some = np.flatnonzero(alone if alone.sum() >= 5 else good)[:300]
    if len(some):
        fit_stars(residual, stars, some, radii, np.full(n, 7), 15, sigma, FAR, quality)
        mean, spread = mean_star(stars[some], g, star_depth(stars, sigma, fwhm)[some])
    draw_stars(residual, stars, order, 1.0, sigma, FAR)
    failed = ~narrow & (~good | (strength < _SHAPE_DEPTH))
    stars[failed, A], stars[failed, B], stars[failed, C] = mean[A], mean[B], mean[C]
    stars[failed, HEIGHT] = np.where(saturated, stars[:, HEIGHT], RAISE * height)[failed]
    draw_stars(residual, stars, order, -1.0, sigma, FAR)
    faint = strength < _SHAPE_DEPTH
    fit_stars(
        residual, stars, order, radii, np.where(saturated | faint, 4, 7), 15, sigma, FAR, quality
    )
    measured = ~saturated & ~faint
    quality[narrow, 3] = -1
    field = _list_stars(
        residual, background, stars, quality, sigma, saturated, measured, radius, mean, pixels
    )
    contour = field.contour.without_noise(spread)
    return replace(field, contour=contour)


def _too_narrow(
    minor: NDArray[np.float64], quality: NDArray[np.float64], sigma: Any, least: float
) -> NDArray[np.bool_]:
    """Narrower across than `least`, by more than the uncertainty of the width.

    The relative error of a width is half of that of the light. Four of them are allowed: the
    smaller of two widths errs to the small side.
    """
    return (quality[:, 3] > 0) & (minor * (1 + 2 * quality[:, 0] * sigma) < least)


def _list_stars(
    residual: NDArray[np.float32],
    background: Background,
    stars: NDArray[np.float64],
    quality: NDArray[np.float64],
    sigma: NDArray[np.float64],
    saturated: NDArray[np.bool_],
    measured: NDArray[np.bool_],
    radius: float,
    mean: NDArray[np.float64],
    pixels: NDArray[np.float32],
) -> MeasuredField:
    """Turn away what is no star, scale fluxes to the total, and fill the table."""
    ny, nx = residual.shape
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    shape = shape_numbers(stars)
    core = core_flux(stars)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.maximum(quality[:, 1], sigma**2)
        error = core * quality[:, 0] * np.sqrt(variance)
        snr = core / error
    inside = (
        (stars[:, X] > -0.5)
        & (stars[:, X] < nx - 0.5)
        & (stars[:, Y] > -0.5)
        & (stars[:, Y] < ny - 0.5)
    )
    least = max(LEAST_WIDTH, 0.5 * float(shape_numbers(mean[None])["minor"][0]))
    real = (quality[:, 3] > 0) & inside & (core > 0) & np.isfinite(error) & (error > 0)
    real &= saturated | ~_too_narrow(shape["minor"], quality, sigma, least)
    real &= saturated | (shape["fwhm"] < _MOST_WIDTH * fwhm)
    # A profile of given shape that leaves much of the light was compared with no star.
    left = np.sqrt(np.maximum(quality[:, 1] - sigma**2, 0))
    real &= saturated | (left < 0.25 * stars[:, HEIGHT])
    real &= snr > 3
    # A saturated star whose wings could not be fitted (a bleeding column, say) is a star all the
    # same: it stays at its blob, its flux a lower limit with an error as large.
    lost = saturated & ~real & inside & (core > 0)
    error[lost], quality[lost, 0] = core[lost], 1.0
    real |= lost
    # What is neither a star nor a spike goes back: it is a part of something else.
    back = np.flatnonzero(~real & (quality[:, 3] >= 0) & inside)
    draw_stars(residual, stars, back, 1.0, sigma, FAR)
    index = np.flatnonzero(real)
    index = index[np.argsort(-core[index], kind="stable")]
    stars, quality, sigma, saturated = stars[index], quality[index], sigma[index], saturated[index]
    core, error, measured = core[index], error[index], measured[index]
    shape = {name: values[index] for name, values in shape.items()}
    x0, y0 = np.rint(stars[:, X]).astype(int), np.rint(stars[:, Y]).astype(int)
    step = np.arange(-int(radius), int(radius) + 1)
    whole = np.count_nonzero(step[:, None] ** 2 + step**2 <= radius * radius)
    depth = star_depth(stars, sigma, fwhm)
    clean = (
        measured
        & (quality[:, 2] >= whole)
        & (left[index] < 0.15 * stars[:, HEIGHT])
        & (shape["fwhm"] < 2 * fwhm)
        & (shape["fwhm"] > 0.5 * fwhm)
        & find_isolated(stars[:, X], stars[:, Y], core, fwhm)
    )
    use = np.flatnonzero(clean & (depth > 40))[:150]
    rings, level, width = ring_light(residual, stars, use, sigma[use], fwhm)
    growth = measure_growth(rings, width, core[use], mean, sigma[use])
    contour = measure_contour(residual, stars[use], level, sigma[use], mean)
    peak = _peaks(pixels, background.level, x0, y0)
    columns = {
        "x": stars[:, X],
        "y": stars[:, Y],
        "flux": core * growth.total,
        "flux_err": error * growth.total,
        "peak": peak,
        "fwhm": np.where(measured, shape["fwhm"] * contour.ratio, np.nan),
        "half_flux_radius": np.where(measured, shape["fwhm"] * growth.half_radius, np.nan),
        "eccentricity": np.where(measured, shape["eccentricity"], np.nan),
        "elongation_angle": np.where(measured, shape["elongation_angle"], np.nan),
        "saturated": saturated,
        "clean": clean,
    }
    table = Table()
    for name, column in STAR_COLUMNS.items():
        table[name] = np.asarray(columns[name], dtype=column.kind)
        table[name].info.description = column.text
        if column.unit is not None:
            table[name].unit = column.unit
    table.meta["moffat_index"] = float(1 / mean[G])
    table.meta["total_over_core"] = growth.total
    return MeasuredField(
        residual, background, stars, quality, sigma, saturated, radius, mean, growth, contour, table
    )


def _peaks(
    pixels: NDArray[np.float32], level: NDArray[np.float32], x: NDArray[Any], y: NDArray[Any]
) -> NDArray[np.float64]:
    """Highest of the 3 x 3 pixels about each star, above the background."""
    ny, nx = pixels.shape
    top = np.full(len(x), np.nan)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            at = (np.clip(y + dy, 0, ny - 1), np.clip(x + dx, 0, nx - 1))
            top = np.fmax(top, pixels[at] - level[at])
    return top


def find_stars(
    image: Any,
    *,
    background: Background | None = None,
    threshold: float = 5.0,
    saturation: float | None = None,
    mask: Any = None,
    limit: int | None = None,
) -> Table:
    """Find and measure the stars of an image.

    Stars are local maxima of the image smoothed with about their own profile. Each is fitted
    with an elliptical Moffat profile while all others' profiles are subtracted, in two rounds.
    The frame's Moffat index comes from its bright stars. FWHM is that of the profile as
    sampled, pixel included; with two axes it is the geometric mean of both. Total flux is the
    fitted light within twice the half-maximum radius times the frame's curve of growth.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    background : Background or None
        As of `estimate_background`; estimated when None.
    threshold : float
        Least height of a star in the smoothed image, standard deviations.
    saturation : float or None
        Level from which pixels are saturated, ADU, in the units of `image` before background
        subtraction; guessed from the pixel histogram when None, +inf for none.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.
    limit : int or None
        Measure only so many, the brightest.

    Returns
    -------
    `~astropy.table.Table`
        Columns of `framesort.records.STAR_COLUMNS`, brightest first; no row where there is
        no star.

    Raises
    ------
    ValueError
        Wrong shape of image or mask, or a threshold that is not above 0.
    """
    return measure_field(
        image,
        background=background,
        threshold=threshold,
        saturation=saturation,
        mask=mask,
        limit=limit,
    ).table
