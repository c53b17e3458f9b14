"""Lists of places to keep or to force."""

import os
import warnings

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import Table
from astropy.utils.exceptions import AstropyWarning

from framesort.errors import InputError

DEFAULT_RADIUS = 5.0


def read_places(path: str | os.PathLike[str], *, wcs: object = None) -> Table:
    """Places from a text table.

    Parameters
    ----------
    path : path
        A table that astropy can read (ECSV, CSV, or columns by blanks with a header line),
        columns x, y in pixels (pixel (0, 0) is the centre of the first) or ra, dec in degrees,
        and radius in pixels; without a radius 5 pixels are taken. Without a header line the
        columns are x, y, radius.
    wcs : `~astropy.wcs.WCS` or None
        Turns ra and dec into pixels.

    Returns
    -------
    `~astropy.table.Table`
        Columns x, y, radius, pixels.

    Raises
    ------
    InputError
        The file cannot be read, lacks a column, or gives ra and dec without a `wcs`.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", AstropyWarning)  # an unused column
            table = Table.read(path, format="ascii")
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except Exception as error:  # whatever the text is, it is no table
        raise InputError(
            f"{path}: cannot be read as a table; columns x, y, radius below a heading are needed"
        ) from error
    names = {name.lower(): name for name in table.colnames}
    if all(name.startswith("col") for name in table.colnames) and len(names) in (2, 3):
        names = dict(zip(("x", "y", "radius"), table.colnames, strict=False))
    sky_only = {"ra", "dec"} <= names.keys() and not {"x", "y"} <= names.keys()
    if sky_only and wcs is None:
        raise InputError(f"{path}: ra and dec need an image with a WCS")
    try:
        if sky_only:
            sky = SkyCoord(table[names["ra"]], table[names["dec"]], unit=u.deg)
            x, y = wcs.world_to_pixel(sky)  # type: ignore[attr-defined]
        else:
            x, y = (np.asarray(table[names[c]], dtype=float) for c in ("x", "y"))
        radius = (
            np.asarray(table[names["radius"]], dtype=float)
            if "radius" in names
            else np.full(len(table), DEFAULT_RADIUS)
        )
    except (KeyError, ValueError) as error:
        raise InputError(
            f"{path}: columns x, y, radius (or ra, dec, radius) are needed, got {table.colnames}"
        ) from error
    out = Table({"x": np.atleast_1d(x), "y": np.atleast_1d(y), "radius": radius})
    for name in out.colnames:
        out[name].unit = u.pix
    return out
