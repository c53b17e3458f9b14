"""One colour of a filter array as a full plane, from that colour's own pixels only.

Missing pixels are interpolated by Lanczos' windowed sinc of six pixels a direction (Duchon 1979,
J. Appl. Meteorol. 18, 1016) half-way between pixels: red and blue along rows and then along
columns of their lattice of two pixels' step, green along the two diagonals of its turned
lattice. No colour is guessed from another, so the total light of a star stays its own. At edges
the image is mirrored.
"""

import numpy as np
from numpy.typing import NDArray

from framesort.colour._lattice import green_parity
from framesort.compiled import loop, part
from framesort.errors import InputError

__all__ = ["PLANES", "REACH", "colour_place", "interpolate_colour", "pick_colour"]

Image = NDArray[np.float32]

PLANES = "RGB"
"""Order of the planes of a colour image."""

REACH = 5
"""Rows beyond those wanted that interpolation uses."""


def _weights() -> NDArray[np.float64]:
    x = np.arange(6) - 2.5
    weights = np.sinc(x) * np.sinc(x / 3)
    return np.asarray(weights / weights.sum(), dtype=float)


def colour_place(pattern: str, colour: str) -> tuple[int, int]:
    """Parity of row and column of the red or blue pixels."""
    where = pattern.index(colour)
    return where // 2, where % 2


def pick_colour(
    mosaic: NDArray[np.floating],
    pattern: str,
    colour: str,
    *,
    fill: bool = True,
    saturation: float = np.inf,
) -> Image:
    """One colour of a mosaic as a plane of the same size.

    Parameters
    ----------
    mosaic : (ny, nx) float ndarray
        At least 12 rows and columns. NaN is missing.
    pattern : str
        Colours of the first two pixels of the first two rows of `mosaic`.
    colour : {"R", "G", "B"}
        Which.
    fill : bool
        Interpolate pixels of other colours; else they are NaN.
    saturation : float
        Level at which pixels saturate: no interpolated one gets more.

    Returns
    -------
    (ny, nx) float32 ndarray
        Interpolated values are kept between the lowest of the pixels that they are made of and
        the highest plus 30 % of their range, so that saturated stars do not ring. Where one of
        them is missing, the mean of the nearest two (four for green) stands in.

    Raises
    ------
    InputError
        The pattern or the colour is not known, or the mosaic is too small.
    """
    parity = green_parity(pattern)
    if colour not in PLANES:
        raise InputError(f"colour must be R, G or B, got {colour!r}")
    if mosaic.ndim != 2 or min(mosaic.shape) < 12:
        raise InputError(f"mosaic must be of 12 x 12 pixels or more, got {mosaic.shape}")
    out = np.full(mosaic.shape, np.nan, dtype=np.float32)
    if colour == "G":
        row, column = 0, parity
        out[0::2, parity::2] = mosaic[0::2, parity::2]
        out[1::2, 1 - parity :: 2] = mosaic[1::2, 1 - parity :: 2]
    else:
        row, column = colour_place(pattern, colour)
        out[row::2, column::2] = mosaic[row::2, column::2]
    if fill:
        interpolate_colour(out, row, column, colour == "G", _weights(), np.float32(saturation))
    return out


@part()
def _mirror(index, size):  # type: ignore[no-untyped-def]
    """A place beyond an edge mirrored about the last pixel."""
    return -index if index < 0 else 2 * (size - 1) - index if index >= size else index


@part()
def _tap(plane, y, x, ny, nx, far):  # type: ignore[no-untyped-def]
    """A pixel of the plane; mirrored at the edge only where the reach is far enough for it."""
    if far:
        return plane[_mirror(y, ny), _mirror(x, nx)]
    return plane[y, x]


@part()
def _at(plane, y, x, along, across, weights, count, saturation):  # type: ignore[no-untyped-def]
    """Weighted mean of taps, kept near their range; where one is missing that of the nearest.

    Six taps `along` (dy, dx) and, if `count` is six, as many `across` for each of them.
    """
    (dy, dx), (ey, ex) = along, across
    ny, nx = plane.shape
    far = y < 5 or x < 5 or y >= ny - 5 or x >= nx - 5
    total = near = 0.0
    found = close = 0
    low, high = np.float32(np.inf), np.float32(-np.inf)
    for a in range(6):
        line = 0.0
        for b in range(count):
            # Odd steps are halved: both directions together lead from pixel to pixel.
            i = y + ((2 * a - 5) * dy + (2 * b - 5) * ey) // 2
            j = x + ((2 * a - 5) * dx + (2 * b - 5) * ex) // 2
            value = _tap(plane, i, j, ny, nx, far)
            if value == value:
                line += (weights[b] if count == 6 else 1.0) * value
                low, high = min(low, value), max(high, value)
                found += 1
                if 2 <= a <= 3 and (count == 1 or 2 <= b <= 3):
                    near += value
                    close += 1
        total += weights[a] * line
    if found < 6 * count:
        return near / close if close else np.nan
    return min(max(total, low), high + 0.3 * (high - low), saturation)


@loop()
def interpolate_colour(plane, row, column, green, weights, saturation):  # type: ignore[no-untyped-def]
    """Fill a plane in place; known are pixels (row, column) of each 2 x 2, or green's diagonal.

    `column` is for green that of the even rows.
    """
    ny, nx = plane.shape
    if green:
        for y in range(ny):
            for x in range((column + y + 1) % 2, nx, 2):
                plane[y, x] = _at(plane, y, x, (1, 1), (1, -1), weights, 6, saturation)
        return
    for y in range(row, ny, 2):
        for x in range(1 - column, nx, 2):
            plane[y, x] = _at(plane, y, x, (0, 2), (0, 0), weights, 1, saturation)
    for y in range(1 - row, ny, 2):
        for x in range(nx):
            plane[y, x] = _at(plane, y, x, (2, 0), (0, 0), weights, 1, saturation)
