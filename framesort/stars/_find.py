"""Find and measure the stars of an image."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import STAR_COLUMNS
from framesort.stars._background import Background, Map, background_maps
from framesort.stars._contour import Contour, measure_contour
from framesort.stars._detect import (
    find_candidates,
    guess_saturation,
    merge_saturated,
    saturated_blobs,
    subtract_level,
)
from framesort.stars._fit import HEIGHT, G, X, Y
from framesort.stars._growth import Growth, core_flux, measure_growth, ring_light, shape_numbers
from framesort.stars._guess import LEAST_WIDTH, find_isolated, guess_star, star_depth
from framesort.stars._pixels import Pixels
from framesort.stars._rounds import Fit, fit_rounds, start_fit, too_narrow

__all__ = ["MeasuredField", "find_stars", "measure_field", "star_table"]

_MOST_WIDTH = 3.0
"""Wider than so many FWHM of the frame is a knot of nebula, not a star."""


@dataclass
class MeasuredField:
    """Stars of an image while it is being measured.

    Attributes
    ----------
    residual : (ny, nx) float32 ndarray
        Background and all fitted stars subtracted; saturated pixels NaN.
    level : Map
        Background.
    sky_noise : Map
        Its standard deviation per pixel.
    stars : (n, 8) float64 ndarray
        Fitted profiles, see `framesort.stars._fit`.
    noise : (n,) float64 ndarray
        Background noise at each star.
    saturated : (n,) bool ndarray
    growth : Growth
    contour : Contour
        Of the frame's mean star at half maximum.
    table : `~astropy.table.Table`
        Star list, same order.
    saturation : float
        Level from which pixels are saturated, ADU; +inf for none.
    """

    residual: NDArray[np.float32]
    level: Map
    sky_noise: Map
    stars: NDArray[np.float64]
    noise: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    growth: Growth
    contour: Contour
    table: Table
    saturation: float = np.inf


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
    pixels = image if isinstance(image, Pixels) else Pixels(image, mask)
    if saturation is None or not np.isfinite(saturation):
        saturation = guess_saturation(pixels) if saturation is None else np.inf
    level, noise = background_maps(pixels, background)
    residual = subtract_level(pixels, level, noise)
    mean = guess_star(residual, noise)
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    places, height = find_candidates(residual, noise, fwhm=fwhm, threshold=threshold)
    places_saturated, label = saturated_blobs(pixels, saturation)
    places, height, extent = merge_saturated(places, height, residual, places_saturated, label)
    if limit is not None:
        places, height, extent = places[:limit], height[:limit], extent[:limit]
    residual[places_saturated[:, 1], places_saturated[:, 0]] = np.nan
    fit = start_fit(residual, noise, (places, height, extent), mean)
    measured, spread = fit_rounds(fit)
    field = _list_stars(fit, measured, pixels, level, noise)
    return replace(field, saturation=saturation, contour=field.contour.without_noise(spread))


@dataclass(frozen=True)
class _Judged:
    """Fitted candidates with what decides whether they are stars, in the candidates' order.

    `left` is the light that the profile leaves per pixel, beyond the noise.
    """

    real: NDArray[np.bool_]
    core: NDArray[np.float64]
    error: NDArray[np.float64]
    left: NDArray[np.float64]
    shape: dict[str, NDArray[np.float64]]


def _judge_stars(fit: Fit, fwhm: float) -> _Judged:
    """Which candidates are stars; the others go back into the image."""
    stars, quality, sigma, saturated = fit.stars, fit.quality, fit.sigma, fit.saturated
    ny, nx = fit.residual.shape
    shape = shape_numbers(stars)
    core = core_flux(stars)
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = np.maximum(quality["variance"], sigma**2)
        error = core * quality["error"] * np.sqrt(variance)
        snr = core / error
    inside = (
        (stars[:, X] > -0.5)
        & (stars[:, X] < nx - 0.5)
        & (stars[:, Y] > -0.5)
        & (stars[:, Y] < ny - 0.5)
    )
    least = max(LEAST_WIDTH, 0.5 * float(shape_numbers(fit.mean[None])["minor"][0]))
    real = (quality["success"] > 0) & inside & (core > 0) & np.isfinite(error) & (error > 0)
    real &= saturated | ~too_narrow(shape["minor"], quality, sigma, least)
    real &= saturated | (shape["fwhm"] < _MOST_WIDTH * fwhm)
    # A profile of given shape that leaves much of the light does not describe a star.
    left = np.sqrt(np.maximum(quality["variance"] - sigma**2, 0))
    real &= saturated | (left < 0.25 * stars[:, HEIGHT])
    real &= snr > 3
    # A saturated star whose wings could not be fitted (a bleeding column, say) is a star all the
    # same: it stays at its blob, its flux a lower limit with an error as large.
    lost = saturated & ~real & inside & (core > 0)
    error[lost], quality["error"][lost] = core[lost], 1.0
    real |= lost
    # What is neither a star nor a spike goes back: it is a part of something else.
    fit.draw(np.flatnonzero(~real & (quality["success"] >= 0) & inside), 1.0)
    return _Judged(real, core, error, left, shape)


def _list_stars(
    fit: Fit, measured: NDArray[np.bool_], pixels: Pixels, level: Map, sky_noise: Map
) -> MeasuredField:
    """Keep the stars, scale fluxes to the total, and fill the table."""
    residual, radius, mean = fit.residual, fit.radius, fit.mean
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    judged = _judge_stars(fit, fwhm)
    index = np.flatnonzero(judged.real)
    index = index[np.argsort(-judged.core[index], kind="stable")]
    stars, quality, sigma = fit.stars[index], fit.quality[index], fit.sigma[index]
    core, error, measured = judged.core[index], judged.error[index], measured[index]
    shape = {name: values[index] for name, values in judged.shape.items()}
    step = np.arange(-int(radius), int(radius) + 1)
    whole = np.count_nonzero(step[:, None] ** 2 + step**2 <= radius * radius)
    clean = (
        measured
        & (quality["pixels"] >= whole)
        & (judged.left[index] < 0.15 * stars[:, HEIGHT])
        & (shape["fwhm"] < 2 * fwhm)
        & (shape["fwhm"] > 0.5 * fwhm)
        & find_isolated(stars[:, X], stars[:, Y], core, fwhm)
    )
    use = np.flatnonzero(clean & (star_depth(stars, sigma, fwhm) > 40))[:150]
    rings, beside, width = ring_light(residual, stars, use, sigma[use], fwhm)
    growth = measure_growth(rings, width, core[use], mean, sigma[use])
    contour = measure_contour(residual, stars[use], beside, sigma[use], mean)
    columns = {
        "x": stars[:, X],
        "y": stars[:, Y],
        "flux": core * growth.total,
        "flux_err": error * growth.total,
        "peak": _peaks(pixels, level, stars),
        "fwhm": np.where(measured, shape["fwhm"] * contour.ratio, np.nan),
        "half_flux_radius": np.where(measured, shape["fwhm"] * growth.half_radius, np.nan),
        "eccentricity": np.where(measured, shape["eccentricity"], np.nan),
        "elongation_angle": np.where(measured, shape["elongation_angle"], np.nan),
        "saturated": fit.saturated[index],
        "clean": clean,
    }
    table = star_table(columns)
    table.meta["moffat_index"] = float(1 / mean[G])
    table.meta["total_over_core"] = growth.total
    return MeasuredField(
        residual=residual,
        level=level,
        sky_noise=sky_noise,
        stars=stars,
        noise=sigma,
        saturated=fit.saturated[index],
        growth=growth,
        contour=contour,
        table=table,
    )


def star_table(columns: Mapping[str, Any]) -> Table:
    """A star list from its columns, with units and descriptions."""
    table = Table()
    for name, column in STAR_COLUMNS.items():
        table[name] = np.asarray(columns[name], dtype=column.kind)
        table[name].info.description = column.text
        if column.unit is not None:
            table[name].unit = column.unit
    return table


def _peaks(pixels: Pixels, level: Map, stars: NDArray[np.float64]) -> NDArray[np.float64]:
    """Highest of the 3 x 3 pixels about each star, above the background."""
    ny, nx = pixels.shape
    x, y = np.rint(stars[:, X]).astype(int), np.rint(stars[:, Y]).astype(int)
    top = np.full(len(x), np.nan)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            j, i = np.clip(y + dy, 0, ny - 1), np.clip(x + dx, 0, nx - 1)
            top = np.fmax(top, pixels.part(j, i) - level.at(i, j))
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
