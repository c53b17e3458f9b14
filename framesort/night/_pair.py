"""Two pictures made elsewhere brought together: one grid, as many planes, places in pixels."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.io.fits import Header
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError, NotEnoughFramesError
from framesort.files import StrPath
from framesort.images import Picture, as_picture, wcs_of
from framesort.records import Note, Transform
from framesort.replacement import natural_unit, read_places
from framesort.stacking import resample_image
from framesort.stars import estimate_background, find_stars, match_star_lists

__all__ = [
    "FEWEST_STARS",
    "align_picture",
    "coarse_steps",
    "gather_picture",
    "in_same_units",
    "in_units",
    "mean_plane",
    "place_table",
    "places_outside",
]

_STILL = 0.02
"""Pixels: two stacks whose corners agree so well are on one grid and are not resampled."""

FEWEST_STARS = 4
"""Fewest stars for a transform."""

_COARSE = 0.4
"""Steps: with less noise than this a pixel hardly ever changes its number."""

_STARS = 3000
"""Brightest stars that two stacks are matched by."""

_SCALES = (0.2, 5.0)
"""Image scales tried where the usual ones fail: another binning, another telescope."""


def gather_picture(source: Any, *, name: str) -> list[Picture]:
    """A picture, or several of one plane each that are to be the planes of one.

    Raises
    ------
    InputError
        Several are given and one of them has more than one plane, or one holds no pixel.
    """
    several = isinstance(source, Sequence) and not isinstance(source, str)
    pictures = [
        as_picture(item, name=f"{name} {k}" if several else name)
        for k, item in enumerate(source if several else [source], start=1)
    ]
    pictures = [
        replace(p, data=p.data[0]) if p.data.ndim == 3 and p.planes == 1 else p for p in pictures
    ]
    for picture in pictures:
        if not np.isfinite(picture.data).any():
            raise InputError(f"{picture.name}: holds no finite pixel")
        if picture.tiff and picture.stored == "uint8":
            raise InputError(
                f"{picture.name}: 8 bits a pixel are too coarse for faint light; save it linear "
                "with 16 or 32 bits"
            )
        if len(pictures) > 1 and picture.planes > 1:
            raise InputError(
                f"{picture.name}: has {picture.planes} planes; give either one colour picture or "
                "several of one plane each"
            )
    return pictures


def in_units(picture: Picture) -> tuple[Picture, float]:
    """A picture of ordinary numbers, and what they count: 1 but for giant or tiny numbers."""
    (scaled,), unit = in_same_units([picture])
    return scaled, unit


def in_same_units(pictures: list[Picture]) -> tuple[list[Picture], float]:
    """Several pictures, all in the unit of the first."""
    unit = natural_unit(pictures[0].data)
    if unit == 1:
        return pictures, unit
    return [
        replace(p, data=p.data / np.float32(unit), saturation=p.saturation / unit) for p in pictures
    ], unit


def coarse_steps(picture: Picture) -> list[Note]:
    """A note where whole numbers are coarser than the noise that they should show."""
    if "int" not in picture.stored:
        return []
    noise = float(np.median(estimate_background(mean_plane(picture)).noise))
    if not noise < _COARSE:
        return []
    text = (
        f"{picture.name}: its noise of {noise:.2f} is lost between whole numbers; save it with 32 "
        "bits"
    )
    return [Note("coarse pixels", text)]


def mean_plane(picture: Picture) -> NDArray[np.float32]:
    """The mean of the planes; NaN where one of them has no data or the weight is 0."""
    data = picture.data if picture.data.ndim == 2 else picture.data.mean(axis=0)
    if picture.weight is not None:
        data = np.where(picture.weight > 0, data, np.float32(np.nan))
    return np.asarray(data, dtype=np.float32)


def align_picture(
    picture: Picture, shape: tuple[int, int], stars: Table, *, name: str
) -> tuple[Picture, list[Note]]:
    """Bring a picture onto the grid of another by its stars, resampled only if it has to be.

    Half a turn, any other rotation, another scale and a mirror image are followed.

    Parameters
    ----------
    picture : Picture
    shape : (int, int)
        Rows and columns of the grid.
    stars : `~astropy.table.Table`
        Stars of the picture whose grid it is.
    name : str
        What to call the picture in messages.

    Returns
    -------
    picture : Picture
    notes : list of Note
        One where it had to be turned over, or reaches over a part of the grid only.

    Raises
    ------
    NotEnoughFramesError
        The stars cannot be matched.
    """
    notes = []
    own = find_stars(mean_plane(picture), limit=_STARS)
    transform = match_star_lists(own, stars)
    for options in ({"scale_range": _SCALES}, {"scale_range": _SCALES, "mirror": True}):
        if transform:
            break
        transform = match_star_lists(own, stars, **options)
    if len(own) < FEWEST_STARS:
        raise NotEnoughFramesError(
            f"{name}: {len(own)} stars found; a linear stack with stars is needed"
        )
    if not transform:
        raise NotEnoughFramesError(
            f"{name}: its {len(own)} stars cannot be matched with the {len(stars)} of the deep "
            f"stack ({transform.reason}); check that both show the same field, or give --aligned "
            "where they are on one grid"
        )
    if np.linalg.det(transform.matrix[:2, :2]) < 0:
        text = f"{name}: is a mirror image of the deep stack and was turned over."
        notes.append(Note("mirrored", text))
    if picture.shape == shape and _is_still(transform, shape):
        return picture, notes
    planes = picture.data[None] if picture.data.ndim == 2 else picture.data
    if picture.weight is not None:
        planes = np.where(picture.weight > 0, planes, np.float32(np.nan))
    data = np.stack([resample_image(plane, transform, shape) for plane in planes])
    share = float(np.isfinite(data).all(axis=0).mean())
    if share < 0.95:
        text = f"{name}: covers {100 * share:.0f} % of the deep stack; stars beyond it stay."
        notes.append(Note("partial cover", text))
    # A pixel's value was divided by the area that it covers on the grid.
    area = abs(np.linalg.det(transform.matrix[:2, :2])) / transform.matrix[2, 2] ** 2
    moved = replace(
        picture,
        data=data[0] if picture.data.ndim == 2 else data,
        weight=None,
        saturation=picture.saturation / float(area),
    )
    return moved, notes


def _is_still(transform: Transform, shape: tuple[int, int]) -> bool:
    x, y = (
        np.array([0, shape[1] - 1, 0, shape[1] - 1]),
        np.array([0, 0, shape[0] - 1, shape[0] - 1]),
    )
    to_x, to_y = transform.map_points(x, y)
    limit = max(_STILL, 3 * transform.residual / np.sqrt(max(transform.matched, 1)))
    return bool(np.hypot(to_x - x, to_y - y).max() < limit)


def place_table(places: StrPath | Table | SkyCoord | Any, header: Header) -> Any:
    """Places to keep or to force, as x, y, radius in pixels of the deep stack.

    Parameters
    ----------
    places : path, Table, SkyCoord, array_like or None
        Columns x, y or ra, dec (degrees or a unit of their own), and radius in pixels or as an
        angle; without a radius 5 pixels.
    header : `~astropy.io.fits.Header`
        Of the deep stack; its WCS turns sky coordinates into pixels.

    Raises
    ------
    InputError
        Sky coordinates and no WCS, or columns missing.
    """
    if places is None or isinstance(places, np.ndarray | list | tuple):
        return places
    wcs = wcs_of(header)
    if not isinstance(places, Table | SkyCoord):
        return read_places(places, wcs=wcs)
    if isinstance(places, Table):
        if {"x", "y"} <= set(places.colnames):
            return places
        if not {"ra", "dec"} <= set(places.colnames):
            raise InputError(f"places need columns x, y or ra, dec, got {places.colnames}")
        degrees = [u.Quantity(places[c], places[c].unit or u.deg) for c in ("ra", "dec")]
        sky = SkyCoord(*degrees)
        radius = places["radius"] if "radius" in places.colnames else None
    else:
        sky, radius = SkyCoord(np.atleast_1d(places)), None
    if wcs is None:
        raise InputError("places in ra, dec need a deep stack with a WCS in its header")
    x, y = wcs.world_to_pixel(sky)
    table = Table({"x": np.atleast_1d(x), "y": np.atleast_1d(y)})
    if radius is not None:
        unit = getattr(radius, "unit", None)
        if unit is not None and u.Unit(unit).is_equivalent(u.deg):
            scale = np.sqrt(abs(np.linalg.det(wcs.pixel_scale_matrix))) * u.deg
            radius = np.asarray(u.Quantity(radius, unit) / scale, dtype=float)
        table["radius"] = np.asarray(radius, dtype=float)
    return table


def places_outside(places: Any, shape: tuple[int, int], name: str) -> list[Note]:
    """A note where places lie beyond the picture."""
    if places is None:
        return []
    if isinstance(places, Table):
        x, y = (np.asarray(places[c], dtype=float) for c in ("x", "y"))
    else:
        x, y = np.atleast_2d(np.asarray(places, dtype=float)).T[:2]
    beyond = int(np.sum((x < -0.5) | (y < -0.5) | (x > shape[1] - 0.5) | (y > shape[0] - 0.5)))
    if not beyond:
        return []
    text = f"{beyond} of {len(x)} places of {name} lie beyond the picture."
    return [Note("places outside", text)]
