"""What the compiled loops of resampling are given: rows of a frame, and how values are scaled."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Held", "Scaling"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]


class Held(NamedTuple):
    """The rows of a frame that are at hand.

    Attributes
    ----------
    source : (rows, nx) float32 ndarray
        Pixels.
    first_row : int
        Which row of the frame the first is.
    bounds : (4,) int64 ndarray
        First column, column after the last, and the same for rows, of what counts as the frame.
    """

    source: Image
    first_row: int
    bounds: NDArray[np.int64]


class Scaling(NamedTuple):
    """What is done to values: times `factor`, less the `surface` (`surface_terms`) on the grid.

    `saturation` is the frame's level, `shape` that of the whole grid.
    """

    saturation: float
    factor: float
    surface: Floats
    shape: tuple[int, int]
