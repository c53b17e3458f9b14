"""Compiled loops that take outliers out of a cube of frames."""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["BLOCK", "grow", "reject"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

ENOUGH = 0.3  # share of frames out at a pixel, from which its tolerance is doubted
STRONG = 2.0  # times the tolerance, from which a pixel's neighbours are suspected
ALIKE = 3  # frames that look most like one: two of them must agree with it
ALIKE_NOISE = 1.2  # a value less the median of three others scatters by sqrt(1 + 1.35 / 3)
BLOCK = 128  # columns within which strong outliers are looked for again
NEIGHBOUR = 0.4  # of the tolerance of such neighbours, to the same side


@numba.njit(cache=True, nogil=True)
def _middle(values: Floats, count: int) -> float:  # pragma: no cover
    """Median of the first values, which are sorted in place."""
    for i in range(1, count):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v
    return 0.5 * (values[(count - 1) // 2] + values[count // 2])


@numba.njit(cache=True, nogil=True)
def _judge(
    v: Floats, variance: Floats, slack: Floats, n: int, centre: float, clip: float, bad: Floats
) -> int:  # pragma: no cover
    """Mark values beyond the tolerance about `centre`; how many."""
    out = 0
    for i in range(n):
        far = abs(v[i] - centre) > clip * np.sqrt(variance[i]) + slack[i]
        bad[i] = 1.0 if far else 0.0
        out += 1 if far else 0
    return out


@numba.njit(cache=True, nogil=True)
def _alike(values: Image, order: NDArray[np.int64], three: Floats) -> float:  # pragma: no cover
    """Median of the first three finite values in an order; NaN if there are fewer."""
    count = 0
    for k in order:
        if np.isfinite(values[k]):
            three[count] = values[k]
            count += 1
            if count == ALIKE:
                return _middle(three, ALIKE)
    return np.nan


@numba.njit(cache=True, nogil=True)
def reject(
    cube: Image,
    median: Image,
    contrast: Image,
    variance: Floats,
    shot: Floats,
    slack: Floats,
    order: NDArray[np.int64],
    slack_alike: Floats,
    sky: float,
    clip: float,
    first: int,
    stop: int,
    strong: NDArray[np.uint8],
    gone: NDArray[np.int64],
) -> None:  # pragma: no cover
    """Set outliers in rows of a cube to NaN, strong ones to +-infinity.

    `strong` (frame, row, block of columns) marks where there are some. Rows `first` to `stop`
    are counted in `gone` (frame), one more on each side is looked at for `grow`.

    The tolerance of frame k is ``clip * sqrt(variance[k] + shot[k] * max(median - sky, 0))``
    plus ``slack[k]`` times the local contrast of the median image. A value beyond it stays all the
    same if it agrees with the median of those three frames with data there that come first in
    ``order[k]``, the frames that look most like it. Strong outliers exceed it
    `STRONG` times; `grow` looks around them.
    """
    frames, rows, columns = cube.shape
    v = np.empty(frames)
    var = np.empty(frames)
    loose = np.empty(frames)
    far = np.empty(frames)
    bad = np.empty(frames)
    who = np.empty(frames, dtype=np.int64)
    agreed = np.empty(frames, dtype=np.int64)
    three = np.empty(ALIKE)
    suspect = np.empty(columns, dtype=np.uint8)
    for r in range(max(first - 1, 0), min(stop + 1, rows)):
        counts = 1 if first <= r < stop else 0
        # Most pixels have no outlier: find those that may have one, line by line.
        for c in range(columns):
            suspect[c] = 0
        for k in range(frames):
            line = cube[k, r]
            a, b = np.float32(variance[k]), np.float32(shot[k])
            squared, part = np.float32(clip * clip), np.float32(slack[k])
            for c in range(columns):
                light = median[r, c] - np.float32(sky)
                light = light if light > 0 else np.float32(0.0)
                d = abs(line[c] - median[r, c]) - part * contrast[r, c]
                d = d if d > 0 else np.float32(0.0)
                suspect[c] |= 1 if d * d > squared * (a + b * light) else 0
        for c in range(columns):
            if suspect[c] == 0:
                continue
            n = 0
            light = max(float(median[r, c]) - sky, 0.0)
            for k in range(frames):
                if np.isfinite(cube[k, r, c]):
                    v[n] = cube[k, r, c]
                    var[n] = variance[k] + shot[k] * light
                    loose[n] = slack[k] * contrast[r, c]
                    who[n] = k
                    n += 1
            if n < 2:
                continue
            n_agreed = 0
            if n == 2:
                # Cosmic rays and trails only add light: of two that disagree the lower is kept.
                if abs(v[0] - v[1]) > clip * np.sqrt(var[0] + var[1]) + max(loose[0], loose[1]):
                    k = who[0] if v[0] > v[1] else who[1]
                    cube[k, r, c] = np.nan
                    gone[k] += counts
                continue
            centre = float(median[r, c])
            out = _judge(v, var, loose, n, centre, clip, bad)
            if order.shape[1] >= ALIKE:
                for i in range(n):
                    if bad[i] > 0:
                        k = who[i]
                        limit = ALIKE_NOISE * clip * np.sqrt(var[i])
                        limit += slack_alike[k] * contrast[r, c]
                        if abs(v[i] - _alike(cube[:, r, c], order[k], three)) <= limit:
                            agreed[n_agreed] = i
                            n_agreed += 1
            # Marked at the end: until then all values of the pixel can be asked.
            for i in range(n_agreed):
                bad[agreed[i]] = 0.0
            out -= n_agreed
            if n % 2 == 0 and 2 * out >= n:
                # Half of the frames lifted: the middle lies between the two halves.
                for i in range(n):
                    far[i] = v[i]
                _middle(far, n)
                centre = far[(n - 1) // 2]
                out = _judge(v, var, loose, n, centre, clip, bad)
                for i in range(n_agreed):
                    out -= 1 if bad[agreed[i]] > 0 else 0
                    bad[agreed[i]] = 0.0
            if out > ENOUGH * n:
                # So many outliers say that the noise is larger than assumed.
                for i in range(n):
                    far[i] = max(abs(v[i] - centre) - loose[i], 0.0) / np.sqrt(var[i])
                _middle(far, n)
                wider = 1.4826 * far[(n - 1) // 2]  # of two halves the better one speaks
                if wider > 1:
                    out = _judge(v, var, loose, n, centre, clip * wider, bad)
                    for i in range(n_agreed):
                        out -= 1 if bad[agreed[i]] > 0 else 0
                        bad[agreed[i]] = 0.0
            if out == n:
                continue
            for i in range(n):
                if bad[i] > 0:
                    gone[who[i]] += counts
                    limit = STRONG * (clip * np.sqrt(var[i]) + loose[i])
                    off = v[i] - centre
                    if abs(off) > limit:
                        cube[who[i], r, c] = np.inf if off > 0 else -np.inf
                        strong[who[i], r, c // BLOCK] = 1
                    else:
                        cube[who[i], r, c] = np.nan


@numba.njit(cache=True, nogil=True)
def grow(
    cube: Image,
    median: Image,
    contrast: Image,
    variance: Floats,
    shot: Floats,
    slack: float,
    sky: float,
    clip: float,
    first: int,
    stop: int,
    strong: NDArray[np.uint8],
    gone: NDArray[np.int64],
) -> None:  # pragma: no cover
    """Set the neighbours of strong outliers to NaN that lie off to the same side.

    The wings of a trail and what interpolation spread of a hot pixel are below the tolerance,
    but not below `NEIGHBOUR` of its part for noise. Rows `first` to `stop` are changed, strong
    outliers one row beyond count.
    """
    frames, rows, columns = cube.shape
    for k in range(frames):
        for r in range(max(first - 1, 0), min(stop + 1, rows)):
            for block in range(strong.shape[2]):
                if strong[k, r, block] == 0:
                    continue
                for c in range(block * BLOCK, min(block * BLOCK + BLOCK, columns)):
                    if not np.isinf(cube[k, r, c]):
                        continue
                    side = 1.0 if cube[k, r, c] > 0 else -1.0
                    for y in range(max(r - 1, first), min(r + 2, stop)):
                        for x in range(max(c - 1, 0), min(c + 2, columns)):
                            v = cube[k, y, x]
                            if not np.isfinite(v):
                                continue
                            light = max(float(median[y, x]) - sky, 0.0)
                            limit = NEIGHBOUR * clip * np.sqrt(variance[k] + shot[k] * light)
                            limit += slack * contrast[y, x]
                            if side * (v - median[y, x]) > limit:
                                cube[k, y, x] = np.nan
                                gone[k] += 1
