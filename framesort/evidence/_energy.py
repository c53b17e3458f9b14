"""Mean power of a log over exposures, for many offsets of its clock at once."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framesort.records import HeaterTrace

__all__ = ["Energy"]

Floats = NDArray[np.float64]

_BLOCK = 512
"""Offsets processed at once, to limit the memory."""


class Energy:
    """Mean power over intervals, from the running integral of a trace.

    Parameters
    ----------
    trace : HeaterTrace
        The log.
    switched : bool
        Treat any power above zero as 100: the means are then heater shares in percent.
    """

    def __init__(self, trace: HeaterTrace, *, switched: bool = False) -> None:
        edges = trace.edges.copy()
        inner = edges[np.isfinite(edges)]
        # Finite, beyond any shift.
        edges[0] = max(edges[0], inner.min(initial=0.0) - 1e7)
        edges[-1] = min(edges[-1], inner.max(initial=0.0) + 1e7)
        power = np.where(trace.power > 0, 100.0, trace.power) if switched else trace.power
        known = np.isfinite(power)
        length = np.diff(edges)
        self._zero = edges[0]
        self._edges = edges - edges[0]
        self._power = np.r_[0.0, np.cumsum(np.where(known, power, 0.0) * length)]
        self._known = np.r_[0.0, np.cumsum(known * length)]

    def at(self, start: Floats, exposure: Floats, offsets: ArrayLike) -> Floats:
        """Mean power when offsets are added to the log.

        Parameters
        ----------
        start, exposure : (n,) float ndarray
            Seconds since 1970, seconds.
        offsets : (m,) float array_like or float
            Seconds.

        Returns
        -------
        (n, m) or (n,) float ndarray
            Percent; NaN where the log has no data.
        """
        shifts = np.asarray(offsets, dtype=float)
        result = np.empty((len(start), shifts.size))
        for k in range(0, shifts.size, _BLOCK):
            result[:, k : k + _BLOCK] = self._block(start, exposure, shifts.ravel()[k : k + _BLOCK])
        return result if shifts.ndim else result[:, 0]

    def _block(self, start: Floats, exposure: Floats, offsets: Floats) -> Floats:
        begin = start[:, None] - offsets[None, :] - self._zero
        end = begin + exposure[:, None]
        known = np.interp(end, self._edges, self._known) - np.interp(
            begin, self._edges, self._known
        )
        power = np.interp(end, self._edges, self._power) - np.interp(
            begin, self._edges, self._power
        )
        covered = known > exposure[:, None] - 1e-3
        return np.where(covered, power / exposure[:, None], np.nan)
