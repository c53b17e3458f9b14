"""An image onto the target grid: interpolation with a guard against ringing."""

import numba
import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import Transform

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


@numba.njit(cache=True, nogil=True)
def _resample(
    source: Image,
    first_row: int,
    source_rows: int,
    inverse: Floats,
    first: int,
    table: Image,
    full: float,
    factor: float,
    out: Image,
    flags: NDArray[np.uint8],
) -> bool:  # pragma: no cover
    """Fill `out`, rows `first`... of the grid; True if a full pixel was met.

    `source` holds the frame's rows from `first_row`; places are computed on the whole frame, so
    that the result does not depend on which rows are at hand.
    """
    rows, columns = out.shape
    nx = source.shape[1]
    taps = table.shape[1]
    half = taps // 2
    phases = table.shape[0] - 1
    guarded = half > 1
    met_full = False
    for r in range(rows):
        y = float(first + r)
        for c in range(columns):
            flags[r, c] = 0
            w = inverse[2, 0] * c + inverse[2, 1] * y + inverse[2, 2]
            px = (inverse[0, 0] * c + inverse[0, 1] * y + inverse[0, 2]) / w
            py = (inverse[1, 0] * c + inverse[1, 1] * y + inverse[1, 2]) / w
            if not (px > -0.5 and py > -0.5 and px < nx - 0.5 and py < source_rows - 0.5):
                out[r, c] = np.nan
                continue
            ix = int(np.floor(px))
            iy = int(np.floor(py))
            wx = table[int((px - ix) * phases + 0.5)]
            wy = table[int((py - iy) * phases + 0.5)]
            # The nearest pixel decides whether there is data and whether it is full.
            mx = min(max(ix + (1 if px - ix >= 0.5 else 0), 0), nx - 1)
            my = min(max(iy + (1 if py - iy >= 0.5 else 0), 0), source_rows - 1)
            centre = source[my - first_row, mx]
            if not np.isfinite(centre):
                out[r, c] = np.nan
                continue
            if centre >= full:
                flags[r, c] = 1
                met_full = True
            value = np.float32(0.0)
            low = np.float32(np.inf)
            high = np.float32(-np.inf)
            inside = (
                ix - half + 1 >= 0
                and iy - half + 1 >= 0
                and ix + half < nx
                and iy + half < source_rows
            )
            if inside:
                for j in range(taps):
                    line = source[iy + j - half + 1 - first_row]
                    part = np.float32(0.0)
                    for i in range(taps):
                        part += wx[i] * line[ix + i - half + 1]
                    value += wy[j] * part
                if guarded and np.isfinite(value):
                    for j in range(-1, 3):
                        line = source[iy + j - first_row]
                        for i in range(-1, 3):
                            v = line[ix + i]
                            low = v if v < low else low
                            high = v if v > high else high
            if not inside or not np.isfinite(value):
                # At an edge or beside missing pixels: the finite ones, weights made whole.
                value = np.float32(0.0)
                total = np.float32(0.0)
                for j in range(taps):
                    jy = iy + j - half + 1
                    if jy < 0 or jy >= source_rows:
                        continue
                    for i in range(taps):
                        jx = ix + i - half + 1
                        if jx < 0 or jx >= nx:
                            continue
                        v = source[jy - first_row, jx]
                        if not np.isfinite(v):
                            continue
                        value += wx[i] * wy[j] * v
                        total += wx[i] * wy[j]
                        if abs(jx - px) < 2 and abs(jy - py) < 2:
                            low = v if v < low else low
                            high = v if v > high else high
                if total < 0.5:  # most of the light would be guessed
                    value = centre
                else:
                    value = value / total
            if guarded:
                # Lobes of the kernel must not dig holes beside hot pixels and full stars. A
                # peak between pixels may rise above them: by a quarter of its height for a
                # star of FWHM 2.5 pixels, the narrowest that is sampled well enough.
                high += np.float32(0.3) * (high - low)
                value = min(max(value, low), high)
            out[r, c] = value * np.float32(factor)
    return met_full


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
) -> bool:
    """Rows of the grid from the rows of a frame that are at hand, see `resample_image`.

    Returns whether a pixel at or above `full` was met; `flags` marks where it is the nearest.
    """
    if not len(source):
        out[...] = np.nan
        flags[...] = 0
        return False
    source = np.ascontiguousarray(source, dtype=np.float32)
    return bool(
        _resample(
            source, first_row, source_rows, inverse, rows.start, table, full, factor, out, flags
        )
    )


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
