"""A level, effects, a drifting sky and scatter with memory: whitening for many settings at once.

A group's frames are

    y_i = X_i beta + walk(t_i) + a(t_i) + e_i

with a random walk (seeing, focus), scatter that is forgotten after a few frames (`a`, seeing
again: an Ornstein-Uhlenbeck process) and independent scatter (`e`). Multiplying by the inverse
Cholesky factor of its covariance turns this into ordinary least squares. A Kalman filter does
that in one pass over the frames (Schweppe 1965, IEEE Trans. Inf. Theory 11, 61), here for all
settings of a grid at a time.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["INDEPENDENT", "Group", "Settings", "covariance_of", "steady_slope", "whiten"]

Floats = NDArray[np.float64]

INDEPENDENT = 0.3
"""Share of the scatter's variance that is independent from frame to frame where the rest has a
memory: short gusts, and measuring."""


def steady_slope(hours: Floats, values: Floats) -> float:
    """Change an hour that half of all far pairs exceed (Theil 1950; Sen 1968, JASA 63, 1379).

    Pairs count from a quarter of the whole time on; `hours` increase and are not all the same.
    """
    first, second = np.triu_indices(len(hours), 1)
    apart = hours[second] - hours[first]
    far = apart > 0.25 * apart.max()
    return float(np.median((values[second] - values[first])[far] / apart[far]))


@dataclass(frozen=True)
class Group:
    """Frames of one filter and exposure, in the order of time, and what is fitted to them.

    Attributes
    ----------
    hours : (n,) float ndarray
        Middle of the exposures, increasing.
    y : (n,) float ndarray
        Values in units of which scatter and walk are common to a configuration's groups.
    design : (n, k) float ndarray
        Columns to fit.
    spread : (n,) float ndarray
        Independent scatter of each frame over the typical one.
    """

    hours: Floats
    y: Floats
    design: Floats
    spread: Floats


@dataclass(frozen=True)
class Settings:
    """Hyperparameters, one entry for each point of a grid.

    Attributes
    ----------
    walk : (m,) float ndarray
        Standard deviation of the walk over an hour.
    scatter : (m,) float ndarray
        Standard deviation from frame to frame.
    memory : (m,) float ndarray
        Time over which scatter is forgotten, in steps from frame to frame; 0 for none.
    """

    walk: Floats
    scatter: Floats
    memory: Floats

    def __getitem__(self, index: int) -> "Settings":
        return Settings(*(np.atleast_1d(a[index]) for a in (self.walk, self.scatter, self.memory)))

    def __len__(self) -> int:
        return len(self.walk)


def _parts(group: Group, settings: Settings) -> tuple[Floats, Floats, Floats]:
    """Variance with memory (m,), independent variance (n, m), rate of forgetting per hour (m,)."""
    remembered = np.where(settings.memory > 0, 1 - INDEPENDENT, 0.0)
    variance = settings.scatter**2
    # What a frame has beyond the typical scatter is its own.
    own = group.spread[:, None] ** 2 - remembered[None, :]
    step = float(np.median(np.diff(group.hours))) if len(group.hours) > 1 else 1.0
    rate = 1 / np.maximum(settings.memory * max(step, 1e-6), 1e-9)
    return variance * remembered, variance * np.maximum(own, 0.05), rate


def whiten(group: Group, settings: Settings) -> tuple[Floats, Floats, Floats]:
    """Values and design times the inverse Cholesky factor of the covariance.

    Returns
    -------
    y : (m, n) float ndarray
    design : (m, n, k) float ndarray
    log_det : (m,) float ndarray
        Logarithm of the covariance's determinant.
    """
    held, own, rate = _parts(group, settings)
    data = np.column_stack([group.y, group.design])
    m, (n, k) = len(settings), data.shape
    walk, fading = np.zeros((m, k)), np.zeros((m, k))
    p11, p12, p22 = np.zeros(m), np.zeros(m), held.copy()
    white, log_det = np.empty((m, n, k)), np.zeros(m)
    steps = np.diff(group.hours, prepend=group.hours[:1])
    for i in range(n):
        if i:
            keep = np.exp(-np.minimum(steps[i] * rate, 700.0))
            p11 = p11 + settings.walk**2 * steps[i]
            p12 = p12 * keep
            p22 = keep**2 * p22 + (1 - keep**2) * held
            fading = fading * keep[:, None]
        first, second = p11 + p12, p12 + p22
        total = first + second + own[i]
        rest = data[i] - walk - fading
        white[:, i] = rest / np.sqrt(total)[:, None]
        log_det += np.log(total)
        walk = walk + (first / total)[:, None] * rest
        fading = fading + (second / total)[:, None] * rest
        p11, p12, p22 = (
            p11 - first * first / total,
            p12 - first * second / total,
            p22 - second * second / total,
        )
    return white[:, :, 0], white[:, :, 1:], log_det


def covariance_of(group: Group, settings: Settings) -> Floats:
    """Covariance (n, n) of a group's frames for the first point of the grid."""
    held, own, rate = _parts(group, settings)
    t = group.hours - group.hours[0]
    total = settings.walk[0] ** 2 * np.minimum(t[:, None], t[None, :])
    apart = np.abs(t[:, None] - t[None, :]) * rate[0]
    total = total + held[0] * np.exp(-np.minimum(apart, 700.0))
    total[np.diag_indices_from(total)] += own[:, 0]
    return np.asarray(total)
