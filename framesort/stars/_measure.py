"""Everything of one frame's star quality."""

from dataclasses import replace
from typing import Any

import numpy as np

from framesort.records import FrameQuality
from framesort.stars._find import measure_field
from framesort.stars._map import fit_slope, half_diagonal, map_widths
from framesort.stars._pixels import Pixels
from framesort.stars._spike import spike_from_stars

__all__ = ["measure_image"]

_LEAST_STARS = 5


def measure_image(image: Any, *, saturation: float | None = None, mask: Any = None) -> FrameQuality:
    """Measure a frame: stars, their widths and shape, spike, sky and noise.

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
        With the reason "few stars" where fewer than five clean stars were found; sky, noise
        and star list are given all the same.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or the mask has another shape.
    """
    pixels = Pixels(image, mask)
    field = measure_field(pixels, saturation=saturation)
    # The maps are smooth over many pixels: a part of them has the same median.
    known = np.isfinite(pixels.part(slice(None, None, 8), slice(None, None, 8)))
    if not known.any():
        known[:] = True
    sky = float(np.median(field.level.every(8)[known]))
    noise = float(np.median(field.sky_noise.every(8)[known]))
    half = half_diagonal(pixels)
    gradient = fit_slope(field.level, pixels, half=half)
    table = field.table
    clean = np.asarray(table["clean"], dtype=bool)
    frame = FrameQuality(
        stars=len(table),
        sky=sky,
        noise=noise,
        sky_gradient=gradient,
        saturation=field.saturation if saturation is None else float(saturation),
        star_list=table,
    )
    if clean.sum() < _LEAST_STARS:
        return replace(frame, reason="few stars")
    fwhm = float(np.median(table["fwhm"][clean]))
    # The relative error of a width is half of that of the light.
    values = {
        name: np.asarray(table[name], dtype=float)[clean]
        for name in ("x", "y", "flux", "flux_err", "fwhm")
    }
    width_err = 0.5 * values["fwhm"] * values["flux_err"] / values["flux"]
    field_map = map_widths(
        values["x"], values["y"], values["fwhm"], width_err, pixels.shape, half=half
    )
    spike = spike_from_stars(
        field.residual, field.stars, ~field.saturated, field.noise, field.growth.total, fwhm
    )
    return replace(
        frame,
        fwhm=fwhm,
        half_flux_radius=float(np.median(table["half_flux_radius"][clean])),
        eccentricity=field.contour.eccentricity,
        elongation_angle=field.contour.angle,
        spike_raw=spike.strength,
        spike_raw_err=spike.error,
        spike_raw_angle=spike.angle,
        spike_total=spike.total,
        spike_total_err=spike.total_err,
        spike_length=spike.length,
        spike_profile=spike.profile,
        spike_profile_err=spike.profile_err,
        fwhm_centre=field_map.centre,
        fwhm_corners=field_map.corners,
        fwhm_corners_err=field_map.corners_err,
        fwhm_tilt=field_map.tilt,
        fwhm_tilt_err=field_map.tilt_err,
    )
