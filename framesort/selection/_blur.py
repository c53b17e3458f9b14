"""Frames of the deep-signal set whose depth does not outweigh their blur."""

import numpy as np
from numpy.typing import NDArray

from framesort.records import FWHM_TO_SIGMA

__all__ = ["find_too_blurred"]

_ROWS = 64
"""Frames compared with all others at once."""


def find_too_blurred(fwhm: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames without which faint stars have higher S/N in the stack.

    Parameters
    ----------
    fwhm : (n,) float ndarray
        Pixels. A frame of width NaN is ignored.
    weight : (n,) float ndarray
        Inverse variance of the sky with all frames on one flux scale, above 0.

    Returns
    -------
    (n,) bool ndarray

    Notes
    -----
    For a stack of frames with weights w and Gaussian profiles of variances s, the squared S/N of
    a faint point source with a matched filter is proportional to
    ``sum_ij w_i w_j g_ij / sum_i w_i`` with ``g_ij = 1 / (s_i + s_j + 1/6)``, where 1/12 of each
    is the variance of the pixel (the overlap of two Gaussians; King 1983, PASP 95, 163, for one).
    Frames are removed one by one, that of the largest gain first, until no removal raises it.
    Among frames of equal weight and width a single wider one is removed from sqrt(3) = 1.73 times
    that width.
    """
    left_out = np.zeros(len(fwhm), dtype=bool)
    rows = np.flatnonzero(np.isfinite(fwhm) & (weight > 0))
    if rows.size < 2:
        return left_out
    variance = (fwhm[rows] / FWHM_TO_SIGMA) ** 2 + 1 / 12
    w = weight[rows] / weight[rows].sum()
    # Not by BLAS: its rounding changes with the number of its threads. In parts, since the matrix
    # of all pairs may be large.
    along = np.concatenate([
        np.einsum("ij,j->i", 1 / (variance[k : k + _ROWS, None] + variance), w)
        for k in range(0, rows.size, _ROWS)
    ])  # fmt: skip
    total, both = float(w.sum()), float(np.sum(w * along))
    open_ = np.ones(rows.size, dtype=bool)
    while open_.sum() > 1:
        rest = np.where(open_, total - w, np.inf)
        without = (both - 2 * w * along + w**2 * (1 / (2 * variance))) / rest
        k = int(np.argmax(np.where(open_, without, -np.inf)))
        if not without[k] > both / total * (1 + 1e-9):
            break
        open_[k] = False
        both, total = float(without[k] * rest[k]), float(rest[k])
        along -= w[k] * (1 / (variance + variance[k]))
    left_out[rows[~open_]] = True
    return left_out
