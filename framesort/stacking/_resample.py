"""An image onto the target grid: interpolation with a guard against ringing."""

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import Transform
from framesort.stacking._interpolate import resample_into

__all__ = ["KERNELS", "kernel_table", "needed_rows", "resample_image", "resample_rows"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

PHASES = 2048  # steps of a pixel at which weights are tabled: places are good to 1/4096 pixel
KERNELS = {"linear": 1, "cubic": 2, "lanczos3": 3}
"""Names of the interpolation kernels with their half width in pixels."""


def kernel_table(kernel: str) -> Image:
    """Weights of the pixels around a place, for each phase.

    Parameters
    ----------
    kernel : {"linear", "cubic", "lanczos3"}
        "cubic" is the cubic convolution of Keys 1981 (IEEE Trans. ASSP 29, 1153) with a = -1/2;
        "lanczos3" sinc(x) sinc(x / 3) (Duchon 1979, J. Appl. Meteorol. 18, 1016), normalised
        and with its first moment set right on the two inner pixels: as it stands it moves a
        star by up to 0.02 pixel.

    Returns
    -------
    (PHASES + 1, 2 * half width) float32 ndarray
        Row p: weights of the pixels ``-half + 1 .. half`` from the pixel at or below the
        place, which lies ``p / PHASES`` above it. Each row adds up to 1.
    """
    if kernel not in KERNELS:
        raise InputError(f"kernel must be one of {', '.join(KERNELS)}, got {kernel!r}")
    half = KERNELS[kernel]
    x = np.abs(np.arange(-half + 1, half + 1) - np.linspace(0, 1, PHASES + 1)[:, None])
    if kernel == "linear":
        weights = np.maximum(1 - x, 0)
    elif kernel == "cubic":
        near = (1.5 * x - 2.5) * x * x + 1
        weights = np.where(x < 1, near, np.where(x < 2, ((-0.5 * x + 2.5) * x - 4) * x + 2, 0))
    else:
        weights = np.where(x < 3, np.sinc(x) * np.sinc(x / 3), 0)
    weights /= weights.sum(axis=1, keepdims=True)
    missing = np.linspace(0, 1, PHASES + 1) - weights @ np.arange(-half + 1, half + 1)
    weights[:, half - 1] -= missing
    weights[:, half] += missing
    return np.ascontiguousarray(weights, dtype=np.float32)


def needed_rows(inverse: Floats, rows: slice, columns: int, half: int, limit: int) -> slice:
    """Rows of a frame that rows of the grid are made of; empty if none.

    `inverse` takes the grid to the frame; a homography keeps straight lines straight, so the
    corners of the band bound it.
    """
    x = np.array([-0.5, columns - 0.5, -0.5, columns - 0.5])
    y = np.array([rows.start - 0.5, rows.start - 0.5, rows.stop - 0.5, rows.stop - 0.5])
    py = (inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]) / (
        inverse[2, 0] * x + inverse[2, 1] * y + inverse[2, 2]
    )
    start = max(int(np.floor(py.min())) - half - 1, 0)
    stop = min(int(np.ceil(py.max())) + half + 2, limit)
    return slice(start, max(stop, start))


def resample_rows(
    source: Image,
    inverse: Floats,
    rows: slice,
    out: Image,
    flags: NDArray[np.uint8],
    *,
    table: Image,
    first_row: int,
    source_rows: int,
    full: float = np.inf,
    factor: float = 1.0,
    edges: tuple[int, int, int, int] = (0, 0, 0, 0),
) -> bool:
    """Rows of the grid from the rows of a frame that are at hand, see `resample_image`.

    `edges`: columns left and right, rows below and above, that are not part of the picture.
    Returns whether a pixel at or above `full` was met; `flags` marks where it is the nearest.
    """
    if not len(source):
        out[...] = np.nan
        flags[...] = 0
        return False
    ny, nx = source_rows, source.shape[1]
    shift = _whole_shift(inverse)
    if shift is not None:
        return _copy(source, shift, rows, out, flags, first_row, source_rows, full, factor, edges)
    bounds = np.array([edges[0], nx - edges[1], edges[2], ny - edges[3]], dtype=np.int64)
    if inverse[0, 0] < 0:
        # Turned by half a turn or so: along the frame's reversed rows memory runs forward.
        source = source[:, ::-1]
        mirror = np.array([[-1.0, 0, nx - 1], [0, 1, 0], [0, 0, 1]])
        inverse = mirror @ inverse
        bounds[:2] = edges[1], nx - edges[0]
    return bool(
        resample_into(
            np.ascontiguousarray(source, dtype=np.float32),
            first_row,
            bounds,
            np.ascontiguousarray(inverse, dtype=float),
            rows.start,
            np.ascontiguousarray(table.T),
            full,
            factor,
            out,
            flags,
        )
    )


