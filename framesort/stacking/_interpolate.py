"""Compiled interpolation: whole runs of neighbouring pixels at a time where the frame allows."""

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part
from framesort.stacking._held import Held, Scaling

__all__ = ["place_into", "resample_into"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

CHUNK = 256  # columns whose places and weights are worked out together
SHORTEST_RUN = 8  # pixels; below, one by one is faster
OVERSHOOT = 0.3  # of the range of 4 x 4 pixels that an interpolated value may lie above them
FAR = 1e8  # pixels; places beyond are nowhere

# A product and a sum become one instruction; NaN and infinity stay what they are.
FAST = {"fastmath": {"contract"}}


@part(**FAST)
def _one(held: Held, px: float, py: float, wx: Image, wy: Image) -> np.float32:  # pragma: no cover
    """Interpolate at one place, at an edge or beside missing pixels too."""
    source, first_row, bounds = held.source, held.first_row, held.bounds
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


@part(**FAST)
def _places(
    inverse: Floats, start: int, y: float, width: int, px: Floats, py: Floats
) -> None:  # pragma: no cover
    """Where the columns from `start` of a row of the grid lie in the frame."""
    a, b, c0 = inverse[0, 0], inverse[0, 1], inverse[0, 2]
    d, e, f = inverse[1, 0], inverse[1, 1], inverse[1, 2]
    g, h, k = inverse[2, 0], inverse[2, 1], inverse[2, 2]
    for c in range(width):
        x = float(np.int32(start + c))
        px[c] = a * x + b * y + c0
        py[c] = d * x + e * y + f
    if g != 0.0 or h != 0.0 or k != 1.0:
        for c in range(width):
            w = g * float(start + c) + h * y + k
            px[c] /= w
            py[c] /= w
            px[c] = px[c] if abs(px[c]) < FAR else FAR
            py[c] = py[c] if abs(py[c]) < FAR else FAR


@part(**FAST)
def _weights(
    place: Floats, width: int, polynomials: Image, at: NDArray[np.int32], weights: Image, t: Image
) -> None:  # pragma: no cover
    """The pixel at or below each place, and the weights of those around it; `t` is scratch."""
    pairs = polynomials.shape[0]
    for c in range(width):
        below = np.floor(place[c])
        at[c] = np.int32(below)  # of 32 bits: older processors have no vectors of longer ones
        t[c] = np.float32(place[c] - below - 0.5)
    for p in range(pairs):
        e0, e1, e2, e3 = (
            polynomials[p, 0], polynomials[p, 1], polynomials[p, 2], polynomials[p, 3],
        )  # fmt: skip
        o0, o1, o2, o3 = (
            polynomials[p, 4], polynomials[p, 5], polynomials[p, 6], polynomials[p, 7],
        )  # fmt: skip
        one, other = weights[p], weights[2 * pairs - 1 - p]
        for c in range(width):
            u = t[c] * t[c]
            even = e0 + u * (e1 + u * (e2 + u * e3))
            odd = t[c] * (o0 + u * (o1 + u * (o2 + u * o3)))
            one[c] = even + odd
            other[c] = even - odd


@part(**FAST)
def _run_end(
    ix: NDArray[np.int32], iy: NDArray[np.int32], a: int, width: int, affine: bool
) -> int:  # pragma: no cover
    """Where the run from `a` of neighbouring columns of one row ends."""
    if not affine:
        b = a + 1
        while b < width and ix[b] - ix[b - 1] == 1 and iy[b] == iy[a]:
            b += 1
        return b
    # Steps are all of one kind or of two that follow one another: a run that has ended does not
    # begin again, so its end can be sought by halves.
    low, high = a, width
    b = width - 1
    while high - low > 1:
        if ix[b] - ix[a] == b - a and iy[b] == iy[a]:
            low = b
        else:
            high = b
        b = (low + high) // 2
    return low + 1


@part(**FAST)
def _all_finite(values: Image) -> bool:  # pragma: no cover
    bad = np.int32(0)
    for c in range(len(values)):
        bad = np.int32(bad + np.int32(0 if np.isfinite(values[c]) else 1))
    return bool(bad == 0)


@part(**FAST)
def _any_from(values: Image, level: float) -> bool:  # pragma: no cover
    least = np.float32(level)
    count = np.int32(0)
    for c in range(len(values)):
        count = np.int32(count + np.int32(1 if values[c] >= least else 0))
    return bool(count > 0)


@part(**FAST)
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
) -> None:  # pragma: no cover
    """Interpolate a run whose pixels come from neighbouring columns of the same rows.

    `row`, `column`: of the first tap of the run's first pixel; `begin`: where its weights
    start. Loops without branches over the run, which become vector instructions.
    """
    taps = wx.shape[0]
    for c in range(length):
        value[c] = np.float32(0.0)
    for j in range(taps):
        b = wy[j, begin : begin + length]
        if taps == 6:
            a0 = wx[0, begin : begin + length]
            a1 = wx[1, begin : begin + length]
            a2 = wx[2, begin : begin + length]
            a3 = wx[3, begin : begin + length]
            a4 = wx[4, begin : begin + length]
            a5 = wx[5, begin : begin + length]
            s = source[row + j, column : column + length + 5]
            for c in range(length):
                value[c] += b[c] * (
                    a0[c] * s[c]
                    + a1[c] * s[c + 1]
                    + a2[c] * s[c + 2]
                    + a3[c] * s[c + 3]
                    + a4[c] * s[c + 4]
                    + a5[c] * s[c + 5]
                )
        else:
            for i in range(taps):
                a = wx[i, begin : begin + length]
                s = source[row + j, column + i : column + i + length]
                for c in range(length):
                    value[c] += b[c] * a[c] * s[c]
    if taps == 2:
        return
    shift = taps // 2 - 2
    for j in range(shift, shift + 4):
        s = source[row + j, column + shift : column + shift + length + 3]
        for c in range(length):
            u = s[c] if s[c] < s[c + 1] else s[c + 1]
            v = s[c + 2] if s[c + 2] < s[c + 3] else s[c + 3]
            u = u if u < v else v
            low[c] = u if u < low[c] or j == shift else low[c]
            u = s[c] if s[c] > s[c + 1] else s[c + 1]
            v = s[c + 2] if s[c + 2] > s[c + 3] else s[c + 3]
            u = u if u > v else v
            high[c] = u if u > high[c] or j == shift else high[c]
    for c in range(length):
        top = high[c] + np.float32(OVERSHOOT) * (high[c] - low[c])
        v = value[c]
        # Comparisons in this order keep a NaN, which marks missing pixels among the taps.
        v = low[c] if v < low[c] else v
        value[c] = top if v > top else v


