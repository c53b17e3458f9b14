"""What rejection is given of the frames of a cube: their noise, and which are similar."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["LARGEST_TOLERANCE", "LEAST_TOLERANCE", "MAD_TO_SIGMA", "Noise", "Similarity"]

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.482602
"""Standard deviation over median absolute deviation, to the precision that results have."""

LEAST_TOLERANCE, LARGEST_TOLERANCE = 0.2, 1.2
"""Share of the local contrast that is no outlier: where similar frames are known, and else."""


class Noise(NamedTuple):
    """By how much values of each frame differ without an outlier.

    Attributes
    ----------
    variance : (n,) float ndarray
        Background variance per pixel.
    photon_variance : (n,) float ndarray
        Variance per ADU above the sky; 0 where the gain is not known.
    tolerance : (n,) float ndarray
        Share of the local contrast of the median image.
    sky : float
        Level of the sky.
    clip : float
        Standard deviations from which a value is an outlier.
    """

    variance: Floats
    photon_variance: Floats
    tolerance: Floats
    sky: float
    clip: float


class Similarity(NamedTuple):
    """Which frames are compared with each.

    Attributes
    ----------
    order : (n, m) int64 ndarray
        For each frame the others, most similar first; m = 0 where that is not known.
    in_group : (n,) int64 ndarray
        How many of those, from the first, are of the frame's own group.
    heat : (n,) float ndarray
        Number that grows with the width of stars and the spike; NaN where not known.
    tolerance : (n,) float ndarray
        Share of the contrast by which a frame may differ from the most similar ones.
    """

    order: NDArray[np.int64]
    in_group: NDArray[np.int64]
    heat: Floats
    tolerance: Floats
