"""A test night: what the heater does at which power, with the fewest minutes."""

from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.planning._dew import PLATE_BELOW
from framesort.planning._exchange import EXCHANGED, improve_sequence
from framesort.planning._forecast import DewForecast
from framesort.planning._goal import DriftModel, ExperimentGoal
from framesort.planning._onset import OnsetPlan, plan_onset
from framesort.planning._orders import ORDERS, find_shortest
from framesort.planning._sequence import Trial
from framesort.planning._steps import list_steps, tabulate_precision
from framesort.planning._test_text import CAUTIONS, describe_air, describe_experiment

__all__ = ["ExperimentPlan", "compare_orders", "plan_experiment"]

_STARTS = 3
"""Orders whose best sequences are shortened by exchange."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ExperimentPlan:
    """Sequence of a test night.

    Attributes
    ----------
    goal : ExperimentGoal
        What was wanted.
    drift : DriftModel
        Scatter and drift it is planned for.
    order : str
        Order of the powers.
    table : `~astropy.table.Table`
        The sequence, a row for each step: step, configuration, begin_minute [min] (of the first
        exposure), power [%], share (of the exposure heated), exposure [s], frames, wait_minutes
        [min] (after the switch, before the first exposure), purpose.
    precision : `~astropy.table.Table`
        A row for each exposure and power: exposure [s], power [%], frames (of one
        configuration), frames_off, fwhm_error [%] (one standard deviation, of the growth or of the
        difference of two configurations), spike_error [%] of the star's light.
    minutes : float
        Length, pause included.
    frames, switches : int
        Number of frames and of switches of the heater.
    reached : bool
        Whether the wanted precision is reached within the goal's minutes.
    onset : OnsetPlan or None
        Steps for time constants and heater share.
    sentences, cautions : tuple of str
        The plan in words; safety notes.
    """

    goal: ExperimentGoal
    drift: DriftModel
    order: str
    table: Table
    precision: Table
    minutes: float
    frames: int
    switches: int
    reached: bool
    onset: OnsetPlan | None
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    def as_dict(self) -> dict[str, Any]:
        """The plan as plain values."""
        onset = None
        if self.onset is not None:
            onset = asdict(self.onset)
            del onset["steps"]
        return {
            "order": self.order,
            "minutes": self.minutes,
            "frames": self.frames,
            "switches": self.switches,
            "reached": self.reached,
            "steps": _rows(self.table),
            "precision": _rows(self.precision),
            "onset": onset,
            "scatter": self.drift.scatter,
            "drift": self.drift.drift,
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
        }


def _rows(table: Table) -> list[dict[str, Any]]:
    names = table.colnames
    return [{name: np.asarray(row[name]).item() for name in names} for row in table]


def plan_experiment(
    goal: ExperimentGoal,
    *,
    drift: DriftModel | None = None,
    temperature: float | None = None,
    humidity: float | None = None,
    dew: DewForecast | None = None,
    plate_below: float = PLATE_BELOW,
    rng: np.random.Generator | None = None,
) -> ExperimentPlan:
    """Plan a test night: the shortest sequence that reaches the wanted precision.

    Every order of `ORDERS` with every block length and number of repeats is evaluated by
    generalised least squares, and the best are shortened by exchange of single frames.

    Parameters
    ----------
    goal : ExperimentGoal
        Powers, exposures, precision.
    drift : DriftModel or None
        Scatter and drift of the FWHM; None for typical ones.
    temperature, humidity : float or None
        Air, degrees Celsius and percent, for the dew margin while the heater is off.
    dew : DewForecast or None
        Forecast instead of these; the sequence begins with its first row.
    plate_below : float
        As for `dew_margin`.
    rng : `~numpy.random.Generator` or None
        For random orders; None for a fixed seed.

    Returns
    -------
    ExperimentPlan
        Where the goal is not reached within its minutes, the most precise sequence.

    Raises
    ------
    InputError
        The minutes are too few for any sequence, or a humidity is outside its range.
    """
    drift = DriftModel() if drift is None else drift
    rng = np.random.default_rng(0) if rng is None else rng
    air = describe_air(temperature, humidity, dew, plate_below)
    trial = _find_sequence(goal, drift, rng)
    onset = plan_onset(trial) if goal.onset else None
    if onset is not None and trial.minutes + onset.minutes > goal.minutes:
        trial = _find_sequence(goal, drift, rng, reserved=onset.minutes)
        onset = plan_onset(trial)
    table = list_steps(trial, onset)
    minutes = goal.configurations * trial.minutes + goal.pause
    minutes += 0.0 if onset is None else onset.minutes
    plan = ExperimentPlan(
        goal=goal,
        drift=drift,
        order=trial.order,
        table=table,
        precision=tabulate_precision(trial),
        minutes=minutes,
        frames=int(np.sum(table["frames"])),
        switches=goal.configurations * trial.switches + (0 if onset is None else onset.switches),
        reached=trial.worst <= 1,
        onset=onset,
        sentences=(),
    )
    return replace(plan, sentences=(*describe_experiment(plan), *air(minutes)))


def compare_orders(
    goal: ExperimentGoal, *, drift: DriftModel | None = None, rng: np.random.Generator | None = None
) -> Table:
    """Minutes that each order of the powers needs.

    Parameters
    ----------
    goal, drift, rng
        As for `plan_experiment`; the first exposure only.

    Returns
    -------
    `~astropy.table.Table`
        A row for each order, "exchange" last: order, minutes [min], frames, switches, fwhm_error
        [%] (the largest), reached. Orders of which no sequence is short enough are left out.
    """
    drift = DriftModel() if drift is None else drift
    rng = np.random.default_rng(0) if rng is None else rng
    trials = _try_orders(replace(goal, exposures=goal.exposures[:1]), drift, np.array([0]), rng)
    table = Table()
    table["order"] = np.array([trial.order for trial in trials], dtype=object)
    table["minutes"] = [trial.minutes for trial in trials]
    table["frames"] = [len(trial.level) for trial in trials]
    table["switches"] = [trial.switches for trial in trials]
    table["fwhm_error"] = [100 * float(trial.errors[0].max()) for trial in trials]
    table["reached"] = [trial.worst <= 1 for trial in trials]
    table["minutes"].unit, table["fwhm_error"].unit = "min", "percent"
    return table


def _try_orders(
    goal: ExperimentGoal,
    drift: DriftModel,
    exposures: NDArray[np.intp],
    rng: np.random.Generator,
) -> list[Trial]:
    """The best sequence of each order, and the best that exchange makes of them."""
    found = [
        find_shortest(goal, drift, order=order, exposures=exposures, rng=rng) for order in ORDERS
    ]
    trials = [trial for trial in found if trial is not None]
    if len(exposures) == 1 and trials:
        begin = sorted(trials, key=lambda t: (max(t.worst, 1.0), t.minutes))[:_STARTS]
        best = _choose([improve_sequence(trial) for trial in begin])
        trials.append(replace(best, order=EXCHANGED))
    return trials


def _choose(trials: list[Trial]) -> Trial:
    """The shortest that reaches the goal, else the most precise."""
    reached = [trial for trial in trials if trial.worst <= 1]
    if reached:
        return min(reached, key=lambda t: (round(t.minutes, 6), t.switches, t.worst))
    return min(trials, key=lambda trial: trial.worst)


def _find_sequence(
    goal: ExperimentGoal, drift: DriftModel, rng: np.random.Generator, *, reserved: float = 0.0
) -> Trial:
    """The sequence of all exposures: one after the other, or together in each block.

    `reserved` minutes are left for other steps.
    """
    given, numbers = goal.minutes, np.arange(len(goal.exposures))
    goal = replace(goal, minutes=max(given - reserved, 1.0))
    trials = _join_exposures(goal, drift, rng, np.full(len(numbers), goal.minutes))
    if len(numbers) > 1:
        separate = any(t.worst <= 1 and t.minutes <= goal.longest for t in trials)
        trials += _try_orders(goal, drift, numbers, rng)
        length = np.array([goal.frame_minutes(int(k)) for k in numbers])
        part = goal.pause + (goal.minutes - goal.pause) * length / length.sum()
        trials += [] if separate else _join_exposures(goal, drift, rng, part)
    trials = [t for t in trials if t.minutes <= goal.longest + 1e-9 and np.isfinite(t.worst)]
    if not trials:
        needed = sum(
            len(goal.powers) * goal.fewest * goal.frame_minutes(int(k)) for k in numbers
        ) + (len(goal.powers) - 1) * (goal.switch / 60 + goal.wait)
        needed = goal.configurations * needed + goal.pause + reserved
        raise InputError(
            f"minutes must be at least {needed:.0f} for {goal.fewest} frames at each of "
            f"{len(goal.powers)} powers, got {given:g}"
        )
    return _choose(trials)


def _join_exposures(
    goal: ExperimentGoal,
    drift: DriftModel,
    rng: np.random.Generator,
    minutes: NDArray[np.float64],
) -> list[Trial]:
    """The best sequences of each exposure one after the other, planned within their minutes."""
    best = []
    for number, longest in enumerate(minutes):
        if longest <= goal.pause:
            return []
        part = replace(goal, minutes=float(longest))
        trials = _try_orders(part, drift, np.array([number]), rng)
        trials = [trial for trial in trials if np.isfinite(trial.worst)]
        if not trials:
            return []
        best.append(_choose(trials))
    orders = ", then ".join(dict.fromkeys(trial.order for trial in best))
    level = np.concatenate([trial.level for trial in best])
    exposure = np.concatenate([trial.exposure for trial in best])
    return [Trial(orders, level, exposure, goal, drift)]