@part(**FAST)
def _finish(
    value: Image, scaling: Scaling, y: int, start: int, line: Image
) -> int:  # pragma: no cover
    """Scale, take the surface off; how many values are finite."""
    surface, shape = scaling.surface, scaling.shape
    scale = np.float32(scaling.factor)
    seen = np.int32(0)
    v = 2.0 * y / max(shape[0] - 1, 1) - 1.0
    constant = np.float32(surface[0] + surface[2] * v + surface[5] * v * v)
    slope = np.float32(surface[1] + surface[4] * v)
    square = np.float32(surface[3])
    step = np.float32(2.0 / max(shape[1] - 1, 1))
    for c in range(len(line)):
        u = np.float32(np.int32(start + c)) * step - np.float32(1.0)
        result = value[c] * scale - (constant + (slope + square * u) * u)
        line[c] = result
        seen = np.int32(seen + np.int32(1 if np.isfinite(result) else 0))
    return int(seen)


@part(**FAST)
def _mark_saturated(
    held: Held, px: Floats, py: Floats, value: Image, saturation: float, flags: NDArray[np.uint8]
) -> int:  # pragma: no cover
    """Flag the pixels whose nearest one in the frame is saturated; how many."""
    bounds = held.bounds
    met = 0
    for c in range(len(flags)):
        if np.isfinite(value[c]):
            mx = min(max(int(np.floor(px[c] + 0.5)), bounds[0]), bounds[1] - 1)
            my = min(max(int(np.floor(py[c] + 0.5)), bounds[2]), bounds[3] - 1)
            if held.source[my - held.first_row, mx] >= saturation:
                flags[c] = 1
                met += 1
    return met


