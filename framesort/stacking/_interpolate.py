"""Compiled interpolation: whole runs of neighbouring pixels at a time where the frame allows."""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["resample_into"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

CHUNK = 256  # columns whose places and weights are worked out together
SHORTEST_RUN = 8  # pixels; below, one by one is faster
OVERSHOOT = 0.3  # of the range of 4 x 4 pixels that an interpolated value may lie above them


@numba.njit(cache=True, nogil=True)
def _one(
    source: Image,
    first_row: int,
    bounds: NDArray[np.int64],
    px: float,
    py: float,
    wx: Image,
    wy: Image,
) -> np.float32:  # pragma: no cover
    """Interpolate at one place, at an edge or beside missing pixels too."""
    taps = len(wx)
    half = taps // 2
    ix = int(np.floor(px))
    iy = int(np.floor(py))
    # The nearest pixel decides whether there is data.
    mx = min(max(int(np.floor(px + 0.5)), bounds[0]), bounds[1] - 1)
    my = min(max(int(np.floor(py + 0.5)), bounds[2]), bounds[3] - 1)
    centre = source[my - first_row, mx]
    if not np.isfinite(centre):
        return np.float32(np.nan)
    value = np.float32(0.0)
    total = np.float32(0.0)
    low = centre
    high = centre
    whole = True
    for j in range(taps):
        part = np.float32(0.0)
        weight = np.float32(0.0)
        jy = iy + j - half + 1
        for i in range(taps):
            jx = ix + i - half + 1
            if jx < bounds[0] or jx >= bounds[1] or jy < bounds[2] or jy >= bounds[3]:
                whole = False
                continue
            v = source[jy - first_row, jx]
            if not np.isfinite(v):
                whole = False
                continue
            part += wx[i] * v
            weight += wx[i]
            if -1 <= jx - ix <= 2 and -1 <= jy - iy <= 2:
                low = v if v < low else low
                high = v if v > high else high
        value += wy[j] * part
        total += wy[j] * weight
    if not whole:
        # Weights made whole; where most of the light would be guessed, the nearest pixel.
        value = value / total if total >= 0.5 else centre
    if half > 1:
        value = min(max(value, low), high + np.float32(OVERSHOOT) * (high - low))
    return value


@numba.njit(cache=True, nogil=True)
def _places(
    inverse: Floats, start: int, y: float, width: int, px: Floats, py: Floats
) -> None:  # pragma: no cover
    """Where the columns from `start` of a row of the grid lie in the frame."""
    a, b, c0 = inverse[0, 0], inverse[0, 1], inverse[0, 2]
    d, e, f = inverse[1, 0], inverse[1, 1], inverse[1, 2]
    g, h, k = inverse[2, 0], inverse[2, 1], inverse[2, 2]
    for c in range(width):
        x = float(start + c)
        px[c] = a * x + b * y + c0
        py[c] = d * x + e * y + f
    if g != 0.0 or h != 0.0 or k != 1.0:
        for c in range(width):
            w = g * float(start + c) + h * y + k
            px[c] /= w
            py[c] /= w


@numba.njit(cache=True, nogil=True)
def _weights(
    px: Floats,
    py: Floats,
    width: int,
    table: Image,
    ix: NDArray[np.int64],
    iy: NDArray[np.int64],
    kx: NDArray[np.uint32],
    ky: NDArray[np.uint32],
    wx: Image,
    wy: Image,
) -> None:  # pragma: no cover
    """The pixels at or below each place and the weights of those around it."""
    phases = table.shape[1] - 1
    for c in range(width):
        fx, fy = np.floor(px[c]), np.floor(py[c])
        ix[c], iy[c] = np.int64(fx), np.int64(fy)
        kx[c] = np.uint32((px[c] - fx) * phases + 0.5)
        ky[c] = np.uint32((py[c] - fy) * phases + 0.5)
    for i in range(table.shape[0]):
        t, u, v = table[i], wx[i], wy[i]
        for c in range(width):
            u[c] = t[kx[c]]
        for c in range(width):
            v[c] = t[ky[c]]


@numba.njit(cache=True, nogil=True)
def _all_finite(values: Image) -> bool:  # pragma: no cover
    bad = 0
    for c in range(len(values)):
        bad += 0 if np.isfinite(values[c]) else 1
    return bad == 0


@numba.njit(cache=True, nogil=True)
def _run(
    source: Image,
    row: int,
    column: int,
    begin: int,
    length: int,
    wx: Image,
    wy: Image,
    value: Image,
    low: Image,
    high: Image,
    part: Image,
) -> None:  # pragma: no cover
    """Interpolate a run whose pixels come from neighbouring columns of the same rows.

    `row`, `column`: of the first tap of the run's first pixel; `begin`: where its weights
    start. Loops without branches over the run, which become vector instructions.
    """
    taps = wx.shape[0]
    for j in range(taps):
        if taps == 6:
            a0 = wx[0, begin : begin + length]
            a1 = wx[1, begin : begin + length]
            a2 = wx[2, begin : begin + length]
            a3 = wx[3, begin : begin + length]
            a4 = wx[4, begin : begin + length]
            a5 = wx[5, begin : begin + length]
            s0 = source[row + j, column : column + length]
            s1 = source[row + j, column + 1 : column + 1 + length]
            s2 = source[row + j, column + 2 : column + 2 + length]
            s3 = source[row + j, column + 3 : column + 3 + length]
            s4 = source[row + j, column + 4 : column + 4 + length]
            s5 = source[row + j, column + 5 : column + 5 + length]
            b = wy[j, begin : begin + length]
            for c in range(length):
                value[c] += b[c] * (
                    a0[c] * s0[c]
                    + a1[c] * s1[c]
                    + a2[c] * s2[c]
                    + a3[c] * s3[c]
                    + a4[c] * s4[c]
                    + a5[c] * s5[c]
                )
        else:
            for c in range(length):
                part[c] = np.float32(0.0)
            for i in range(taps):
                a = wx[i, begin : begin + length]
                s = source[row + j, column + i : column + i + length]
                for c in range(length):
                    part[c] += a[c] * s[c]
            b = wy[j, begin : begin + length]
            for c in range(length):
                value[c] += b[c] * part[c]
    if taps == 2:
        return
    shift = taps // 2 - 2
    for j in range(shift, shift + 4):
        t0 = source[row + j, column + shift : column + shift + length]
        t1 = source[row + j, column + shift + 1 : column + shift + 1 + length]
        t2 = source[row + j, column + shift + 2 : column + shift + 2 + length]
        t3 = source[row + j, column + shift + 3 : column + shift + 3 + length]
        for c in range(length):
            u = t0[c] if t0[c] < t1[c] else t1[c]
            v = t2[c] if t2[c] < t3[c] else t3[c]
            u = u if u < v else v
            low[c] = u if u < low[c] else low[c]
        for c in range(length):
            u = t0[c] if t0[c] > t1[c] else t1[c]
            v = t2[c] if t2[c] > t3[c] else t3[c]
            u = u if u > v else v
            high[c] = u if u > high[c] else high[c]
    for c in range(length):
        top = high[c] + np.float32(OVERSHOOT) * (high[c] - low[c])
        v = value[c]
        # Comparisons in this order keep a NaN, which marks missing pixels among the taps.
        v = low[c] if v < low[c] else v
        value[c] = top if v > top else v


@numba.njit(cache=True, nogil=True)
def resample_into(
    source: Image,
    first_row: int,
    bounds: NDArray[np.int64],
    inverse: Floats,
    first: int,
    table: Image,
    full: float,
    factor: float,
    out: Image,
    flags: NDArray[np.uint8],
) -> bool:  # pragma: no cover
    """Fill `out`, the grid's rows from `first`; True if a pixel at or above `full` was met.

    `source` holds the frame's rows from `first_row`; `bounds` are the first column, the column
    after the last, and the same for rows, of what counts as the frame. Places are those on the
    whole frame, so that the result does not depend on which rows are at hand.
    """
    rows, columns = out.shape
    taps = table.shape[0]
    half = taps // 2
    x0, x1, y0, y1 = bounds[0], bounds[1], bounds[2], bounds[3]
    px, py = np.empty(CHUNK), np.empty(CHUNK)
    ix, iy = np.empty(CHUNK, dtype=np.int64), np.empty(CHUNK, dtype=np.int64)
    # Unsigned: an index that cannot be negative needs no check.
    kx, ky = np.empty(CHUNK, dtype=np.uint32), np.empty(CHUNK, dtype=np.uint32)
    wx, wy = np.empty((taps, CHUNK), dtype=np.float32), np.empty((taps, CHUNK), dtype=np.float32)
    value = np.empty(CHUNK, dtype=np.float32)
    low = np.empty(CHUNK, dtype=np.float32)
    high = np.empty(CHUNK, dtype=np.float32)
    part = np.empty(CHUNK, dtype=np.float32)
    met_full = False
    for r in range(rows):
        y = float(first + r)
        for start in range(0, columns, CHUNK):
            width = min(CHUNK, columns - start)
            _places(inverse, start, y, width, px, py)
            _weights(px, py, width, table, ix, iy, kx, ky, wx, wy)
            value[:] = np.float32(0.0)
            low[:] = np.float32(np.inf)
            high[:] = np.float32(-np.inf)
            a = 0
            while a < width:
                b = a + 1
                while b < width and ix[b] - ix[b - 1] == 1 and iy[b] == iy[a]:
                    b += 1
                top = iy[a] - half + 1
                # The part of the run whose taps all lie in the frame.
                begin = max(a, a + x0 + half - 1 - ix[a])
                end = min(b, a + x1 - half - ix[a])
                if top < y0 or iy[a] + half >= y1 or end - begin < SHORTEST_RUN:
                    begin = end = b
                else:
                    _run(
                        source, top - first_row, ix[begin] - half + 1, begin, end - begin, wx, wy,
                        value[begin:end], low[begin:end], high[begin:end], part,
                    )  # fmt: skip
                whole = _all_finite(value[begin:end])
                for c in range(a, b):
                    if begin <= c < end and (whole or np.isfinite(value[c])):
                        continue
                    if (
                        px[c] > x0 - 0.5
                        and px[c] < x1 - 0.5
                        and py[c] > y0 - 0.5
                        and py[c] < y1 - 0.5
                    ):
                        value[c] = _one(
                            source, first_row, bounds, px[c], py[c], wx[:, c].copy(),
                            wy[:, c].copy(),
                        )  # fmt: skip
                    else:
                        value[c] = np.nan
                a = b
            line = out[r, start : start + width]
            scale = np.float32(factor)
            for c in range(width):
                line[c] = value[c] * scale
            flags[r, start : start + width] = 0
            if full < np.inf:
                for c in range(width):
                    if np.isfinite(value[c]):
                        mx = min(max(int(np.floor(px[c] + 0.5)), x0), x1 - 1)
                        my = min(max(int(np.floor(py[c] + 0.5)), y0), y1 - 1)
                        if source[my - first_row, mx] >= full:
                            flags[r, start + c] = 1
                            met_full = True
    return met_full
