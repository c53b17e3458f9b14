"""Compiled loops of the first look: level of mesh cells without stars, noise without outliers."""

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part

__all__ = ["cell_levels", "clipped_deviation"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

FEWEST = 8  # finite pixels of a cell, and a quarter of all


@part()
def _sort(values: Image) -> None:  # pragma: no cover
    """Sort in place (Shell 1959, CACM 2, 7, p. 30); numpy's sort takes a second to compile."""
    gap = len(values)
    while gap > 1:
        gap = max(1, 5 * gap // 11)
        for i in range(gap, len(values)):
            value, j = values[i], i
            while j >= gap and values[j - gap] > value:
                values[j] = values[j - gap]
                j -= gap
            values[j] = value


@loop()
def cell_levels(
    sample: Image,
    y_edges: NDArray[np.int64],
    x_edges: NDArray[np.int64],
    across: int,
    level: Floats,
) -> None:  # pragma: no cover
    """Median of each cell after two rounds of taking out what lies 2.5 sigma away (stars).

    Every `across`-th column of the rows `y_edges` of the sample counts; NaN where too little is
    known.
    """
    for i in range(level.shape[0]):
        for j in range(level.shape[1]):
            total = 0
            count = 0
            size = max(y_edges[i + 1] - y_edges[i], 0) * (x_edges[j + 1] - x_edges[j])
            values = np.empty(size, dtype=np.float32)
            for y in range(y_edges[i], y_edges[i + 1]):
                for x in range(x_edges[j], x_edges[j + 1], across):
                    total += 1
                    if np.isfinite(sample[y, x]):
                        values[count] = sample[y, x]
                        count += 1
            if count < max(FEWEST, total // 4):
                level[i, j] = np.nan
                continue
            values = values[:count]
            _sort(values)
            for _ in range(2):
                n = len(values)
                middle = float(values[n // 2])
                # The lower half is free of stars: its quartile gives the width.
                reach = 2.5 * (middle - float(values[n // 4])) / 0.6745
                if reach <= 0:
                    break
                # Both sides: cutting one only would move the median.
                first, last = 0, n
                while values[first] < middle - reach:
                    first += 1
                while values[last - 1] >= middle + reach:
                    last -= 1
                values = values[first:last]
            n = len(values)
            level[i, j] = (float(values[n // 2]) + float(values[(n - 1) // 2])) / 2


@loop()
def clipped_deviation(values: Image, limit: float) -> float:  # pragma: no cover
    """Standard deviation of the values up to a limit; 0 without any."""
    count = 0
    total = 0.0
    squares = 0.0
    for k in range(len(values)):
        v = float(values[k])
        if abs(v) <= limit:
            count += 1
            total += v
            squares += v * v
    if count == 0:
        return 0.0
    mean = total / count
    return float(np.sqrt(max(squares / count - mean * mean, 0.0)))
