"""Which frames of the deep-signal set do not pay for their blur."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_too_blurred"]

_SIGMA = 2.354820
"""FWHM of a Gaussian over its standard deviation."""


def find_too_blurred(fwhm: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames without which the stack tells faint stars from the sky better.

    Parameters
    ----------
    fwhm : (n,) float ndarray
        Pixels. A frame whose width is NaN is neither counted nor left out.
    weight : (n,) float ndarray
        Inverse variance of the sky once all frames are on one flux scale, above 0.

    Returns
    -------
    (n,) bool ndarray

    Notes
    -----
    The stack of frames with weights w and Gaussian profiles of variances s has, for a faint
    point source under a matched filter, a squared signal-to-noise ratio in proportion to
    ``sum_ij w_i w_j g_ij / sum_i w_i`` with ``g_ij = 1 / (s_i + s_j + 1/6)``, 1/12 of each being
    the pixel's own (the overlap of two Gaussians; King 1983, PASP 95, 163, for one).
    The frame whose loss raises it most is left out, then the next, until none does. Among frames
    of one weight and width a single one is left out from sqrt(3) = 1.73 times that width on.
    """
    left_out = np.zeros(len(fwhm), dtype=bool)
    rows = np.flatnonzero(np.isfinite(fwhm) & (weight > 0))
    if rows.size < 2:
        return left_out
    variance = (fwhm[rows] / _SIGMA) ** 2 + 1 / 12
    w = weight[rows] / weight[rows].sum()
    overlap = 1 / (variance[:, None] + variance)
    # Not by BLAS: its rounding changes with the number of its threads.
    along = np.einsum("ij,j->i", overlap, w)
    total, both = float(w.sum()), float(np.sum(w * along))
    open_ = np.ones(rows.size, dtype=bool)
    while open_.sum() > 1:
        rest = np.where(open_, total - w, np.inf)
        without = (both - 2 * w * along + w**2 * np.diagonal(overlap)) / rest
        k = int(np.argmax(np.where(open_, without, -np.inf)))
        if not without[k] > both / total * (1 + 1e-9):
            break
        open_[k] = False
        both, total = float(without[k] * rest[k]), float(rest[k])
        along -= w[k] * overlap[:, k]
    left_out[rows[~open_]] = True
    return left_out
