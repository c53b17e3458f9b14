"""All kinds of input as planes of pixels."""

from typing import Any

import numpy as np
from astropy.table import Table
from scipy import ndimage

from framesort.errors import InputError
from framesort.records import Stack
from framesort.replacement._arrays import Floats, Image
from framesort.replacement._places import DEFAULT_RADIUS
from framesort.workers import run_bands

ROWS = 64
"""Rows worked on at a time."""


def as_planes(image: Any, name: str) -> tuple[Image, float]:
    """Pixels [plane, y, x] as float32 with NaN where there are none, and the saturation level.

    Raises
    ------
    InputError
        Not an image of two axes, or three with the planes first.
    """
    saturation = np.inf
    mask = getattr(image, "mask", None)
    if isinstance(image, Stack):
        saturation, image = float(image.saturation), image.data
    elif hasattr(image, "data") and not isinstance(image, np.ndarray):
        image = image.data
    data = np.asarray(image, dtype=np.float32)
    if data.ndim == 2:
        data = data[None]
    if data.ndim != 3 or min(data.shape[1:]) < 16 or data.shape[0] > 8:
        raise InputError(
            f"{name} must be an image [y, x] or [plane, y, x] of 16 pixels or more a side, "
            f"got shape {np.shape(image)}"
        )
    if mask is not None and mask is not np.ma.nomask:
        data = np.where(np.broadcast_to(mask, data.shape), np.float32(np.nan), data)
    if np.isinf(data).any():
        data = np.where(np.isinf(data), np.float32(np.nan), data)
    data = np.ascontiguousarray(data)
    if np.isnan(data).all():
        raise InputError(f"{name} holds no finite pixel")
    return data, saturation


def mask_unweighted(planes: Image, stack: Any) -> Image:
    """Planes of a stack with NaN where its weight is 0, in all planes where it is so in one."""
    if not isinstance(stack, Stack):
        return planes
    weight = stack.weight if stack.weight.ndim == 2 else stack.weight.min(axis=0)
    out = np.empty_like(planes)

    def work(first: int, last: int) -> None:
        rows = np.s_[..., first:last, :]
        out[rows] = np.where(weight[rows] > 0, planes[rows], np.float32(np.nan))

    run_bands(work, len(weight), band=ROWS)
    return out


def mean_plane(planes: Image) -> Image:
    """Mean of planes; the plane itself, not a copy, where there is one."""
    if planes.ndim == 2:
        return planes
    return np.asarray(planes[0] if len(planes) == 1 else planes.mean(axis=0))


def places_table(table: Any, name: str) -> Floats | None:
    """Rows (x, y, radius) of a table or an array of places."""
    if table is None:
        return None
    if isinstance(table, Table):
        names = [name for name in ("x", "y", "radius") if name in table.colnames]
        out = np.column_stack([np.asarray(table[name], float) for name in names])
    else:
        out = np.atleast_2d(np.asarray(table, dtype=float))
    if out.size and out.shape[1] not in (2, 3):
        raise InputError(f"{name} must have the columns x, y, radius, got shape {out.shape}")
    if out.size and out.shape[1] == 2:
        out = np.column_stack([out, np.full(len(out), DEFAULT_RADIUS)])
    return out.reshape(-1, 3)


LARGEST_HOLE = 30
"""Pixels up to which a hole beside a saturated pixel is taken for a star's core."""


def fill_saturated_cores(planes: Image, level: float) -> Image:
    """Fill small holes beside a saturated pixel with the rim's highest value: saturated as well.

    Stacking may leave nothing of a core in which no frame has a pixel that is not saturated; such a
    hole belongs to a star, not to a part without data.
    """
    holes = np.isnan(planes)
    if not (np.isfinite(level) and holes.any()):
        return planes
    filled = planes.copy()
    for plane, empty in zip(filled, holes, strict=True):
        labels, n = ndimage.label(empty, np.ones((3, 3)))
        size = np.bincount(labels.ravel(), minlength=n + 1)
        for k, box in enumerate(ndimage.find_objects(labels), start=1):
            if size[k] > LARGEST_HOLE:
                continue
            wide = tuple(slice(max(0, side.start - 1), side.stop + 1) for side in box)
            highest = np.nanmax(plane[wide], initial=-np.inf)
            if highest >= level:
                plane[wide][labels[wide] == k] = highest
    return filled
