"""A sequence as tables: its steps, and the precision at each power."""

import numpy as np
from astropy.table import Table

from framesort.planning._onset import OnsetPlan
from framesort.planning._sequence import Trial

__all__ = ["list_steps", "tabulate_precision"]

_Row = tuple[int, float, float, float, float, int, float, str]

_NAMES = (
    "configuration",
    "begin_minute",
    "power",
    "share",
    "exposure",
    "frames",
    "wait_minutes",
    "purpose",
)
_UNITS = {"begin_minute": "min", "power": "percent", "exposure": "s", "wait_minutes": "min"}


def list_steps(trial: Trial, onset: OnsetPlan | None) -> Table:
    """Steps of a test night; columns as in `ExperimentPlan`."""
    goal = trial.goal
    rows: list[_Row] = []
    for configuration in range(goal.configurations):
        later = configuration * (trial.minutes + goal.pause)
        rows += _main_steps(trial, configuration + 1, later)
    if onset is not None:
        rows += _onset_steps(trial, onset)
    table = Table()
    table["step"] = np.arange(1, len(rows) + 1)
    kinds = {"configuration": int, "frames": int, "purpose": str}
    for column, name in enumerate(_NAMES):
        table[name] = np.array([row[column] for row in rows], dtype=kinds.get(name, float))
        if name in _UNITS:
            table[name].unit = _UNITS[name]
    for name in ("begin_minute", "wait_minutes"):
        table[name] = np.round(table[name], 2)
    return table


def _main_steps(trial: Trial, configuration: int, later: float) -> list[_Row]:
    goal = trial.goal
    new = np.r_[True, (np.diff(trial.level) != 0) | (np.diff(trial.exposure) != 0)]
    first = np.flatnonzero(new)
    count = np.diff(np.r_[first, len(trial.level)])
    rows = []
    for k, frames in zip(first, count, strict=True):
        power = goal.powers[trial.level[k]]
        rows.append(
            (
                configuration,
                later + float(trial.begin[k]),
                power,
                float(power > 0),
                goal.exposures[trial.exposure[k]],
                int(frames),
                goal.wait if trial.changed[k] else 0.0,
                f"growth at {power:g} %" if power else "heater off",
            )
        )
    return rows


def _onset_steps(trial: Trial, onset: OnsetPlan) -> list[_Row]:
    goal = trial.goal
    exposure = goal.exposures[onset.exposure]
    late = (1 - onset.share) * exposure
    purposes = {
        "off": "heater off",
        "part": f"heater share: on {late:g} s after the exposure begins, off at its end",
        "rise": "time constant: switch on, expose at once",
        "fall": "time constant: switch off, expose at once",
    }
    shares = {"off": 0.0, "part": onset.share, "rise": 1.0, "fall": 0.0}
    return [
        (
            1,
            step.begin,
            goal.powers[-1] if shares[step.kind] else 0.0,
            shares[step.kind],
            exposure,
            step.frames,
            step.wait,
            purposes[step.kind],
        )
        for step in onset.steps
    ]


def tabulate_precision(trial: Trial) -> Table:
    """Precision at each exposure and power; columns as in `ExperimentPlan`."""
    goal, counts = trial.goal, trial.counts()
    places = [(e, k) for e in range(len(goal.exposures)) for k in range(1, len(goal.powers))]
    table = Table()
    table["exposure"] = [goal.exposures[e] for e, _ in places]
    table["power"] = [goal.powers[k] for _, k in places]
    table["frames"] = [int(counts[place]) for place in places]
    table["frames_off"] = [int(counts[e, 0]) for e, _ in places]
    table["fwhm_error"] = [100 * float(trial.errors[e, k - 1]) for e, k in places]
    table["spike_error"] = [100 * float(trial.spike_errors[e, k - 1]) for e, k in places]
    table["exposure"].unit = "s"
    for name in ("power", "fwhm_error", "spike_error"):
        table[name].unit = "percent"
    return table
