"""A second, independent measurement of a frame's stars: photutils' segmentation catalogue."""

import warnings
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.utils.exceptions import AstropyWarning
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, label, zoom
from scipy.spatial import cKDTree

from framesort.quality._given import adopt_star_list
from framesort.records import FWHM_TO_SIGMA, FrameQuality
from framesort.stars import guess_saturation, prepare_image

__all__ = ["measure_segments"]

_BOX = 64
"""Size of a box of the background mesh, pixels."""

_SMOOTH = 3.0 / FWHM_TO_SIGMA
"""Standard deviation of the Gaussian with which the image is smoothed for detection, pixels."""

_THRESHOLD, _LEAST_PIXELS = 1.5, 5
"""Detection: so many connected pixels of the smoothed image above so many standard deviations."""

_CLEAN_DEPTH = 30.0
"""S/N from which a star's own half-maximum contour is measured."""

_CLEAN_DISTANCE = 5.0
"""Least distance of a clean star from any other source, half-flux radii."""

_FINER = 5
"""Steps per pixel in which the half-maximum contour is measured."""

_MOST_STARS = 500
"""So many of the brightest clean stars have their half-maximum contour measured."""


def measure_segments(
    image: Any, *, saturation: float | None = None, mask: Any = None
) -> FrameQuality:
    """Measure a frame with photutils' image segmentation instead of fitted profiles.

    Background, detection, deblending, positions, fluxes and shapes are photutils'
    (`~photutils.background.Background2D`, `~photutils.segmentation.SourceFinder`,
    `~photutils.segmentation.SourceCatalog`), so agreement with `framesort.stars.measure_image`
    is evidence for both. Positions are windowed centroids, fluxes Kron fluxes; FWHM is the
    diameter of the circle with the area inside the half-maximum contour.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    saturation : float or None
        Level from which pixels are saturated, ADU; guessed from the histogram when None.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.

    Returns
    -------
    FrameQuality
        Medians over clean stars; the spike and the map over the field are not measured (NaN).
        Reason "few stars" with fewer than five clean ones.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or the mask has another shape.
    """
    pixels = prepare_image(image, mask)
    level = guess_saturation(pixels) if saturation is None else float(saturation)
    with warnings.catch_warnings(), np.errstate(invalid="ignore", divide="ignore"):
        # No source, a Kron radius that cannot be measured: both show as missing values.
        warnings.simplefilter("ignore", AstropyWarning)
        stars, sky, noise = _catalogue(pixels, level)
    return adopt_star_list(stars, sky=sky, noise=noise, saturation=level)


def _catalogue(pixels: NDArray[np.float32], saturation: float) -> tuple[Table, float, float]:
    """Sources of an image, its median background and noise."""
    # Imported here: only this measurement needs it.
    from photutils.background import Background2D, MADStdBackgroundRMS, SExtractorBackground
    from photutils.segmentation import SourceCatalog, SourceFinder

    missing = ~np.isfinite(pixels)
    filled = np.where(missing, np.float32(0), pixels)
    background = Background2D(
        filled,
        tuple(min(_BOX, size) for size in pixels.shape),
        mask=missing,
        exclude_percentile=90,
        filter_size=3,
        bkg_estimator=SExtractorBackground(),
        bkg_rms_estimator=MADStdBackgroundRMS(),
    )
    sky, noise = float(background.background_median), float(background.background_rms_median)
    light = np.where(missing, 0, pixels - background.background)
    smooth = gaussian_filter(light, _SMOOTH)
    rms = background.background_rms
    finder = SourceFinder(_LEAST_PIXELS, progress_bar=False)
    segments = finder(smooth, _THRESHOLD * rms, mask=missing)
    if segments is None:
        return Table({name: np.empty(0) for name in ("x", "y", "flux", "fwhm")}), sky, noise
    sources = SourceCatalog(
        light, segments, convolved_data=smooth, error=rms, mask=missing, progress_bar=False
    )
    row, column = np.atleast_2d(sources.max_value_index).T
    stars = Table(
        {
            "x": np.atleast_1d(sources.x_centroid_win),
            "y": np.atleast_1d(sources.y_centroid_win),
            "flux": np.atleast_1d(sources.kron_flux),
            "flux_err": np.atleast_1d(sources.kron_flux_err),
            "peak": np.atleast_1d(sources.max_value),
            "half_flux_radius": _plain(sources.flux_radius(0.5)),
            "eccentricity": _plain(sources.eccentricity),
            "elongation_angle": _plain(sources.orientation) % 180,
            "saturated": pixels[row.astype(int), column.astype(int)] >= saturation,
        }
    )
    stars["clean"] = _are_clean(stars, missing)
    stars["fwhm"] = _half_widths(light, stars)
    return stars, sky, noise


def _plain(values: Any) -> NDArray[np.float64]:
    """Numbers without their unit."""
    return np.atleast_1d(np.asarray(getattr(values, "value", values), dtype=float))


def _are_clean(stars: Table, missing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Bright, unsaturated, isolated sources away from edges and missing pixels."""
    ny, nx = missing.shape
    x, y = np.asarray(stars["x"]), np.asarray(stars["y"])
    placed = np.isfinite(x) & np.isfinite(y)
    reach = _CLEAN_DISTANCE * np.asarray(stars["half_flux_radius"])
    apart = np.full(len(stars), np.inf)
    if placed.sum() > 1:
        places = np.column_stack([x, y])[placed]
        apart[placed] = cKDTree(places).query(places, k=2)[0][:, 1]
    inside = placed & (np.minimum(np.minimum(x, nx - 1 - x), np.minimum(y, ny - 1 - y)) > reach)
    clean: NDArray[np.bool_] = inside & (apart > reach) & ~np.asarray(stars["saturated"])
    clean &= np.asarray(stars["flux"] > _CLEAN_DEPTH * stars["flux_err"])
    for k in np.flatnonzero(clean):
        clean[k] = not missing[_box(x[k], y[k], reach[k])].any()
    return clean


def _box(x: float, y: float, reach: float) -> tuple[slice, slice]:
    """Pixels about a place."""
    half = int(np.ceil(reach))
    column, row = round(x), round(y)
    return (
        slice(max(0, row - half), row + half + 1),
        slice(max(0, column - half), column + half + 1),
    )


def _half_widths(light: NDArray[np.floating], stars: Table) -> NDArray[np.float64]:
    """Diameter of the circle with the area above half maximum, of clean stars.

    Measured on pixels interpolated by cubic splines.
    """
    width = np.full(len(stars), np.nan)
    flux = np.asarray(stars["flux"])
    clean = np.flatnonzero(np.asarray(stars["clean"]))
    for k in clean[np.argsort(-flux[clean], kind="stable")][:_MOST_STARS]:
        half = 2.5 * float(stars["half_flux_radius"][k])
        cut = light[_box(float(stars["x"][k]), float(stars["y"][k]), half)]
        shape = [1 + (size - 1) * _FINER for size in cut.shape]
        fine = zoom(cut, [new / old for new, old in zip(shape, cut.shape, strict=True)], order=3)
        top = np.unravel_index(np.argmax(fine), fine.shape)
        parts, _ = label(fine > 0.5 * fine[top])
        area = np.count_nonzero(parts == parts[top]) / _FINER**2
        width[k] = 2 * np.sqrt(area / np.pi)
    return width
