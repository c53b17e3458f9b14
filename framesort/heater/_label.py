"""Attribution of the steps of a supply current to the heater, by the probability of all choices."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.heater._steps import Step

__all__ = ["Labelled", "label_steps"]

Floats = NDArray[np.float64]

_DEVICES = np.array([0.35, 0.44, 0.15, 0.04, 0.02])
"""Probability of 0, 1, 2 .. other switched devices in a night, such as a camera cooler."""

_NIGHTFALL, _AT_ENDS = 1800.0, 0.9
"""Time in seconds after the begin and before the end of the log, and share of the steps of other
devices that are a rise in the first or a fall in the second."""

_ZERO, _FULL, _REPEAT, _ROUND = 0.25, 0.15, 0.15, 0.30
"""Probability that a heater step leads to off, to full power, to a previous power, to a multiple
of a tenth of full power."""

_COOLER_UP = 0.8
"""Probability that a single step of another device is a rise: it is switched on and stays on."""

_NEVER_HEATER = 62
"""Kind of steps of other devices: a bit that no choice sets."""

_CLUSTERS = 14
"""Largest number of kinds of steps: 2^14 choices."""


@dataclass(frozen=True)
class Labelled:
    """Heater level before, between and after the steps.

    Attributes
    ----------
    level : (n + 1,) float ndarray
        Amperes of the heater, 0 when off.
    confidence : (n + 1,) float ndarray
        Probability that the level is right within a twentieth of full current.
    full : float
        Amperes at full power.
    heater : (n,) bool ndarray
        Steps taken as the heater's.
    """

    level: Floats
    confidence: Floats
    full: float
    heater: NDArray[np.bool_]


def _kinds(heights: Floats, errors: Floats) -> NDArray[np.intp]:
    """Number the kinds of steps; equal heights (of either sign) share one if there are many."""
    if len(heights) <= _CLUSTERS:
        return np.arange(len(heights))
    order = np.argsort(np.abs(heights))
    size = np.abs(heights)[order]
    apart = np.diff(size) > np.maximum(3 * errors[order][1:], 0.04 * size[1:])
    kinds = np.empty(len(heights), dtype=np.intp)
    kinds[order] = np.r_[0, np.cumsum(apart)]
    return kinds


def _normal(x: Any, s: Any) -> Any:
    """Density of a normal deviate."""
    return np.exp(-0.5 * (x / s) ** 2) / (s * np.sqrt(2 * np.pi))


def _heater_score(
    level: Floats, changed: NDArray[np.bool_], error: Floats, full: float | None, span: float
) -> tuple[float, float]:
    """Log probability of one course of heater levels, and its full current.

    `level` has its lowest value at 0; `changed` marks those that follow a heater step.
    """
    visited = np.r_[level[0], level[1:][changed]]
    sd = np.r_[error[0], error[1:][changed]]
    top = float(visited.max())
    given = full is not None
    limit = full if full is not None else top
    if limit <= 0:
        return 0.0, 0.0
    sd = np.hypot(sd, 0.01 * limit)
    if given and top > 1.05 * limit + 3 * float(sd.max()):
        return -np.inf, limit
    score = 0.0
    seen: list[float] = []
    tenths = np.arange(0.1, 0.95, 0.1)
    # The levels that define zero, and full if not given, are no evidence for themselves.
    fixed = {int(np.argmin(visited))} | (set() if given else {int(np.argmax(visited))})
    flat = 1.0 - _ZERO - _FULL - _REPEAT - _ROUND
    for i, (value, s) in enumerate(zip(visited, sd, strict=True)):
        if i in fixed:
            score += np.log(1.0 / span)
        else:
            s_full = np.hypot(s, 0.04 * limit) if given else s
            chance = _ZERO * _normal(value, s) + _FULL * _normal(value - limit, s_full)
            chance += _ROUND * float(np.mean(_normal(value - tenths * limit, s_full)))
            if seen:
                chance += _REPEAT * float(np.mean(_normal(value - np.array(seen), s)))
            score += np.log(chance + flat / limit)
        seen.append(value)
    return score, limit


def _pair_up(heights: Floats, errors: Floats) -> tuple[list[tuple[int, int]], list[int]]:
    """Match each fall with an earlier rise of its size; pairs, and steps without a partner."""
    pairs: list[tuple[int, int]] = []
    open_rises: list[int] = []
    single: list[int] = []
    for i, height in enumerate(heights):
        if height > 0:
            open_rises.append(i)
            continue
        near = [
            j
            for j in open_rises
            if abs(heights[j] + height) < 4 * np.hypot(errors[i], errors[j]) + 0.05 * heights[j]
        ]
        if near:
            open_rises.remove(near[-1])
            pairs.append((near[-1], i))
        else:
            single.append(i)
    return pairs, single + open_rises


def _other_score(heights: Floats, errors: Floats, at_ends: Floats, span: float) -> float:
    """Log probability of the steps of other devices, each on once, or on and off again.

    `at_ends` is how much likelier than a heater's each step's time is.
    """
    pairs, single = _pair_up(heights, errors)
    devices = len(pairs) + len(single)
    last = len(_DEVICES) - 1
    score = float(np.log(_DEVICES[min(devices, last)])) - max(devices - last, 0)
    score += float(np.log(at_ends).sum())
    for i in single:
        score += float(np.log((_COOLER_UP if heights[i] > 0 else 1 - _COOLER_UP) / span))
    for i, j in pairs:
        s = np.hypot(errors[i], errors[j]) + 0.02 * heights[i]
        score += float(np.log(_normal(heights[i] + heights[j], s) / span / 2))
    return score


def label_steps(
    steps: list[Step], *, full_current: float | None, cadence: float, samples: int
) -> Labelled:
    """Separate the steps of the heater from those of other devices.

    Every attribution of the steps to the heater or to other devices is scored by typical use:
    heaters return to off, to full power and to previous powers, and are never below off or,
    with `full_current`, above full; other devices have few steps. The weights give the
    probability that the best level is right, for each interval. The lowest level of the heater is
    off.

    Parameters
    ----------
    steps : list of Step
        In order of time; a ramp is never the heater's.
    full_current : float or None
        Amperes at full power; None takes the highest level of the heater.
    cadence : float
        Seconds between samples.
    samples : int
        Length of the log.
    """
    heights = np.array([s.height for s in steps])
    errors = np.array([s.error for s in steps])
    sudden = np.array([s.sudden for s in steps], dtype=bool)
    kinds = np.full(len(steps), _NEVER_HEATER)
    device = np.array([s.sudden or s.settles for s in steps], dtype=bool)
    ours = sudden & ~np.array([s.settles for s in steps], dtype=bool)
    kinds[ours] = _kinds(heights[ours], errors[ours])
    count = int(kinds[ours].max()) + 1 if ours.any() else 0
    if not 0 < count <= _CLUSTERS:
        return Labelled(
            np.full(len(steps) + 1, np.nan),
            np.full(len(steps) + 1, np.nan),
            full_current or np.nan,
            np.zeros(len(steps), dtype=bool),
        )
    place = cadence * np.array([s.index for s in steps])
    length = cadence * samples
    ends = np.where(heights > 0, place, length - place) < _NIGHTFALL
    at_ends = 1 - _AT_ENDS + np.where(ends, _AT_ENDS * max(length / _NIGHTFALL, 1.0) / 2, 0.0)
    span = float(max(np.abs(heights).sum() / 2, np.abs(heights).max()))
    scores, levels, fulls, masks = [], [], [], []
    for choice in range(2**count):
        heater = ((choice >> kinds) & 1).astype(bool)
        level = np.r_[0.0, np.cumsum(heights * heater)]
        level -= level.min()
        # Errors of level add up from the interval that defines off.
        passed = np.abs(np.cumsum(np.r_[0, heater]) - np.cumsum(np.r_[0, heater])[level.argmin()])
        error = np.median(errors) * np.sqrt(np.maximum(passed, 1))
        score, full = _heater_score(level, heater, error, full_current, span)
        other = ~heater & device  # a ramp is drift: it needs no device
        score += _other_score(heights[other], errors[other], at_ends[other], span)
        scores.append(score)
        levels.append(level)
        fulls.append(full)
        masks.append(heater)
    return _weigh(np.array(scores), np.array(levels), np.array(fulls), np.array(masks))


def _weigh(scores: Floats, levels: Floats, fulls: Floats, masks: NDArray[np.bool_]) -> Labelled:
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    best = int(np.argmax(weight))
    full = float(fulls[best])
    if not masks[best].any():
        n = levels.shape[1]
        return Labelled(np.full(n, np.nan), np.full(n, np.nan), full, masks[best])
    with np.errstate(invalid="ignore", divide="ignore"):
        power = np.where(fulls[:, None] > 0, levels / fulls[:, None], np.nan)
    agree = np.abs(power - power[best]) <= 0.05
    return Labelled(levels[best], weight @ agree, full, masks[best])