@loop(**FAST)
def resample_into(
    held: Held,
    inverse: Floats,
    first: int,
    polynomials: Image,
    scaling: Scaling,
    out: Image,
    flags: NDArray[np.uint8],
) -> tuple[int, int]:  # pragma: no cover
    """Fill `out`, the rows of the grid from `first`; finite pixels, and saturated ones.

    Places are those on the whole frame, so that the result does not depend on which rows are at
    hand.
    """
    source, first_row, bounds = held.source, held.first_row, held.bounds
    saturation = scaling.saturation
    rows, columns = out.shape
    taps = 2 * polynomials.shape[0]
    half = taps // 2
    x0, x1, y0, y1 = bounds[0], bounds[1], bounds[2], bounds[3]
    px, py = np.empty(CHUNK), np.empty(CHUNK)
    ix, iy = np.empty(CHUNK, dtype=np.int32), np.empty(CHUNK, dtype=np.int32)
    affine = inverse[2, 0] == 0.0 and inverse[2, 1] == 0.0
    wx, wy = np.empty((taps, CHUNK), dtype=np.float32), np.empty((taps, CHUNK), dtype=np.float32)
    # Not in the functions called: threads would wait for each other to allocate it.
    t = np.empty(CHUNK, dtype=np.float32)
    value = np.empty(CHUNK, dtype=np.float32)
    low = np.empty(CHUNK, dtype=np.float32)
    high = np.empty(CHUNK, dtype=np.float32)
    seen = 0
    met = 0
    for r in range(rows):
        y = float(first + r)
        for start in range(0, columns, CHUNK):
            width = min(CHUNK, columns - start)
            _places(inverse, start, y, width, px, py)
            _weights(px, width, polynomials, ix, wx, t)
            _weights(py, width, polynomials, iy, wy, t)
            hot = taps == 2 and saturation < np.inf
            a = 0
            while a < width:
                b = _run_end(ix, iy, a, width, affine)
                top = iy[a] - half + 1
                # The part of the run whose taps all lie in the frame.
                begin = max(a, a + x0 + half - 1 - ix[a])
                end = min(b, a + x1 - half - ix[a])
                whole = False
                if top < y0 or iy[a] + half >= y1 or end - begin < SHORTEST_RUN:
                    begin = end = b
                else:
                    _run(
                        source, top - first_row, ix[begin] - half + 1, begin, end - begin, wx, wy,
                        value[begin:end], low[begin:end], high[begin:end],
                    )  # fmt: skip
                    whole = _all_finite(value[begin:end])
                    if saturation < np.inf and not hot:
                        hot = _any_from(high[begin:end], saturation)
                if begin > a or end < b or not whole:
                    hot = saturation < np.inf
                    for c in range(a, b):
                        if begin <= c < end and (whole or np.isfinite(value[c])):
                            continue
                        if (
                            px[c] > x0 - 0.5
                            and px[c] < x1 - 0.5
                            and py[c] > y0 - 0.5
                            and py[c] < y1 - 0.5
                        ):
                            value[c] = _one(held, px[c], py[c], wx[:, c].copy(), wy[:, c].copy())
                        else:
                            value[c] = np.nan
                a = b
            seen += _finish(value, scaling, first + r, start, out[r, start : start + width])
            flags[r, start : start + width] = 0
            if hot:
                met += _mark_saturated(
                    held, px, py, value, saturation, flags[r, start : start + width]
                )
    return seen, met


@loop(**FAST)
def place_into(
    held: Held,
    shift: tuple[int, int],
    first: int,
    scaling: Scaling,
    out: Image,
    flags: NDArray[np.uint8],
) -> tuple[int, int]:  # pragma: no cover
    """As `resample_into` for a shift (x, y) of whole pixels from the grid to the frame."""
    bounds, saturation = held.bounds, scaling.saturation
    rows, columns = out.shape
    dx, dy = shift
    begin = min(max(bounds[0] - dx, 0), columns)
    end = max(min(bounds[1] - dx, columns), begin)
    seen = 0
    met = 0
    for r in range(rows):
        row = first + r + dy
        flags[r] = 0
        if row < bounds[2] or row >= bounds[3] or begin == end:
            out[r] = np.nan
            continue
        line = held.source[row - held.first_row, begin + dx : end + dx]
        out[r, :begin] = np.nan
        out[r, end:] = np.nan
        seen += _finish(line, scaling, first + r, begin, out[r, begin:end])
        if saturation < np.inf:
            for c in range(begin, end):
                flag = 1 if line[c - begin] >= saturation else 0
                flags[r, c] = flag
                met += flag
    return seen, met
