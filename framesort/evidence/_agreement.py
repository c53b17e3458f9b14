"""How well a log's states agree with those that the stars tell by themselves."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Agreement", "count_agreement", "score_agreement"]

Floats = NDArray[np.float64]

_HOT_OFF = 0.01
"""Chance that the stars show heat while the heater is off: what they need for it (a spike added
at once with width) is hardly made by anything else."""

_COLD_ON = 0.2
"""Chance that stars show no heat while the heater is on: it may be weak."""

_UNCOVERED = 0.05
"""The same for a frame of which a log says nothing: less than a log that misses weak heat."""

_SHOWN = 3
"""Frames that must show heat before it is told at which powers heat shows."""

_OFF, _ON = 0.05, 0.95
"""Shares below and above which a switch within the exposure cannot be seen in it."""


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Frames by what log and stars say of them.

    Attributes
    ----------
    agree : int
        Both say the same, or the log a part of the exposure.
    hot_off : (n,) bool ndarray
        The log says off and the stars show heat.
    cold_on : (n,) bool ndarray
        The log says on and the stars show none.
    compared : int
        Frames of which both say something.
    hot, on : int
        Those that are heated by the stars, and those that are on by the log.
    """

    agree: int
    hot_off: NDArray[np.bool_]
    cold_on: NDArray[np.bool_]
    compared: int
    hot: int
    on: int

    @property
    def holds(self) -> bool:
        """Hardly any heat is seen in unheated frames, and most heated ones show it."""
        cold_on = int(self.cold_on.sum())
        return int(self.hot_off.sum()) <= max(1.0, 0.1 * self.hot) and (
            cold_on <= max(1.0, 0.3 * self.on)
        )


def score_agreement(state: ArrayLike, share: ArrayLike) -> Floats:
    """Log likelihood of the stars' states given a log's heater shares, by column.

    Parameters
    ----------
    state : (n,) array_like of str
        "off", "on", "part", "unknown" by the stars.
    share : (n, m) or (n,) float array_like
        Heater share by the log, 0..1; NaN where it does not tell.

    Returns
    -------
    (m,) float ndarray
        0 where all agrees, below it else.
    """
    names = np.asarray(state, dtype=str)
    shares = np.asarray(share, dtype=float)
    shares = shares[:, None] if shares.ndim == 1 else shares
    covered = np.isfinite(shares)
    part = np.where(covered, shares, 0.0)
    hot, cold = names == "on", names == "off"
    between = names == "part"
    log = np.zeros(shares.shape)
    log[hot] = np.log(_HOT_OFF + (1 - _HOT_OFF) * np.minimum(part[hot] / 0.3, 1.0))
    log[cold] = np.log(1 - (1 - _COLD_ON) * part[cold])
    log[between] = np.where(
        part[between] < _OFF, np.log(0.1), np.where(part[between] > _ON, np.log(0.4), 0.0)
    )
    told = (names != "unknown")[:, None]
    return np.where(told & ~covered, np.log(_UNCOVERED), log).sum(axis=0)


def count_agreement(
    state: ArrayLike, share: ArrayLike, power: ArrayLike | None = None
) -> Agreement:
    """Count frames that agree and that do not; arguments as for `score_agreement`, one column.

    Where `power`, (n,) in percent, is given, heat that does not show is no disagreement below
    the powers that do show.
    """
    names, part = np.asarray(state, dtype=str), np.asarray(share, dtype=float)
    both = (names != "unknown") & np.isfinite(part)
    heated = np.isin(names, ["on", "part"])
    hot_off = both & heated & (part < _OFF)
    cold_on = both & (names == "off") & (part > _ON)
    shown = both & heated & (part > _ON)
    if power is not None and shown.sum() >= _SHOWN:
        level = np.asarray(power, dtype=float)
        cold_on &= level >= np.percentile(level[shown], 10) - 1e-6
    return Agreement(
        agree=int(both.sum() - hot_off.sum() - cold_on.sum()),
        hot_off=hot_off,
        cold_on=cold_on,
        compared=int(both.sum()),
        hot=int((both & heated).sum()),
        on=int((both & (part > _ON)).sum()),
    )
