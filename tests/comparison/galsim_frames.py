"""Frames of stars drawn by galsim, whose heated profile is the heater-off one convolved."""

import galsim
import numpy as np
from scipy.ndimage import map_coordinates, spline_filter

GSPARAMS = galsim.GSParams(folding_threshold=1e-3, maxk_threshold=1e-4, maximum_fft_size=8192)

FINE = 5
"""Samples a pixel of the drawn profile, from which stars at any place are interpolated."""

REACH = 40


def seeing(kind: str, fwhm: float):
    """kolm, gauss or m<index>."""
    if kind == "gauss":
        return galsim.Gaussian(fwhm=fwhm, gsparams=GSPARAMS)
    if kind == "kolm":
        return galsim.Kolmogorov(fwhm=fwhm, gsparams=galsim.GSParams(folding_threshold=2e-3))
    return galsim.Moffat(beta=float(kind[1:]), fwhm=fwhm, gsparams=GSPARAMS)


def with_spike(profile, share: float, angle: float = 62.0):
    """A part of the light on a bar 60 px long."""
    bar = galsim.Box(60.0, 0.5, gsparams=GSPARAMS).rotate(angle * galsim.degrees)
    return (1 - share) * profile + share * galsim.Convolve(profile, bar, gsparams=GSPARAMS)


def draw_frame(
    profile, *, seed: int, size: int = 700, stars: int = 120, sky: float = 400.0, light: float = 2e5
):
    """A frame in electrons without its sky, with photon noise.

    The brightest star has the given light, the faintest 2.5 % of it.
    """
    rng = np.random.default_rng(seed)
    whole = galsim.Convolve(profile, galsim.Pixel(1.0))
    side = 2 * FINE * (REACH + 2) + 1
    fine = whole.drawImage(nx=side, ny=side, scale=1 / FINE, method="no_pixel", dtype=float).array
    smooth = spline_filter(fine * FINE**2, order=3)
    image = np.zeros((size, size))
    flux = light * 10 ** (-1.6 * rng.uniform(0, 1, stars))
    axis = np.arange(-REACH, REACH + 1)
    for x, y, one in zip(*rng.uniform(REACH + 1, size - REACH - 2, (2, stars)), flux, strict=True):
        column, row = round(x), round(y)
        u, v = side // 2 + FINE * (axis + column - x), side // 2 + FINE * (axis + row - y)
        stamp = map_coordinates(smooth, np.meshgrid(v, u, indexing="ij"), prefilter=False)
        box = np.s_[row - REACH : row + REACH + 1, column - REACH : column + REACH + 1]
        image[box] += one * stamp
    return (rng.poisson(np.maximum(image, 0) + sky) - sky).astype(np.float32)
