"""Sequences of exposures of a test night: their times, and the errors they give."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from framesort.planning._goal import DriftModel, ExperimentGoal

__all__ = ["Trial", "growth_errors", "white_errors"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def growth_errors(
    hours: Floats, level: Ints, levels: int, *, scatter: float, drift: float
) -> Floats:
    """Standard deviation of log growth at each power, by generalised least squares.

    ``log FWHM = level + random walk(t) + growth(power) + scatter`` has the covariance
    ``C_ij = drift^2 min(t_i, t_j) + scatter^2 delta_ij`` of the data and
    ``(X^T C^-1 X)^-1`` of the coefficients (Aitken 1935, Proc. R. Soc. Edinb. 55, 42).

    Parameters
    ----------
    hours : (n,) float ndarray
        Times of the frames.
    level : (n,) int ndarray
        Number of each frame's power; 0 is off.
    levels : int
        Number of powers, off included.
    scatter : float
        Standard deviation of log FWHM from frame to frame, above 0.
    drift : float
        Standard deviation of the random walk over an hour.

    Returns
    -------
    (levels - 1,) float ndarray
        Infinite where a power, or off, has no frame.
    """
    counts = np.bincount(level, minlength=levels)
    if not counts.all():
        return np.full(levels - 1, np.inf)
    t = hours - hours[0]
    covariance = drift**2 * np.minimum(t[:, None], t[None, :])
    covariance[np.diag_indices_from(covariance)] += scatter**2
    design = np.zeros((len(level), levels))
    design[:, 0] = 1.0
    heated = np.flatnonzero(level)
    design[heated, level[heated]] = 1.0
    white = solve_triangular(np.linalg.cholesky(covariance), design, lower=True, check_finite=False)
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(white.T @ white))[1:]))


def white_errors(counts: Ints, scatter: float) -> Floats:
    """Errors without drift, ``scatter sqrt(1 / n_on + 1 / n_off)``; (levels - 1,) ndarray."""
    with np.errstate(divide="ignore"):
        return np.asarray(scatter * np.sqrt(1 / counts[1:] + 1 / counts[0]))


@dataclass(frozen=True, eq=False)
class Trial:
    """A candidate sequence, frame by frame.

    Attributes
    ----------
    order : str
        Name of the order.
    level : (n,) int ndarray
        Number of the power among the goal's.
    exposure : (n,) int ndarray
        Number of the exposure among the goal's.
    goal, drift
        What it is planned for.
    """

    order: str
    level: Ints
    exposure: Ints
    goal: ExperimentGoal
    drift: DriftModel

    @cached_property
    def changed(self) -> NDArray[np.bool_]:
        """(n,) whether the heater is switched before the frame; it is off at first."""
        return np.asarray(np.diff(self.level, prepend=0) != 0)

    @cached_property
    def lengths(self) -> Floats:
        """(n,) minutes of each frame, read-out included."""
        each = np.array([self.goal.frame_minutes(k) for k in range(len(self.goal.exposures))])
        return np.asarray(each[self.exposure])

    @cached_property
    def begin(self) -> Floats:
        """(n,) minutes from the begin of the sequence to the begin of each frame."""
        gap = self.changed * (self.goal.switch / 60 + self.goal.wait)
        return np.asarray(np.cumsum(gap) + np.r_[0.0, np.cumsum(self.lengths)[:-1]])

    @property
    def minutes(self) -> float:
        """Length of the sequence."""
        return float(self.begin[-1] + self.lengths[-1])

    @property
    def switches(self) -> int:
        """How often the heater is switched."""
        return int(self.changed.sum())

    def counts(self) -> Ints:
        """(exposures, levels) number of frames."""
        shape = len(self.goal.exposures), len(self.goal.powers)
        counts = np.zeros(shape, dtype=np.intp)
        np.add.at(counts, (self.exposure, self.level), 1)
        return counts

    @cached_property
    def errors(self) -> Floats:
        """(exposures, levels - 1) standard deviation of log growth, NaN for exposures not held.

        For two configurations that of the difference of their growth at common seeing.
        """
        levels = len(self.goal.powers)
        errors = np.full((len(self.goal.exposures), levels - 1), np.nan)
        for k in np.unique(self.exposure):
            mine = self.exposure == k
            single = growth_errors(
                self.begin[mine] / 60,
                self.level[mine],
                levels,
                scatter=self.drift.scatter,
                drift=self.drift.drift,
            )
            errors[k] = self._difference(single, int(np.sum(self.level[mine] == 0)))
        return errors

    def _difference(self, single: Floats, off: int) -> Floats:
        """Errors of what is wanted from those of one sequence."""
        if self.goal.configurations == 1 or off == 0:
            return single
        # ``g0^2 - 1 = (g^2 - 1) (s / s0)^2``: an error of log s counts by 1 - 1 / g^2.
        growth = 1 + self.goal.expected_growth()[1:]
        seeing = (1 - growth**-2) * self.drift.scatter / np.sqrt(off)
        return np.asarray(np.sqrt(2.0) * np.hypot(single, seeing))

    @cached_property
    def spike_errors(self) -> Floats:
        """(exposures, levels - 1) standard deviation of the spike's share of the light."""
        factor = np.sqrt(float(self.goal.configurations))
        return np.stack(
            [factor * white_errors(row, self.drift.spike_scatter) for row in self.counts()]
        )

    @cached_property
    def worst(self) -> float:
        """Largest error over the wanted one; at most 1 where the goal is reached."""
        used = np.unique(self.exposure)
        if self.counts()[used].min() < self.goal.fewest:
            return np.inf
        worst = float(self.errors[used].max()) / (self.goal.precision / 100)
        if self.goal.spike_precision is not None:
            spike = float(self.spike_errors[used].max())
            worst = max(worst, spike / (self.goal.spike_precision / 100))
        return worst

    def may_reach(self) -> bool:
        """Whether the goal would be reached without drift: a quick test."""
        used = np.unique(self.exposure)
        counts = self.counts()[used]
        if counts.min() < self.goal.fewest:
            return False
        factor = np.sqrt(float(self.goal.configurations))
        best = max(float(white_errors(row, self.drift.scatter).max()) for row in counts)
        return bool(factor * best <= self.goal.precision / 100)

    def with_level(self, level: Ints, order: str | None = None) -> "Trial":
        """The same exposure at other powers."""
        exposure = np.full(len(level), self.exposure[0], dtype=np.intp)
        return Trial(order or self.order, level, exposure, self.goal, self.drift)
