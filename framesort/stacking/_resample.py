"""An image onto the target grid: interpolation with a guard against ringing."""

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.images import as_picture
from framesort.records import Transform
from framesort.stacking._held import Held, Scaling
from framesort.stacking._interpolate import place_into, resample_into
from framesort.stacking._reproject import reproject_stripes
from framesort.stacking._weights import kernel_polynomials

__all__ = [
    "Placement",
    "area_factor",
    "inverse_matrix",
    "needed_rows",
    "resample_image",
    "resample_rows",
]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]


def needed_rows(inverse: Floats, rows: slice, columns: int, half: int, limit: int) -> slice:
    """Rows of a frame that rows of the grid are made of; empty if none.

    `inverse` takes the grid to the frame; a homography keeps straight lines straight, so the
    corners of the band bound it.
    """
    _, (a, b, c), (d, e, f) = inverse.tolist()
    py = [
        (a * x + b * y + c) / (d * x + e * y + f)
        for x in (-0.5, columns - 0.5)
        for y in (rows.start - 0.5, rows.stop - 0.5)
    ]
    start = max(math.floor(min(py)) - half - 1, 0)
    stop = min(math.ceil(max(py)) + half + 2, limit)
    return slice(start, max(stop, start))


@dataclass(frozen=True, kw_only=True)
class Placement:
    """How a frame comes onto the grid.

    Attributes
    ----------
    shape : (int, int)
        Its rows and columns.
    inverse : (3, 3) float ndarray
        Takes places of the grid to the frame.
    factor : float
        What its values are multiplied with: flux scale over area of a pixel on the grid.
    surface : (6,) float ndarray
        Background surface (see `surface_terms`) to take off after that.
    saturation : float
        Saturation level in its own ADU.
    edges : (int, int, int, int)
        Columns left and right, rows below and above that are no part of the picture.
    """

    shape: tuple[int, int]
    inverse: Floats
    factor: float = 1.0
    surface: Floats = field(default_factory=lambda: np.zeros(6))
    saturation: float = np.inf
    edges: tuple[int, int, int, int] = (0, 0, 0, 0)


def resample_rows(
    source: Image,
    first_row: int,
    frame: Placement,
    rows: slice,
    grid_rows: int,
    polynomials: Image,
    out: Image,
    flags: NDArray[np.uint8],
) -> tuple[int, int]:
    """Rows of the grid from the rows of a frame that are at hand, see `resample_image`.

    Returns the number of finite values and of pixels at or above the saturation level; `flags`
    marks where these are the nearest.
    """
    if not len(source):
        out[...] = np.nan
        flags[...] = 0
        return 0, 0
    edges, inverse = frame.edges, frame.inverse
    ny, nx = frame.shape[0], source.shape[1]
    bounds = np.array([edges[0], nx - edges[1], edges[2], ny - edges[3]], dtype=np.int64)
    scaling = Scaling(frame.saturation, frame.factor, frame.surface, (grid_rows, out.shape[1]))
    shift = _whole_shift(inverse)
    if shift is not None:
        # Without interpolation; rows that are not loaded are not needed.
        bounds[2:] = max(bounds[2], first_row), min(bounds[3], first_row + len(source))
        held = Held(np.ascontiguousarray(source, dtype=np.float32), first_row, bounds)
        met: tuple[int, int] = place_into(held, shift, rows.start, scaling, out, flags)
        return met
    if inverse[0, 0] < 0:
        # Turned by half a turn or so: along the frame's reversed rows memory runs forward.
        source = source[:, ::-1]
        mirror = np.array([[-1.0, 0, nx - 1], [0, 1, 0], [0, 0, 1]])
        inverse = mirror @ inverse
        bounds[:2] = edges[1], nx - edges[0]
    held = Held(np.ascontiguousarray(source, dtype=np.float32), first_row, bounds)
    inverse = np.ascontiguousarray(inverse, dtype=float)
    met = resample_into(held, inverse, rows.start, polynomials, scaling, out, flags)
    return met


def _whole_shift(inverse: Floats) -> tuple[int, int] | None:
    """Shift in x and y if it is one of whole pixels and nothing else."""
    dx, dy = inverse[0, 2], inverse[1, 2]
    if dx != np.floor(dx) or dy != np.floor(dy):
        return None
    if not np.array_equal(inverse, [[1, 0, dx], [0, 1, dy], [0, 0, 1]]):
        return None
    return int(dx), int(dy)


def resample_image(
    data: Any,
    transform: Transform,
    shape: tuple[int, int],
    *,
    kernel: str = "lanczos3",
    conserve_flux: bool = True,
) -> Image:
    """Bring an image onto the target grid.

    Parameters
    ----------
    data : (ny, nx) float array_like or `~astropy.nddata.CCDData`
        Image, axis order [y, x]. NaN, and what a mask marks, is missing: a place whose nearest
        pixel is missing is missing, beside it the other pixels stand in.
    transform : `~framesort.records.Transform`
        Takes (x, y) of the image to (x, y) of the grid. With a `pixel_map` the library
        reproject does the work, without the bounds below.
    shape : (int, int)
        Rows and columns of the grid.
    kernel : {"linear", "cubic", "lanczos3"}
        See `kernel_weights`. The last two are kept between the lowest of the 4 x 4 nearest
        pixels and the highest plus 30 % of their range.
    conserve_flux : bool
        Divide by the area of a pixel on the grid, so that a star's total light stays; else
        the surface brightness per pixel stays. The same where the scale is 1.

    Returns
    -------
    (rows, columns) float32 ndarray
        NaN where the image does not reach.

    Raises
    ------
    InputError
        The kernel is not known, the transform is not good or the image not 2-D.
    """
    polynomials = kernel_polynomials(kernel)
    if not transform:
        raise InputError(f"transform must be good, got one with reason {transform.reason!r}")
    data = as_picture(data, name="data").data
    if data.ndim != 2:
        raise InputError(f"data must be 2-D, got the shape {data.shape}")
    factor = 1 / area_factor(transform, data.shape) if conserve_flux else 1.0
    pixels = np.asarray(data, dtype=np.float32)
    if transform.pixel_map is not None:
        stripes = reproject_stripes(pixels, transform.pixel_map, shape, kernel=kernel)
        return np.concatenate([values for values, _ in stripes]) * np.float32(factor)
    out = np.empty(shape, dtype=np.float32)
    flags = np.empty(shape, dtype=np.uint8)
    frame = Placement(shape=data.shape, inverse=inverse_matrix(transform), factor=factor)
    resample_rows(pixels, 0, frame, slice(0, shape[0]), shape[0], polynomials, out, flags)
    return out


def inverse_matrix(transform: Transform) -> Floats:
    """Takes places of the grid to the frame."""
    return np.asarray(np.linalg.inv(transform.matrix), dtype=float)


def area_factor(transform: Transform, shape: tuple[int, ...]) -> float:
    """Grid pixels that a pixel at the middle of the frame covers."""
    x, y = (shape[-1] - 1) / 2, (shape[-2] - 1) / 2
    gx, gy = transform.map_points([x - 0.5, x + 0.5, x, x], [y, y, y - 0.5, y + 0.5])
    return float(abs((gx[1] - gx[0]) * (gy[3] - gy[2]) - (gx[3] - gx[2]) * (gy[1] - gy[0])))
