"""Background level and noise of an image: a clipped mesh, smoothed and interpolated."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, median_filter

from framesort.stars._mesh import measure_mesh, pick_mesh, spread_mesh, take_mesh
from framesort.stars._pixels import BAND, Pixels
from framesort.workers import run_bands

__all__ = [
    "Background",
    "Map",
    "MeshMap",
    "WholeMap",
    "background_level",
    "background_maps",
    "estimate_background",
    "prepare_image",
    "subtract_background",
]

_MESH_BAND = 4  # rows of boxes that a thread takes up at a time


@dataclass(frozen=True)
class Background:
    """Background of an image. Axis order is [y, x].

    Attributes
    ----------
    level : (ny, nx) float32 ndarray
        Sky and nebula below the stars, ADU.
    noise : (ny, nx) float32 ndarray
        Standard deviation per pixel, ADU.
    """

    level: NDArray[np.float32]
    noise: NDArray[np.float32]


def prepare_image(image: Any, mask: Any = None) -> NDArray[np.float32]:
    """A contiguous float32 image in which pixels without data are NaN.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU; `~astropy.nddata.CCDData` and masked arrays bring their own mask.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or the mask has another shape.
    """
    pixels = Pixels(image, mask)
    return pixels.rows(0, pixels.shape[0])


@dataclass(frozen=True)
class MeshMap:
    """A smooth map of an image as its mesh of boxes, spread to pixels where they are looked at.

    Attributes
    ----------
    mesh : (rows, columns) float32 ndarray
        Values at the centres of the boxes.
    shape : (int, int)
        Of the image.
    """

    mesh: NDArray[np.float32]
    shape: tuple[int, int]

    def rows(self, first: int, last: int, out: Any = None) -> NDArray[np.float32]:
        """Rows `first` to `last` of the map; they are put in `out`, of as many rows or more."""
        if out is None:
            out = np.empty((last - first, self.shape[1]), np.float32)
        spread_mesh(self.mesh, first, last, self.shape[0], out)
        return np.asarray(out[: last - first])

    def at(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.float32]:
        """Values at pixels."""
        out = np.empty(np.shape(x), np.float32)
        x, y = (np.ascontiguousarray(v, dtype=np.int64) for v in (x, y))
        pick_mesh(self.mesh, x, y, *self.shape, out)
        return out

    def part(self, y0: int, y1: int, x0: int, x1: int) -> NDArray[np.float32]:
        """A rectangle of the map."""
        out = np.empty((y1 - y0, x1 - x0), np.float32)
        band = np.empty((min(BAND, y1 - y0), self.shape[1]), np.float32)
        for y in range(y0, y1, BAND):
            end = min(y + BAND, y1)
            out[y - y0 : end - y0] = self.rows(y, end, band)[:, x0:x1]
        return out

    def every(self, step: int, start: int = 0) -> NDArray[np.float32]:
        """Every `step`-th pixel along both axes, from `start` on."""
        lines = range(start, self.shape[0], step)
        return np.concatenate([self.rows(y, y + 1)[:, start::step] for y in lines])


@dataclass(frozen=True)
class WholeMap:
    """The same of a map whose every pixel is held."""

    values: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, int]:
        """Of the image."""
        return self.values.shape[0], self.values.shape[1]

    def rows(self, first: int, last: int, out: Any = None) -> NDArray[np.float32]:
        """Rows `first` to `last` of the map, not copied: `out` is left as it is."""
        return self.values[first:last]

    def at(self, x: NDArray[Any], y: NDArray[Any]) -> NDArray[np.float32]:
        """Values at pixels."""
        return np.asarray(self.values[y, x])

    def part(self, y0: int, y1: int, x0: int, x1: int) -> NDArray[np.float32]:
        """A rectangle of the map."""
        return self.values[y0:y1, x0:x1]

    def every(self, step: int, start: int = 0) -> NDArray[np.float32]:
        """Every `step`-th pixel along both axes, from `start` on."""
        return np.asarray(self.values[start::step, start::step])


Map = MeshMap | WholeMap


def background_maps(pixels: Pixels, background: Background | None = None) -> tuple[Map, Map]:
    """Level and noise: of a background that is known, else as `estimate_background` gives them."""
    if background is not None:
        return WholeMap(background.level), WholeMap(background.noise)
    level, noise = _measure_boxes(pixels, 64, 1)
    return MeshMap(level, pixels.shape), MeshMap(noise, pixels.shape)


def _fill_mesh(mesh: NDArray[np.float32]) -> NDArray[np.float32]:
    """Boxes without pixels take the value of the nearest box; outliers are smoothed away."""
    empty = ~np.isfinite(mesh)
    if empty.all():
        return np.zeros_like(mesh)
    if empty.any():
        nearest = distance_transform_edt(empty, return_distances=False, return_indices=True)
        mesh = mesh[tuple(nearest)]
    if min(mesh.shape) < 2:
        return mesh
    # Continued beyond the edges by reflection in the edge's value, so that a slope stays one.
    wide = np.pad(mesh, 1, mode="reflect", reflect_type="odd")
    return np.ascontiguousarray(median_filter(wide, size=3)[1:-1, 1:-1])


def estimate_background(
    image: Any, *, mask: Any = None, box: int = 64, threads: int = 1
) -> Background:
    """Level and noise of the background.

    The image is cut into boxes; in each the pixels from 3 standard deviations below to 1.5
    above the level are kept, and the level and width of the normal distribution that has
    their mean and scatter are taken, until nothing changes. The start is the median and the
    spread of the lower half, which stars do not reach. The boxes are smoothed with a 3 x 3
    median and interpolated linearly (the mesh of Bertin & Arnouts 1996, A&AS 117, 393, sec. 3).
    The noise is that of differences over two pixels where a box has structure of its own.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.
    box : int
        Size of a box, pixels. At least 4.
    threads : int
        Boxes are measured by so many at once. The result does not depend on it.

    Returns
    -------
    Background
        Zero level and zero noise where the whole image has no data.

    Raises
    ------
    ValueError
        Wrong shape of image or mask, or a box below 4.
    """
    pixels = Pixels(image, mask)
    result = Background(np.empty(pixels.shape, np.float32), np.empty(pixels.shape, np.float32))
    meshes = _measure_boxes(pixels, box, threads)
    for mesh, out in zip(meshes, (result.level, result.noise), strict=True):
        _by_rows(partial(_spread_rows, mesh, out), len(out), box, threads)
    return result


def background_level(image: NDArray[np.float32], *, box: int = 64, threads: int = 1) -> MeshMap:
    """The level that `estimate_background` gives, by itself and as its mesh; see there."""
    pixels = Pixels(image)
    level, _ = _measure_boxes(pixels, box, threads)
    return MeshMap(level, pixels.shape)


def subtract_background(
    image: NDArray[np.float32], *, box: int = 64, threads: int = 1, out: Any = None
) -> NDArray[np.float32]:
    """An image less the level that `estimate_background` gives, which is not kept.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        NaN pixels are left out, and stay.
    box, threads
        As for `estimate_background`.
    out : (ny, nx) float32 ndarray or None
        Where to put the result; may be `image`.
    """
    out = np.empty(image.shape, np.float32) if out is None else out
    level, _ = _measure_boxes(Pixels(image), box, threads)
    _by_rows(partial(_take_rows, level, image, out), len(out), box, threads)
    return np.asarray(out)


def _measure_boxes(
    pixels: Pixels, box: int, threads: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Level and noise of the boxes, smoothed and without holes."""
    if box < 4:
        raise ValueError(f"box must be 4 pixels or more, got {box}")
    rows, columns = (max(1, -(-size // box)) for size in pixels.shape)
    level, noise = np.empty((rows, columns), np.float32), np.empty((rows, columns), np.float32)
    size = pixels.shape[0]

    def work(first: int, last: int) -> None:
        top = first * size // rows
        part = pixels.rows(top, last * size // rows)
        measure_mesh(part, top, size, box, first, last, level, noise)

    run_bands(work, rows, band=_MESH_BAND, threads=threads)
    return _fill_mesh(level), _fill_mesh(noise)


def _by_rows(work: Callable[[int, int], None], rows: int, box: int, threads: int) -> None:
    run_bands(work, rows, band=_MESH_BAND * box, threads=threads)


def _spread_rows(mesh: Any, out: Any, first: int, last: int) -> None:
    spread_mesh(mesh, first, last, len(out), out[first:last])


def _take_rows(mesh: Any, image: Any, out: Any, first: int, last: int) -> None:
    take_mesh(mesh, image[first:last], first, last, len(out), out[first:last])
