"""The green pixels of a filter array as an image of their own, turned by 45 degrees.

Green pixels are every other pixel, the next row shifted by one.
That is a square lattice turned by 45 degrees, its step sqrt(2) pixels. It holds green
pixels only and all of them, so stars can be measured on it as they were recorded: nothing is
interpolated, no star is widened and noise stays independent from pixel to pixel. With
p = 0 or 1 the parity of x + y of green pixels, a pixel (x, y) has the place

    u = (x + y - p) / 2,    v = (y - x - p) / 2 + K,    K = width // 2 + 1,

and back ``x = u - v + K``, ``y = u + v - K + p``. Outside of the turned frame is no data.
"""

from dataclasses import replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import SPIKE_BINS, FrameQuality

__all__ = ["green_lattice", "green_parity", "restore_quality"]

STEP = np.sqrt(2.0)
"""Pixels between neighbours on the lattice."""

AREA = 2.0
"""Pixels of the frame for each green one."""

TURN = 45.0
"""Degrees by which directions on the lattice are turned on the frame, counter-clockwise."""


_LENGTHS = (
    "fwhm",
    "half_flux_radius",
    "spike_length",
    "fwhm_centre",
    "fwhm_corners",
    "fwhm_corners_err",
    "fwhm_tilt",
    "fwhm_tilt_err",
)
"""Fields of FrameQuality in pixels of the lattice. Slopes over the field refer to a diagonal
of the part that has data, which is the frame's on the lattice as well."""

_ANGLES = ("elongation_angle", "spike_raw_angle")
"""Position angles, degrees [0, 180)."""


def green_parity(pattern: str) -> int:
    """Parity of x + y of green pixels.

    Raises
    ------
    InputError
        The pattern is not one of two by two colours.
    """
    if pattern in ("RGGB", "BGGR"):
        return 1
    if pattern in ("GRBG", "GBRG"):
        return 0
    raise InputError(f"pattern must be RGGB, BGGR, GRBG or GBRG, got {pattern!r}")


def green_lattice(mosaic: NDArray[np.floating], pattern: str) -> NDArray[np.float32]:
    """The green pixels on their own square lattice.

    Parameters
    ----------
    mosaic : (ny, nx) float ndarray
        A frame with a colour filter array. NaN is missing.
    pattern : str
        Colours of the first two pixels of the first two rows, such as "RGGB".

    Returns
    -------
    ((nx + ny) / 2, (nx + ny) / 2) float32 ndarray
        About so large. NaN where the frame does not reach.
    """
    parity = green_parity(pattern)
    ny, nx = mosaic.shape
    shift = nx // 2 + 1
    rows, columns = (ny - parity) // 2 + shift + 1, (nx + ny - parity) // 2 + 1
    flat = np.full(rows * columns, np.nan, dtype=np.float32)
    for y in range(ny):
        first = (y + parity) % 2
        count = len(range(first, nx, 2))
        # One step along the row is one step up in u and one down in v.
        start = ((y - first - parity) // 2 + shift) * columns + (first + y - parity) // 2
        stop = start - (columns - 1) * count
        flat[start : None if stop < 0 else stop : -(columns - 1)] = mosaic[y, first::2]
    return flat.reshape(rows, columns)


def restore_quality(quality: FrameQuality, pattern: str, width: int) -> FrameQuality:
    """What was measured on the lattice, in pixels and directions of the frame.

    Parameters
    ----------
    quality : FrameQuality
        Measured on `green_lattice`.
    pattern : str
        As there.
    width : int
        Columns of the frame.

    Returns
    -------
    FrameQuality
        Lengths in pixels of the frame, angles counter-clockwise from its +x; fluxes are those
        of a full plane of green: two pixels for each green one.
    """
    half = SPIKE_BINS * int(TURN) // 180
    odd = SPIKE_BINS * int(TURN) % 180
    profiles = []
    for profile in (quality.spike_profile, quality.spike_profile_err):
        turned = np.roll(profile, half)
        # A quarter of the half circle may end within a bin: half of each neighbour then.
        profiles.append(0.5 * (turned + np.roll(turned, 1)) if odd else turned)
    return replace(
        quality,
        **{name: getattr(quality, name) * STEP for name in _LENGTHS},
        **{name: (getattr(quality, name) + TURN) % 180 for name in _ANGLES},
        spike_profile=profiles[0],
        spike_profile_err=profiles[1],
        star_list=_restore_stars(quality.star_list, green_parity(pattern), width),
    )


def _restore_stars(stars: Table, parity: int, width: int) -> Table:
    table, shift = stars.copy(), width // 2 + 1
    u, v = np.asarray(stars["x"], dtype=float), np.asarray(stars["y"], dtype=float)
    table["x"], table["y"] = u - v + shift, u + v - shift + parity
    for name, factor in (
        ("flux", AREA),
        ("flux_err", AREA),
        ("fwhm", STEP),
        ("half_flux_radius", STEP),
    ):
        table[name] = np.asarray(stars[name], dtype=float) * factor
    table["elongation_angle"] = (np.asarray(stars["elongation_angle"], dtype=float) + TURN) % 180
    for name in stars.colnames:
        table[name].unit = stars[name].unit
        table[name].info.description = stars[name].info.description
    return table
