"""Mean over time by a Gaussian kernel, for many sets of weights, in linear time."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["KernelMean"]

Floats = NDArray[np.float64]

_ORDER = 12
"""Chebyshev nodes over a kernel's width; 5e-12 of a Gaussian is lost between them."""

_FAR = 5.0
"""Widths from the nearest value beyond which the kernel's slope is too steep for the nodes."""


class KernelMean:
    """Local means of values at given times.

    Parameters
    ----------
    times : (n,) float ndarray
        Not decreasing.
    width : float
        Standard deviation of the kernel, in units of `times`.

    Notes
    -----
    The sums over all values are smooth at the scale of the kernel, so they are calculated at
    Chebyshev nodes, a fixed number for each width of the time covered, and interpolated between
    them (Trefethen, Approximation Theory and Approximation Practice, 5). With fewer times than
    nodes they are calculated at the times.
    """

    def __init__(self, times: Floats, width: float) -> None:
        self._t = (times - times[0]) / width
        piece, self._piece = np.unique(np.floor(self._t).astype(np.intp), return_inverse=True)
        self._few = len(times) <= _ORDER * len(piece)
        if self._few:
            return
        angle = (np.arange(_ORDER) + 0.5) * np.pi / _ORDER
        nodes, signs = 0.5 + 0.5 * np.cos(angle), np.sin(angle)
        signs[1::2] *= -1
        places = (piece[:, None] + nodes).ravel()
        self._kernel = np.exp(-0.5 * (places[:, None] - self._t) ** 2)
        apart = (self._t % 1.0)[:, None] - nodes
        apart[np.abs(apart) < 1e-14] = 1e-14
        self._between = signs / apart
        self._between /= self._between.sum(axis=1, keepdims=True)

    def average(self, values: Floats, weight: Floats) -> Floats:
        """Weighted mean of the values around each time; all arrays of shape (n,).

        Values that are NaN or of a weight up to 0.001 are left out; without any the mean is 0.
        Far from any other the nearest values count, at any distance.
        """
        good = np.isfinite(values) & (weight > 1e-3)
        if not good.any():
            return np.zeros(len(values))
        if self._few:
            return self._direct(np.ones(len(values), dtype=bool), good, values, weight)
        both = np.zeros((len(values), 2))
        both[good, 1] = weight[good]
        both[good, 0] = weight[good] * values[good]
        at_nodes = (self._kernel @ both).reshape(-1, _ORDER, 2)[self._piece]
        sums = np.einsum("ij,ijk->ik", self._between, at_nodes)
        known = self._t[good]
        after = np.searchsorted(known, self._t)
        near = np.minimum(
            np.abs(self._t - known[np.maximum(after - 1, 0)]),
            np.abs(self._t - known[np.minimum(after, len(known) - 1)]),
        )
        far = near > _FAR
        found = sums[:, 0] / np.where(far, 1.0, sums[:, 1])
        if far.any():
            found[far] = self._direct(far, good, values, weight)
        return np.asarray(found)

    def _direct(
        self, rows: NDArray[np.bool_], good: NDArray[np.bool_], values: Floats, weight: Floats
    ) -> Floats:
        z = -0.5 * (self._t[rows, None] - self._t[None, good]) ** 2
        # Far from any value the nearest ones are used at any distance.
        z = z - z.max(axis=1, keepdims=True)
        kernel = np.exp(z) * weight[good]
        return np.asarray(kernel @ values[good] / kernel.sum(axis=1))