def _whole_shift(inverse: Floats) -> tuple[int, int] | None:
    """Shift in x and y if it is one of whole pixels and nothing else."""
    dx, dy = inverse[0, 2], inverse[1, 2]
    if dx != np.floor(dx) or dy != np.floor(dy):
        return None
    if not np.array_equal(inverse, [[1, 0, dx], [0, 1, dy], [0, 0, 1]]):
        return None
    return int(dx), int(dy)


def _copy(
    source: Image,
    shift: tuple[int, int],
    rows: slice,
    out: Image,
    flags: NDArray[np.uint8],
    first_row: int,
    source_rows: int,
    full: float,
    factor: float,
    edges: tuple[int, int, int, int],
) -> bool:
    """Without interpolation: what the kernels give at whole pixels, to the bit."""
    out[...] = np.nan
    flags[...] = 0
    dx, dy = shift
    x0, x1 = edges[0], source.shape[1] - edges[1]
    y0 = max(edges[2], first_row)
    y1 = min(source_rows - edges[3], first_row + len(source))
    gx0, gx1 = max(x0 - dx, 0), min(x1 - dx, out.shape[1])
    gy0, gy1 = max(y0 - dy, rows.start), min(y1 - dy, rows.stop)
    if gx0 >= gx1 or gy0 >= gy1:
        return False
    part = source[gy0 + dy - first_row : gy1 + dy - first_row, gx0 + dx : gx1 + dx]
    place = (slice(gy0 - rows.start, gy1 - rows.start), slice(gx0, gx1))
    np.multiply(part, np.float32(factor), out=out[place])
    if np.isinf(full):
        return False
    np.greater_equal(part, full, out=flags[place].view(bool))
    return bool(flags.any())


def resample_image(
    data: NDArray[np.floating],
    transform: Transform,
    shape: tuple[int, int],
    *,
    kernel: str = "lanczos3",
    conserve_flux: bool = True,
) -> Image:
    """Bring an image onto the target grid.

    Parameters
    ----------
    data : (ny, nx) float ndarray
        Image, axis order [y, x]. NaN is missing: a place whose nearest pixel is missing is
        missing, beside it the other pixels stand in.
    transform : `~framesort.records.Transform`
        Takes (x, y) of the image to (x, y) of the grid.
    shape : (int, int)
        Rows and columns of the grid.
    kernel : {"linear", "cubic", "lanczos3"}
        See `kernel_table`. The last two are kept between the lowest of the 4 x 4 nearest
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
    table = kernel_table(kernel)
    if not transform:
        raise InputError(f"transform must be good, got one with reason {transform.reason!r}")
    if data.ndim != 2:
        raise InputError(f"data must be 2-D, got the shape {data.shape}")
    out = np.empty(shape, dtype=np.float32)
    flags = np.empty(shape, dtype=np.uint8)
    resample_rows(
        np.asarray(data, dtype=np.float32),
        inverse_matrix(transform),
        slice(0, shape[0]),
        out,
        flags,
        table=table,
        first_row=0,
        source_rows=data.shape[0],
        factor=1 / area_factor(transform, data.shape) if conserve_flux else 1.0,
    )
    return out


def inverse_matrix(transform: Transform) -> Floats:
    """Takes places of the grid to the frame."""
    return np.asarray(np.linalg.inv(transform.matrix), dtype=float)


def area_factor(transform: Transform, shape: tuple[int, ...]) -> float:
    """Grid pixels that a pixel at the middle of the frame covers."""
    x, y = (shape[-1] - 1) / 2, (shape[-2] - 1) / 2
    gx, gy = transform.map_points([x - 0.5, x + 0.5, x, x], [y, y, y - 0.5, y + 0.5])
    return float(abs((gx[1] - gx[0]) * (gy[3] - gy[2]) - (gx[3] - gx[2]) * (gy[1] - gy[0])))
