"""Orders of the powers of a test night, and the shortest sequence of each that is enough."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from framesort.planning._goal import DriftModel, ExperimentGoal
from framesort.planning._sequence import Trial

__all__ = ["ORDERS", "find_shortest"]

Ints = NDArray[np.intp]
_Blocks = list[int]

_LONGEST_BLOCK = 10
_MOST_REPEATS = 16


def _ascending(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    return list(range(powers + 1)) if repeats == 1 else []


def _between_zeros(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    cycle = [block for level in range(1, powers + 1) for block in (0, level)]
    return [*cycle * repeats, 0]


def _rotated(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    """Zero between powers; each repeat begins with the next power."""
    levels = list(range(1, powers + 1))
    turned = [levels[(k + turn) % powers] for turn in range(repeats) for k in range(powers)]
    return [*(block for level in turned for block in (0, level)), 0]


def _mirrored(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    """Up and down again: a linear drift has no effect."""
    up = list(range(powers + 1))
    return [*up, *up[::-1]] * repeats


def _mirrored_zeros(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    up = [block for level in range(1, powers + 1) for block in (0, level)]
    return [*up, 0, *up[::-1]] * repeats


def _random(powers: int, repeats: int, rng: np.random.Generator) -> _Blocks:
    return [int(level) for _ in range(repeats) for level in rng.permutation(powers + 1)]


ORDERS: dict[str, Callable[[int, int, np.random.Generator], _Blocks]] = {
    "ascending": _ascending,
    "between zeros": _between_zeros,
    "rotated between zeros": _rotated,
    "mirrored": _mirrored,
    "mirrored between zeros": _mirrored_zeros,
    "random": _random,
}
"""Blocks of each order: numbers of the powers, 0 for off."""


def find_shortest(
    goal: ExperimentGoal,
    drift: DriftModel,
    *,
    order: str,
    exposures: Ints,
    rng: np.random.Generator,
) -> Trial | None:
    """The shortest sequence of an order that reaches the goal.

    Every block length of off and heated frames and every number of repeats is tried.

    Parameters
    ----------
    goal, drift
        What to plan for.
    order : str
        A key of `ORDERS`.
    exposures : int ndarray
        Numbers of the goal's exposures; each block has frames of all of them.
    rng : `~numpy.random.Generator`
        For "random".

    Returns
    -------
    Trial or None
        Where the goal is not reached within the goal's minutes, the most precise one; None if
        none is short enough.
    """
    trials = sorted(
        _draw_trials(goal, drift, order, exposures, rng), key=lambda t: (t.minutes, t.switches)
    )
    for trial in trials:
        if trial.may_reach() and trial.worst <= 1:
            return trial
    # Of the longest ones, as none is precise enough.
    long = [trial for trial in trials if trial.minutes > 0.6 * goal.longest] or trials
    return min(long, key=lambda trial: trial.worst, default=None)


def _draw_trials(
    goal: ExperimentGoal,
    drift: DriftModel,
    order: str,
    exposures: Ints,
    rng: np.random.Generator,
) -> Iterator[Trial]:
    """Every sequence of an order within the minutes."""
    powers = len(goal.powers) - 1
    for repeats in range(1, _MOST_REPEATS + 1):
        blocks = ORDERS[order](powers, repeats, rng)
        for heated in range(1, _LONGEST_BLOCK + 1) if blocks else ():
            for off in range(1, 2 * _LONGEST_BLOCK + 1):
                trial = _fill(goal, drift, order, exposures, blocks, (off, heated))
                if trial.minutes > goal.longest + 1e-9:
                    break
                yield trial


def _fill(
    goal: ExperimentGoal,
    drift: DriftModel,
    order: str,
    exposures: Ints,
    blocks: _Blocks,
    lengths: tuple[int, int],
) -> Trial:
    """Frames of each block: all of one exposure, then all of the next."""
    block = np.array(blocks, dtype=np.intp)
    count = np.where(block == 0, *lengths)
    level = np.repeat(block, count * len(exposures))
    exposure = np.concatenate([np.repeat(exposures, n) for n in count])
    return Trial(order, level, exposure, goal, drift)
