"""How many further frames settle a difference, from the scatter seen."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from framesort.errors import InputError

__all__ = ["NEVER", "Side", "frames_to_settle"]

NEVER = 1000
"""Further frames beyond which no number is given."""


@dataclass(frozen=True)
class Side:
    """One configuration's part in the uncertainty of a difference.

    Attributes
    ----------
    variance : float
        Of its effect, from scatter and drift; falls with the number of frames.
    frames, off_frames : int
        Heated and heater-off frames that it rests on.
    """

    variance: float
    frames: int
    off_frames: int


def _variance(side: Side, heated: int, off: int) -> float:
    """Variance with further frames: ``V (1/(n+m) + 1/(o+k)) / (1/n + 1/o)``."""
    if side.off_frames == 0:
        return side.variance * side.frames / (side.frames + heated)
    now = 1 / side.frames + 1 / side.off_frames
    then = 1 / (side.frames + heated) + 1 / (side.off_frames + off)
    return side.variance * then / now


def frames_to_settle(
    difference: float,
    sides: Sequence[Side],
    *,
    fixed_variance: float = 0.0,
    level: float = 0.95,
    chance: float = 0.8,
) -> tuple[int, int]:
    """Further heated and heater-off frames with which a difference is found.

    Found means that the two-sided interval of probability `level` does not contain 0. With a
    difference d whose standard error is s, this happens with the probability
    ``Phi(d / s - z) + Phi(-d / s - z)``, z the quantile of (1 + level) / 2; s falls with the
    frames, which are shared out so that neither kind stays behind.

    Parameters
    ----------
    difference : float
        That is to be found; its sign does not matter.
    sides : sequence of Side
        The two configurations.
    fixed_variance : float
        Part of the variance of the difference that more frames do not lower.
    level, chance : float
        Between 0 and 1.

    Returns
    -------
    heated, off : int
        Further frames at each power, and with the heater off, in each configuration; 0 where
        they suffice already, -1 where 1000 do not.

    Raises
    ------
    InputError
        A probability outside its range, a variance that is not above 0, or a side without frames.

    Examples
    --------
    >>> from framesort.comparison import Side, frames_to_settle
    >>> frames_to_settle(0.05, [Side(0.0009, 4, 4), Side(0.0009, 4, 4)])
    (19, 19)
    """
    for name, value in (("level", level), ("chance", chance)):
        if not 0 < value < 1:
            raise InputError(f"{name} must be between 0 and 1, got {value:g}")
    for side in sides:
        if not (side.variance > 0 and side.frames > 0 and side.off_frames >= 0):
            raise InputError(f"a side needs a variance and frames, got {side}")
    size, z = abs(difference), float(ndtri(0.5 + level / 2))
    fewest, fewest_off = min(s.frames for s in sides), min(s.off_frames for s in sides)

    def found(target: int) -> bool:
        heated, off = _further(target, fewest, fewest_off)
        error = np.sqrt(fixed_variance + sum(_variance(side, heated, off) for side in sides))
        return bool(ndtr(size / error - z) + ndtr(-size / error - z) >= chance)

    low, high = 0, NEVER + max(fewest, fewest_off)
    if not found(high):
        return -1, -1
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if found(middle) else (middle + 1, high)
    heated, off = _further(low, fewest, fewest_off)
    return (-1, -1) if max(heated, off) > NEVER else (heated, off)


def _further(target: int, frames: int, off_frames: int) -> tuple[int, int]:
    """Frames missing until each kind has `target`."""
    return max(0, target - frames), max(0, target - off_frames) if off_frames else 0
