"""Compiled loops over a cube of frames: medians, local range, weighted sums.

A cube has the axes [frame, y, x]; NaN is missing. Work goes on in blocks of columns that
fit the processor's cache, with all frames of a block sorted side by side.
"""

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part
from framesort.stacking._noise import Noise

__all__ = [
    "accumulate",
    "local_range",
    "medians",
    "sorting_network",
]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

BLOCK = 64  # columns sorted together: 64 x 300 frames are 77 kB
SUMS = 512  # columns summed up together


def sorting_network(count: int) -> NDArray[np.int32]:
    """Pairs (lower, upper) that sort `count` values whatever they are.

    Batcher's odd-even merge sort, in the form for any number of values: Knuth, The Art of
    Computer Programming 3, 5.2.2, algorithm M. Without branches on the data, many columns are
    sorted at once.
    """
    pairs = []
    p = 1
    while p < count:
        p *= 2
    top = p // 2
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            pairs += [(i, i + d) for i in range(count - d) if (i & p) == r]
            if q == p:
                break
            d, q, r = q - p, q // 2, p
        p //= 2
    return np.array(pairs, dtype=np.int32).reshape(-1, 2)


@part()
def _sort_block(block: Image, pairs: NDArray[np.int32]) -> None:  # pragma: no cover
    for k in range(pairs.shape[0]):
        low = block[pairs[k, 0]]
        high = block[pairs[k, 1]]
        for c in range(BLOCK):
            a = low[c]
            b = high[c]
            low[c] = a if a < b else b
            high[c] = b if a < b else a


@loop()
def medians(
    cube: Image,
    pairs: NDArray[np.int32],
    median: Image,
    lower: Image,
) -> None:  # pragma: no cover
    """Median of the finite values per pixel.

    `lower` takes the lower of the two middle values where their number is even.
    """
    frames, rows, columns = cube.shape
    block = np.empty((frames, BLOCK), dtype=np.float32)
    count = np.empty(BLOCK, dtype=np.int64)
    for r in range(rows):
        for start in range(0, columns, BLOCK):
            width = min(BLOCK, columns - start)
            for c in range(BLOCK):
                count[c] = 0
            for k in range(frames):
                line = cube[k, r]
                for c in range(width):
                    v = line[start + c]
                    good = np.isfinite(v)
                    block[k, c] = v if good else np.float32(np.inf)
                    count[c] += 1 if good else 0
                for c in range(width, BLOCK):
                    block[k, c] = np.float32(np.inf)
            _sort_block(block, pairs)
            for c in range(width):
                n = count[c]
                if n == 0:
                    median[r, start + c] = np.nan
                    lower[r, start + c] = np.nan
                else:
                    lower[r, start + c] = block[(n - 1) // 2, c]
                    median[r, start + c] = np.float32(0.5) * (
                        block[(n - 1) // 2, c] + block[n // 2, c]
                    )


@loop()
def accumulate(
    cube: Image,
    rows: tuple[int, int],
    weight: Floats,
    noise: Noise,
    data: Image,
    inverse_variance: Image,
    coverage: NDArray[np.int16],
) -> None:  # pragma: no cover
    """Weighted mean over frames with weight above 0, in the order of the cube, of some rows."""
    frames, _, columns = cube.shape
    first, stop = rows
    variance, photon_variance, sky = noise.variance, noise.photon_variance, noise.sky
    # Sums of a block of columns stay in the first cache.
    total = np.empty(SUMS)
    value = np.empty(SUMS)
    squares = np.empty(SUMS)
    shots = np.empty(SUMS)
    number = np.empty(SUMS, dtype=np.int16)
    for r in range(first, stop):
        for start in range(0, columns, SUMS):
            width = min(SUMS, columns - start)
            total[:] = 0.0
            value[:] = 0.0
            squares[:] = 0.0
            shots[:] = 0.0
            number[:] = 0
            for k in range(frames):
                w = weight[k]
                if not w > 0:
                    continue
                line = cube[k, r, start : start + width]
                a, b = w * w * variance[k], w * w * photon_variance[k]
                for c in range(width):
                    v = line[c]
                    good = np.isfinite(v)
                    total[c] += w if good else 0.0
                    value[c] += w * v if good else 0.0
                    squares[c] += a if good else 0.0
                    shots[c] += b if good else 0.0
                    number[c] += 1 if good else 0
            for c in range(width):
                coverage[r - first, start + c] = number[c]
                if number[c] == 0:
                    data[r - first, start + c] = np.nan
                    inverse_variance[r - first, start + c] = 0.0
                else:
                    mean = value[c] / total[c]
                    light = mean - sky if mean > sky else 0.0
                    data[r - first, start + c] = mean
                    inverse_variance[r - first, start + c] = (
                        total[c] * total[c] / (squares[c] + shots[c] * light)
                    )


@loop()
def local_range(image: Image, reach: int, less: float, out: Image) -> None:  # pragma: no cover
    """Range of the values within `reach` pixels, less a constant; NaN does not count, 0 at least.

    Beyond the sides there is nothing that could widen the range.
    """
    rows, columns = image.shape
    high = np.empty(columns, dtype=np.float32)
    low = np.empty(columns, dtype=np.float32)
    for r in range(rows):
        high[:] = np.float32(-np.inf)
        low[:] = np.float32(np.inf)
        for y in range(max(r - reach, 0), min(r + reach + 1, rows)):
            line = image[y]
            for c in range(columns):
                v = line[c]
                high[c] = v if v > high[c] else high[c]
                low[c] = v if v < low[c] else low[c]
        line = out[r]
        for c in range(reach, columns - reach):
            most, least = high[c], low[c]
            for x in range(1, reach + 1):
                most = max(most, max(high[c - x], high[c + x]))
                least = min(least, min(low[c - x], low[c + x]))
            line[c] = most - least
        for c in range(columns):
            if reach <= c < columns - reach:
                continue
            most, least = high[c], low[c]
            for x in range(max(c - reach, 0), min(c + reach + 1, columns)):
                most = max(most, high[x])
                least = min(least, low[x])
            line[c] = most - least
        for c in range(columns):
            v = line[c] - np.float32(less)
            # Where nothing is known the range is -infinity.
            line[c] = v if v > 0 else np.float32(0.0)
