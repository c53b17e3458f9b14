"""Sequences of exposures of a test night: their times, and the errors they give."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from framesort.planning._goal import DriftModel, ExperimentGoal

__all__ = ["Trial", "growth_errors", "white_errors"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


ASSUMED_DRIFT = 0.06 * float(np.exp(0.7**2))
"""Drift over an hour that the weights of the evaluation assume: the root mean square of the prior
in `framesort.evidence`, log-normal about 6 % with a spread of 0.7. A sequence of half an hour does
not determine the drift, so its weights are not the best ones for the drift of that night."""


def growth_errors(
    hours: Floats,
    level: Ints,
    levels: int,
    *,
    drift: DriftModel,
    assumed: float = ASSUMED_DRIFT,
    growth: Floats | None = None,
) -> Floats:
    """Standard deviation of log growth at each power, by generalised least squares.

    The data ``log FWHM = level + random walk(t) + growth(power) + scatter`` have the covariance
    ``C_ij = drift^2 min(t_i, t_j) + scatter^2 delta_ij``. With weights for the assumed drift,
    ``A = (X^T W^-1 X)^-1 X^T W^-1``, the coefficients have ``A C A^T``; for the true drift that is
    ``(X^T C^-1 X)^-1`` (Aitken 1935, Proc. R. Soc. Edinb. 55, 42).

    Parameters
    ----------
    hours : (n,) float ndarray
        Times of the frames, ascending.
    level : (n,) int ndarray
        Number of each frame's power; 0 is off.
    levels : int
        Number of powers, off included.
    drift : DriftModel
        Scatter and drift of the night.
    assumed : float
        Drift that the weights assume.
    growth : (levels,) float ndarray or None
        FWHM at each power over that with the heater off; then the errors are those of the growth
        converted to a fixed seeing, with ``growth^2 - 1`` in proportion to 1 / FWHM_off^2.

    Returns
    -------
    (levels - 1,) float ndarray
        Infinite where a power, or off, has no frame.
    """
    off = level == 0
    if not np.bincount(level, minlength=levels).all():
        return np.full(levels - 1, np.inf)
    t = hours - hours[0]
    walk = np.minimum(t[:, None], t[None, :])
    weights = assumed**2 * walk
    weights[np.diag_indices_from(weights)] += drift.scatter**2
    design = np.zeros((len(level), levels))
    design[:, 0] = 1.0
    heated = np.flatnonzero(level)
    design[heated, level[heated]] = 1.0
    solved = np.linalg.solve(weights, design)
    contrast = np.linalg.solve(design.T @ solved, solved.T)[1:]
    part = np.ones(len(level))
    if growth is not None:
        # d log(growth) = -(1 - growth^-2) d log(seeing): less of the drift reaches heated frames,
        # and the conversion needs the seeing, the mean of the frames with the heater off.
        contrast = contrast + (1 - growth[1:, None] ** -2) * off / off.sum()
        part = growth[level] ** -2
    white = drift.scatter**2 * np.sum(contrast**2, axis=1)
    moved = contrast * part
    return np.asarray(np.sqrt(white + drift.drift**2 * np.sum((moved @ walk) * moved, axis=1)))


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
        levels, growth = len(self.goal.powers), 1 + self.goal.expected_growth()
        errors = np.full((len(self.goal.exposures), levels - 1), np.nan)
        for k in np.unique(self.exposure):
            mine = self.exposure == k
            errors[k] = np.sqrt(float(self.goal.configurations)) * growth_errors(
                self.begin[mine] / 60,
                self.level[mine],
                levels,
                drift=self.drift,
                growth=None if self.goal.configurations == 1 else growth,
            )
        return errors

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
