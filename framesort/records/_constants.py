"""Numerical constants in common use, and the robust noise of a series."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["FWHM_TO_SIGMA", "MAD_TO_SIGMA", "step_noise"]

MAD_TO_SIGMA = 1.4826
"""Standard deviation over median absolute deviation of normal data, rounded from 1.482602218 as
`astropy.stats.mad_std` has it; the difference of 1.5e-6 is far below any uncertainty."""

FWHM_TO_SIGMA = 2.354820
"""FWHM over standard deviation of a Gaussian, sqrt(8 ln 2)."""


def step_noise(values: NDArray[np.float64]) -> float:
    """Robust noise of a series from differences of neighbours, insensitive to drift."""
    return float(MAD_TO_SIGMA * np.median(np.abs(np.diff(values))) / np.sqrt(2))
