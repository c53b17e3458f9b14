"""Agreement of the states of a log with those estimated from the stars."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Agreement", "count_agreement", "score_agreement"]

Floats = NDArray[np.float64]

_HOT_OFF = 0.01
"""Probability that the stars appear heated while the heater is off: the criterion (a spike that
begins together with a growth of the width) is hardly met otherwise."""

_COLD_ON = 0.2
"""Probability that the stars appear unheated while the heater is on: its power may be low."""

_UNCOVERED = 0.05
"""The same for a frame that the log does not cover."""

_SHOWN = 3
"""Frames that must appear heated before the lowest visible power is estimated."""

_OFF, _ON = 0.05, 0.95
"""Shares below and above which a switch during the exposure is not visible in the frame."""


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """Counts of frames by their states in the log and from the stars.

    Attributes
    ----------
    agree : int
        Both states are the same, or the log has heat for a part of the exposure.
    hot_off : (n,) bool ndarray
        Off in the log, heated according to the stars.
    cold_on : (n,) bool ndarray
        On in the log, unheated according to the stars.
    compared : int
        Frames with both states known.
    hot, on : int
        Frames heated according to the stars; frames on in the log.
    """

    agree: int
    hot_off: NDArray[np.bool_]
    cold_on: NDArray[np.bool_]
    compared: int
    hot: int
    on: int

    @property
    def holds(self) -> bool:
        """Whether few unheated frames appear heated and most heated frames do."""
        cold_on = int(self.cold_on.sum())
        return int(self.hot_off.sum()) <= max(1.0, 0.1 * self.hot) and (
            cold_on <= max(1.0, 0.3 * self.on)
        )


def score_agreement(state: ArrayLike, share: ArrayLike) -> Floats:
    """Log likelihood of the states from the stars given the heater shares of a log, by column.

    Parameters
    ----------
    state : (n,) array_like of str
        "off", "on", "part", "unknown" from the stars.
    share : (n, m) or (n,) float array_like
        Heater share from the log, 0..1; NaN where it has no data.

    Returns
    -------
    (m,) float ndarray
        0 for full agreement, else negative.
    """
    names = np.asarray(state, dtype=str)
    shares = np.asarray(share, dtype=float)
    shares = shares[:, None] if shares.ndim == 1 else shares
    total = np.zeros(shares.shape[1])
    for name, log_likelihood in (("on", _log_hot), ("off", _log_cold), ("part", _log_between)):
        here = shares[names == name]
        log = log_likelihood(np.nan_to_num(here))
        log[np.isnan(here)] = np.log(_UNCOVERED)
        total += log.sum(axis=0)
    return total


def _log_hot(share: Floats) -> Floats:
    return np.asarray(np.log(_HOT_OFF + (1 - _HOT_OFF) * np.minimum(share / 0.3, 1.0)))


def _log_cold(share: Floats) -> Floats:
    return np.asarray(np.log(1 - (1 - _COLD_ON) * share))


def _log_between(share: Floats) -> Floats:
    return np.where(share < _OFF, np.log(0.1), np.where(share > _ON, np.log(0.4), 0.0))


def count_agreement(
    state: ArrayLike, share: ArrayLike, power: ArrayLike | None = None
) -> Agreement:
    """Count frames that agree and that do not; arguments as for `score_agreement`, one column.

    With `power`, (n,) in percent, invisible heat is a disagreement only at powers that are
    visible in other frames.
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
