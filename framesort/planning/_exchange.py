"""Greedy exchange: a sequence shortened frame by frame while it stays precise enough."""

from collections.abc import Iterator
from itertools import chain

import numpy as np

from framesort.planning._sequence import Ints, Trial

__all__ = ["EXCHANGED", "improve_sequence"]

EXCHANGED = "exchange"
"""Name of the order that exchange gives."""

_MOST_FRAMES = 150
"""Longer sequences are left as they are: the search grows with the fourth power."""

_MOST_TRIALS = 4000


class _Budget:
    """Number of sequences that may still be evaluated."""

    def __init__(self) -> None:
        self.left = _MOST_TRIALS

    def take(self, trials: Iterator[Trial]) -> Iterator[Trial]:
        for trial in trials:
            if self.left <= 0:
                return
            self.left -= 1
            yield trial


def improve_sequence(start: Trial) -> Trial:
    """Exchange algorithm on single frames (after Fedorov 1972, Theory of Optimal Experiments).

    Moves: a frame is left out, gets another power, or changes places with its neighbour. Where
    the sequence reaches the goal it is shortened: the frame that matters least is left out and the
    rest exchanged until the goal is reached again. Otherwise the largest error is made smaller at
    the same length.

    Parameters
    ----------
    start : Trial
        Of one exposure.

    Returns
    -------
    Trial
        Never worse than `start`; its order is "exchange" if it is better.
    """
    if len(start.level) > _MOST_FRAMES:
        return start
    budget, best = _Budget(), start
    if start.worst > 1:
        return _sharpen(start, start.goal.longest, budget)
    while budget.left:
        shorter = _shorten(best, budget)
        if shorter is None:
            break
        best = shorter
    return best


def _shorten(trial: Trial, budget: _Budget) -> Trial | None:
    """A shorter sequence that reaches the goal, or None."""
    shorter = [
        other
        for other in budget.take(chain(_moved(trial), _without_one(trial)))
        if other.minutes < trial.minutes - 1e-9 and other.worst <= 1
    ]
    if shorter:
        return min(shorter, key=lambda other: (other.minutes, other.worst))
    fewer = [other for other in budget.take(_without_one(trial)) if np.isfinite(other.worst)]
    if not fewer:
        return None
    begin = min(fewer, key=lambda other: other.worst)
    found = _sharpen(begin, trial.minutes - 1e-6, budget)
    return found if found.worst <= 1 else None


def _sharpen(trial: Trial, longest: float, budget: _Budget) -> Trial:
    """Make the largest error smaller, within the minutes."""
    while trial.worst > 1:
        moved = [other for other in budget.take(_moved(trial)) if other.minutes <= longest]
        best = min(moved, key=lambda other: other.worst, default=trial)
        if not best.worst < trial.worst * (1 - 1e-6):
            break
        trial = best
    return trial


def _moved(trial: Trial) -> Iterator[Trial]:
    """Sequences of the same number of frames, one exchange away."""
    level = trial.level
    for k in range(len(level)):
        for power in range(len(trial.goal.powers)):
            if power != level[k]:
                yield _changed(trial, k, power)
        if k and level[k] != level[k - 1]:
            other = level.copy()
            other[[k - 1, k]] = level[[k, k - 1]]
            yield trial.with_level(other, EXCHANGED)


def _changed(trial: Trial, k: int, power: int) -> Trial:
    other: Ints = trial.level.copy()
    other[k] = power
    return trial.with_level(other, EXCHANGED)


def _without_one(trial: Trial) -> Iterator[Trial]:
    """Sequences of one frame fewer; frames of one block are alike but for the time."""
    for k in range(len(trial.level)):
        if k == 0 or trial.level[k] != trial.level[k - 1]:
            yield trial.with_level(np.delete(trial.level, k), EXCHANGED)
