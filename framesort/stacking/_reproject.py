"""Frames with optical distortion onto the grid, by the library reproject."""

import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
from astropy.wcs.wcsapi import HighLevelWCSWrapper, SlicedLowLevelWCS
from astropy.wcs.wcsapi.wrappers.base import BaseWCSWrapper
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from framesort.records import PixelMap, map_by_matrix

__all__ = ["reproject_stripes"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

TILE = 512  # pixels a side that are reprojected at a time
PADDING = 16  # frame pixels around a tile: the spline filter decays by 0.27 a pixel
BORDER = 65  # places along each side of a frame from which its extent on the grid is taken
ORDERS = {"linear": "bilinear", "cubic": "bicubic", "lanczos3": "bicubic"}
"""Interpolation of reproject for each kernel."""


class _MovedWCS(BaseWCSWrapper):  # type: ignore[misc]  # astropy has no types
    """A WCS after a projective transform of its pixels, and from a first pixel on."""

    def __init__(self, wcs: Any, matrix: Floats) -> None:
        super().__init__(wcs)
        self._matrix, self._inverse = matrix, np.linalg.inv(matrix)

    @property
    def pixel_bounds(self) -> None:
        return None

    def pixel_to_world_values(self, *pixels: Any) -> Any:
        return self._wcs.pixel_to_world_values(*map_by_matrix(self._inverse, *pixels))

    def world_to_pixel_values(self, *world: Any) -> Any:
        return map_by_matrix(self._matrix, *self._wcs.world_to_pixel_values(*world))


def reproject_stripes(
    pixels: Image,
    pixel_map: PixelMap,
    shape: tuple[int, int],
    *,
    kernel: str,
    saturation: float = np.inf,
) -> Iterator[tuple[Image, NDArray[np.uint8]]]:
    """Bring a frame onto the grid, a stripe of `TILE` rows after another.

    Parameters
    ----------
    pixels : (ny, nx) float32 ndarray
        NaN is missing: a place whose nearest pixel is missing is missing, beside it the value
        of the nearest pixel stands in.
    pixel_map : PixelMap
        The way over the sky.
    shape : (int, int)
        Rows and columns of the grid.
    kernel : {"linear", "cubic", "lanczos3"}
        The last two are the bicubic spline of reproject.
    saturation : float
        Saturation level.

    Yields
    ------
    values : (rows, columns) float32 ndarray
        Surface brightness per frame pixel; NaN where the frame does not reach.
    flags : (rows, columns) uint8 ndarray
        1 where the nearest pixel is saturated.
    """
    cover = _extent(pixels.shape, pixel_map, shape)
    for start in range(0, shape[0], TILE):
        stop = min(start + TILE, shape[0])
        values = np.full((stop - start, shape[1]), np.nan, dtype=np.float32)
        flags = np.zeros(values.shape, dtype=np.uint8)
        rows = slice(max(start, cover[0].start), min(stop, cover[0].stop))
        for left in range(cover[1].start, cover[1].stop, TILE):
            columns = slice(left, min(left + TILE, cover[1].stop))
            if rows.stop > rows.start:
                inside = slice(rows.start - start, rows.stop - start), columns
                tile = _reproject_tile(pixels, pixel_map, (rows, columns), kernel, saturation)
                if tile is not None:
                    values[inside], flags[inside] = tile
        yield values, flags


def _extent(
    frame: tuple[int, ...], pixel_map: PixelMap, shape: tuple[int, int]
) -> tuple[slice, slice]:
    """Rows and columns of the grid that a frame can reach."""
    ny, nx = frame
    u, v = np.linspace(-0.5, nx - 0.5, BORDER), np.linspace(-0.5, ny - 0.5, BORDER)
    x = np.concatenate([u, u, np.full(BORDER, u[0]), np.full(BORDER, u[-1])])
    y = np.concatenate([np.full(BORDER, v[0]), np.full(BORDER, v[-1]), v, v])
    gx, gy = pixel_map.to_grid(x, y)
    return _bounds(gy, shape[0], 1), _bounds(gx, shape[1], 1)


def _bounds(places: Floats, limit: int, padding: int) -> slice:
    start = min(max(int(np.floor(np.nanmin(places))) - padding, 0), limit)
    return slice(start, max(min(int(np.ceil(np.nanmax(places))) + padding + 1, limit), start))


def _reproject_tile(
    pixels: Image, pixel_map: PixelMap, tile: tuple[slice, slice], kernel: str, saturation: float
) -> tuple[Image, NDArray[np.bool_]] | None:
    """Values and saturation flags on a tile of the grid; None where the frame does not reach."""
    # Imported here: it takes a third of a second to load, and sorting does not need it.
    from reproject import reproject_interp

    rows, columns = tile
    x, y = np.meshgrid(
        np.linspace(columns.start, columns.stop - 1, 9), np.linspace(rows.start, rows.stop - 1, 9)
    )
    fx, fy = pixel_map.to_frame(x, y)
    if not np.isfinite(fx * fy).any():
        return None
    cut = _bounds(fy, pixels.shape[0], PADDING), _bounds(fx, pixels.shape[1], PADDING)
    part = pixels[cut]
    if min(part.shape) < 2:
        return None
    known = np.isfinite(part)
    if not known.any():
        return None
    planes = np.stack([_filled(part, known), known, part >= saturation]).astype(np.float32)
    shift = np.array([[1.0, 0, -columns.start], [0, 1, -rows.start], [0, 0, 1]])
    target = _MovedWCS(pixel_map.grid, shift @ pixel_map.correction)
    source = SlicedLowLevelWCS(pixel_map.frame, cut)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        out = reproject_interp(
            (planes, HighLevelWCSWrapper(source)),
            HighLevelWCSWrapper(target),
            shape_out=(3, rows.stop - rows.start, columns.stop - columns.start),
            order=ORDERS[kernel],
            return_footprint=False,
        )
    values = np.where(out[1] > 0.5, out[0], np.nan).astype(np.float32)
    return values, (out[2] > 0.5) & np.isfinite(values)


def _filled(part: Image, known: NDArray[np.bool_]) -> Image:
    """Missing pixels with the value of the nearest one."""
    if known.all():
        return part
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(part[tuple(nearest)], dtype=np.float32)
