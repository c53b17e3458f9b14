"""Compiled loops that remove marked outliers from a cube, with their neighbours."""

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part
from framesort.stacking._noise import LARGEST_TOLERANCE, Noise, Similarity
from framesort.stacking._reject import ABOVE, BLOCK, OUT, sort_middle

__all__ = ["grow", "take_out"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Marks = NDArray[np.uint8]

NEIGHBOUR = 0.4  # of the tolerance of a strong outlier's neighbours, to the same side


@part()
def _exceeds(
    cube: Image,
    r: int,
    c: int,
    value: float,
    side: float,
    limit: float,
    order: NDArray[np.int64],
    in_group: int,
) -> bool:  # pragma: no cover
    """Whether a value lies off to a side from most of the three most similar frames."""
    compared, beyond = 0, 0
    for i in range(len(order)):
        if compared == 3 or (i == in_group and compared > 0):
            break
        other = cube[order[i], r, c]
        if np.isfinite(other):
            compared += 1
            beyond += 1 if side * (value - other) > limit else 0
    return bool(2 * beyond >= compared)


@loop()
def grow(
    cube: Image,
    median: Image,
    contrast: Image,
    noise: Noise,
    similar: Similarity,
    rows: tuple[int, int],
    marks: Marks,
    touched: Marks,
) -> None:  # pragma: no cover
    """Mark the neighbours of strong outliers that lie off to the same side.

    The wings of a trail and the spread of a hot pixel by interpolation are below the tolerance,
    but not below `NEIGHBOUR` of its part for noise: neither from the median nor from what the
    most similar frames show. Marks are set in `rows` (first, stop); strong outliers one row beyond
    count. At stars neighbours may well differ: there only noise and trails of their height count.
    """
    frames, height, columns = cube.shape
    first, stop = rows
    for k in range(frames):
        for r in range(max(first - 1, 0), min(stop + 1, height)):
            for block in range(touched.shape[2]):
                if touched[k, r, block] < 2:
                    continue
                for c in range(block * BLOCK, min(block * BLOCK + BLOCK, columns)):
                    if marks[k, r, c] < ABOVE:
                        continue
                    side = 1.0 if marks[k, r, c] == ABOVE else -1.0
                    for y in range(max(r - 1, first), min(r + 2, stop)):
                        for x in range(max(c - 1, 0), min(c + 2, columns)):
                            v = cube[k, y, x]
                            if marks[k, y, x] > 0 or not np.isfinite(v):
                                continue
                            light = max(float(median[y, x]) - noise.sky, 0.0)
                            limit = (
                                NEIGHBOUR
                                * noise.clip
                                * np.sqrt(noise.variance[k] + noise.photon_variance[k] * light)
                            )
                            limit += LARGEST_TOLERANCE * contrast[y, x]
                            if side * (v - median[y, x]) <= limit:
                                continue
                            if not _exceeds(
                                cube, y, x, v, side, limit, similar.order[k], similar.in_group[k]
                            ):
                                continue
                            marks[k, y, x] = OUT
                            touched[k, y, x // BLOCK] = max(touched[k, y, x // BLOCK], 1)


@part()
def _emptied(cube: Image, marks: Marks, r: int, c: int, weight: Floats) -> bool:  # pragma: no cover
    """Whether all frames of a set that have a pixel are marked there."""
    for k in range(len(weight)):
        if weight[k] > 0 and marks[k, r, c] == 0 and np.isfinite(cube[k, r, c]):
            return False
    return True


@part()
def _restore(
    cube: Image,
    marks: Marks,
    r: int,
    c: int,
    weight: Floats,
    noise: Noise,
    loose: float,
    values: Floats,
) -> None:  # pragma: no cover
    """Take the marks off those frames of a set that its own lower median allows."""
    n = 0
    for k in range(len(weight)):
        if weight[k] > 0 and np.isfinite(cube[k, r, c]):
            values[n] = cube[k, r, c]
            n += 1
    sort_middle(values, n)
    centre = values[(n - 1) // 2]
    for k in range(len(weight)):
        off = abs(cube[k, r, c] - centre)
        if weight[k] > 0 and off <= noise.clip * np.sqrt(noise.variance[k]) + loose:
            marks[k, r, c] = 0


@loop()
def take_out(
    cube: Image,
    contrast: Image,
    weights: Floats,
    noise: Noise,
    rows: tuple[int, int],
    marks: Marks,
    touched: Marks,
    gone: NDArray[np.int64],
) -> None:  # pragma: no cover
    """Set marked values in `rows` (first, stop) to NaN and count them in `gone` (frame).

    No set (row of `weights`) loses all its values at a pixel: of frames that the others outvote,
    those that agree with the lower median of the set stay.
    """
    frames, _, columns = cube.shape
    first, stop = rows
    values = np.empty(frames)
    for k in range(frames):
        for r in range(first, stop):
            for block in range(touched.shape[2]):
                if touched[k, r, block] == 0:
                    continue
                for c in range(block * BLOCK, min(block * BLOCK + BLOCK, columns)):
                    if marks[k, r, c] == 0:
                        continue
                    for s in range(weights.shape[0]):
                        if weights[s, k] > 0 and _emptied(cube, marks, r, c, weights[s]):
                            _restore(
                                cube, marks, r, c, weights[s], noise,
                                LARGEST_TOLERANCE * contrast[r, c], values,
                            )  # fmt: skip
    for k in range(frames):
        for r in range(first, stop):
            for block in range(touched.shape[2]):
                if touched[k, r, block] == 0:
                    continue
                for c in range(block * BLOCK, min(block * BLOCK + BLOCK, columns)):
                    if marks[k, r, c] > 0:
                        cube[k, r, c] = np.nan
                        gone[k] += 1
