"""Check of a header's filter array pattern against the pixels."""

import numpy as np
from numpy.typing import NDArray

from framesort.colour._lattice import green_parity

__all__ = ["check_pattern"]

SURE = 8.0
"""Standard errors by which the levels of two pixels of the pattern must differ."""

SHARE = 0.01
"""And share of the level: the two greens of a sensor agree to better than that."""


def check_pattern(mosaic: NDArray[np.floating], pattern: str) -> tuple[str, str]:
    """Compare the pattern of the header with the sky's level in its four pixels.

    Both greens see the same sky; red and blue as a rule do not. A program that turned the
    image upside down without changing the header moves green to the other diagonal.

    Parameters
    ----------
    mosaic : (ny, nx) float ndarray
        A frame of the sky.
    pattern : str
        From the header.

    Returns
    -------
    pattern : str
        As given, or with its rows exchanged where the pixels require it.
    note : str
        "" or a sentence on that.
    """
    levels, errors = np.empty(4), np.empty(4)
    for k in range(4):
        cell = mosaic[k // 2 :: 2, k % 2 :: 2]
        cell = cell[np.isfinite(cell)]
        if cell.size < 100:
            return pattern, ""
        low, levels[k], high = np.percentile(cell, [16, 50, 84])
        errors[k] = 1.25 * (high - low) / 2 / np.sqrt(cell.size)  # of a median
    green, other = ((1, 2), (0, 3)) if green_parity(pattern) else ((0, 3), (1, 2))

    def apart(pair: tuple[int, int]) -> bool:
        step = abs(levels[pair[0]] - levels[pair[1]])
        limit = max(SURE * np.hypot(*errors[list(pair)]), SHARE * abs(levels[list(pair)].mean()))
        return bool(step > limit)

    if apart(green) and not apart(other):
        turned = pattern[2:] + pattern[:2]
        return turned, (
            f"the header says {pattern}, but the sky is equally bright in the other diagonal: "
            f"rows exchanged, {turned} used"
        )
    return pattern, ""
