"""Steps for the time constants of the heater's effect and for exposures heated in part."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.planning._goal import DriftModel, ExperimentGoal
from framesort.planning._sequence import Trial

__all__ = ["OnsetFrames", "OnsetPlan", "mean_response", "plan_onset"]

Floats = NDArray[np.float64]

_SHARE = 0.2
"""Heater share of the frames heated in part: the last fifth of the exposure."""

_WANTED = 0.35
"""Wanted relative error of a time constant."""

_MOST = 8
"""Most frames after a switch."""


@dataclass(frozen=True, kw_only=True)
class OnsetFrames:
    """Successive frames of one kind in the steps for the time constants.

    Attributes
    ----------
    kind : str
        "off", "part" (heated for the last part of the exposure), "rise", "fall".
    frames : int
        Number of frames.
    begin : float
        Minutes from the begin of the sequence.
    wait : float
        Minutes waited before.
    """

    kind: str
    frames: int
    begin: float
    wait: float


@dataclass(frozen=True, kw_only=True)
class OnsetPlan:
    """Steps for time constants and heater share, and what they give.

    Attributes
    ----------
    steps : tuple of OnsetFrames
        In their order; at the highest power.
    exposure : int
        Number of the exposure among the goal's: the shortest.
    share : float
        Heater share of the frames heated in part.
    minutes : float
        Length of all steps.
    switches : int
        How often the heater is switched in them.
    share_error : float
        Standard deviation of log growth of the frames heated in part.
    exponent_error : float
        Standard deviation of q in ``log growth(share) = share^q log growth(1)``, about q = 1.
    time_constant : float
        Minutes for which the errors are given.
    rise_error, fall_error : float
        Standard deviation of the time constant after switching on and off, minutes.
    shortest : float
        Shortest time constant, minutes, that is measured to 50 %; NaN if none.
    """

    steps: tuple[OnsetFrames, ...]
    exposure: int
    share: float
    minutes: float
    switches: int
    share_error: float
    exponent_error: float
    time_constant: float
    rise_error: float
    fall_error: float
    shortest: float


def mean_response(since: Floats, exposure: float, constant: float) -> Floats:
    """Mean over an exposure of ``1 - exp(-t / constant)``, t from the switch.

    Parameters
    ----------
    since : (n,) float ndarray
        Time from the switch to the begin of each exposure, at least 0.
    exposure, constant : float
        Of the same unit.
    """
    decay = np.exp(-since / constant) - np.exp(-(since + exposure) / constant)
    return np.asarray(1 - constant / exposure * decay)


def plan_onset(trial: Trial) -> OnsetPlan:
    """Append the steps to a sequence, with as few frames as measure the time constants."""
    goal = trial.goal
    constant = goal.settle if goal.settle > 0 else goal.frame_minutes(0)
    for frames in range(3, _MOST + 1):
        found = _evaluate(trial, _lay_out(trial, frames), constant)
        if max(found.rise_error, found.fall_error) <= _WANTED * constant:
            break
    return found


def _lay_out(trial: Trial, frames: int) -> tuple[OnsetFrames, ...]:
    """Steps with their times."""
    goal: ExperimentGoal = trial.goal
    length, switch = goal.frame_minutes(0), goal.switch / 60
    clock = trial.minutes
    heated = bool(trial.level[-1])
    steps = []
    plan = [("off", 2), ("part", 1), ("off", 2), ("part", 1), ("off", 2)]
    for kind, count in [*plan, ("rise", frames), ("fall", frames)]:
        # A part frame is switched on within the exposure and off at its end.
        switched = heated if kind == "off" else kind in ("rise", "fall")
        wait = goal.wait if kind == "off" and heated else 0.0
        clock += switched * switch + wait
        steps.append(OnsetFrames(kind=kind, frames=count, begin=clock, wait=wait))
        clock += count * length
        heated = kind in ("part", "rise")
    return tuple(steps)


def _evaluate(trial: Trial, steps: tuple[OnsetFrames, ...], constant: float) -> OnsetPlan:
    """Errors by generalised least squares, linearised in the time constants."""
    goal, drift = trial.goal, trial.drift
    mine = trial.exposure == 0
    step = goal.frame_minutes(0)
    begin = [trial.begin[mine], *(s.begin + step * np.arange(s.frames) for s in steps)]
    kinds = np.repeat(["main", *(s.kind for s in steps)], [len(times) for times in begin])
    level = np.zeros(len(kinds), dtype=np.intp)
    level[: len(begin[0])] = trial.level[mine]
    times = np.concatenate(begin)

    def errors(tau: float) -> Floats:
        design = _design(goal, times, level, kinds, tau)
        return _standard_errors(design, times / 60, drift)

    found = errors(constant)
    grid = constant * np.geomspace(0.02, 20, 46)
    shortest = next((t for t in grid if max(errors(float(t))[-2:]) <= 0.5 * t), np.nan)
    top = np.log1p(goal.growth / 100)
    ratio_error = float(found[-3]) / top
    last = steps[-1]
    return OnsetPlan(
        steps=steps,
        exposure=0,
        share=_SHARE,
        minutes=last.begin + last.frames * step - trial.minutes,
        # Two for each frame heated in part, one for each time constant.
        switches=6 + bool(trial.level[-1]),
        share_error=float(found[-3]),
        exponent_error=ratio_error / (_SHARE * abs(np.log(_SHARE))),
        time_constant=constant,
        rise_error=float(found[-2]),
        fall_error=float(found[-1]),
        shortest=float(shortest),
    )


def _design(
    goal: ExperimentGoal,
    times: Floats,
    level: NDArray[np.intp],
    kinds: NDArray[np.str_],
    tau: float,
) -> Floats:
    """Columns: level, growth at each power, frames heated in part, the two time constants."""
    powers = len(goal.powers)
    design = np.zeros((len(times), powers + 3))
    design[:, 0] = 1.0
    heated = np.flatnonzero(level)
    design[heated, level[heated]] = 1.0
    design[kinds == "part", powers] = 1.0
    exposure = goal.exposures[0] / 60
    top = np.log1p(goal.growth / 100)
    for column, kind in enumerate(("rise", "fall"), powers + 1):
        mine = kinds == kind
        since = times[mine] - times[mine][0]
        response = mean_response(since, exposure, tau)
        design[mine, powers - 1] = response if kind == "rise" else 1 - response
        small = 1e-4 * tau
        slope = (mean_response(since, exposure, tau + small) - response) / small
        design[mine, column] = top * (slope if kind == "rise" else -slope)
    return design


def _standard_errors(design: Floats, hours: Floats, drift: DriftModel) -> Floats:
    """Standard errors of the coefficients; infinite for columns without information."""
    t = hours - hours[0]
    covariance = drift.drift**2 * np.minimum(t[:, None], t[None, :])
    covariance[np.diag_indices_from(covariance)] += drift.scatter**2
    scale = np.abs(design).max(axis=0)
    known = scale > 1e-9
    white = np.linalg.solve(np.linalg.cholesky(covariance), design[:, known] / scale[known])
    errors = np.full(design.shape[1], np.inf)
    errors[known] = np.sqrt(np.diag(np.linalg.inv(white.T @ white))) / scale[known]
    return errors
