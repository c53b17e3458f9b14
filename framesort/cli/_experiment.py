"""`plan --experiment`: the sequence of a test night."""

import argparse
from argparse import Namespace
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from framesort.errors import InputError, check_positive

if TYPE_CHECKING:
    from framesort.planning import DewForecast, DriftModel

__all__ = ["EXPERIMENT_EXAMPLE", "add_experiment_options", "check_experiment", "run_experiment"]

EXPERIMENT_EXAMPLE = """framesort plan result --experiment --precision 2 --out test-night"""

_NUMBERS = (
    ("precision", "PCT", "wanted error of the FWHM at each power, percent of it (default 2)"),
    ("spike_precision", "PCT", "wanted error of the spike, percent of the star's light"),
    ("minutes", "MIN", "longest sequence (default 480); reports the precision reached"),
    ("settle", "MIN", "time constant of the heater's effect: three are waited (default 0)"),
    ("switch", "S", "time that switching the heater takes, seconds (default 30)"),
    ("overhead", "S", "between frames, seconds (default: that of DIR, or 15 %% of the exposure)"),
    ("growth", "PCT", "expected growth of the FWHM at the highest power (default 20, or DIR's)"),
    ("scatter", "PCT", "of the FWHM from frame to frame (default 2, or that of DIR)"),
    ("drift", "PCT", "of the FWHM over an hour (default 6, or that of DIR)"),
    ("spike_scatter", "PCT", "of a frame's spike, percent of the light (default 0.6, or DIR's)"),
    ("pause", "MIN", "between the two configurations (default 0)"),
)
"""Options that take a number: name, what stands for it, help."""


def add_experiment_options(plan: argparse.ArgumentParser) -> None:
    """Options of a test night."""
    group = plan.add_argument_group("a test night: what the heater does at which power")
    group.add_argument(
        "--experiment",
        action="store_true",
        help="plan the shortest sequence of powers that measures their effect",
    )
    group.add_argument(
        "--powers", metavar="LIST", help="percent, with commas (default 0,25,50,75,100)"
    )
    group.add_argument(
        "--exposures", metavar="LIST", help="seconds, with commas (default: that of DIR, or 60)"
    )
    for name, metavar, text in _NUMBERS:
        group.add_argument(_flag(name), type=float, metavar=metavar, help=text)
    group.add_argument(
        "--configurations",
        type=int,
        metavar="N",
        help="2: before and after a change, for the difference of their effect",
    )
    group.add_argument(
        "--onset",
        action="store_true",
        help="add steps for time constants and for exposures heated in part",
    )
    group.add_argument("--out", metavar="DIR", help="folder for the sequence and a checklist")
    group.add_argument("--overwrite", action="store_true", help="replace existing files there")


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def check_experiment(options: Namespace, others: Iterable[str]) -> None:
    """Refuse options that have no effect with or without --experiment.

    `others` are the options of the plan of a night that a test night does not use.
    """
    if options.experiment:
        for name in others:
            if getattr(options, name) not in (None, ""):
                hint = "; use --exposures" if name == "exposure" else ""
                raise InputError(f"{_flag(name)} is not for --experiment{hint}")
        return
    mine = ["powers", "exposures", *(name for name, _, _ in _NUMBERS), "configurations", "out"]
    for name in (*mine, "onset", "overwrite"):
        if getattr(options, name) not in (None, False):
            raise InputError(f"{_flag(name)} needs --experiment")


def run_experiment(
    options: Namespace,
    *,
    temperature: float | None,
    humidity: float | None,
    dew: "DewForecast | None",
    notes: list[str],
) -> int:
    """Plan a test night: write it, or print its checklist."""
    from framesort.cli._console import print_json, print_text
    from framesort.planning import (
        ExperimentGoal,
        format_checklist,
        plan_experiment,
        write_experiment,
    )

    given = _given_goal(options)
    drift, learnt, sources = _learn(options)
    goal = ExperimentGoal(**{**learnt, **given})
    if options.out is None and options.overwrite:
        raise InputError("--overwrite needs --out")
    plan = plan_experiment(
        goal,
        drift=drift,
        temperature=temperature,
        humidity=humidity,
        dew=dew,
        plate_below=options.plate_below,
    )
    paths = []
    if options.out is not None:
        paths = write_experiment(plan, options.out, overwrite=options.overwrite)
    notes = [*sources, *notes]
    if options.json:
        print_json({**plan.as_dict(), "notes": notes, "files": [str(path) for path in paths]})
    elif paths:
        print_text("\n".join([*plan.sentences, *notes, *(f"written: {path}" for path in paths)]))
        print_text("\nCautions\n" + "\n".join(plan.cautions))
    else:
        print_text("\n".join([format_checklist(plan), *notes]))
    return 0


def _given_goal(options: Namespace) -> dict[str, Any]:
    """Fields of the goal that were given as options."""
    drift = {"scatter", "drift", "spike_scatter"}
    names = [*(name for name, _, _ in _NUMBERS if name not in drift), "configurations"]
    given = {name: getattr(options, name) for name in names}
    given["onset"] = options.onset or None
    for name in ("powers", "exposures"):
        text = getattr(options, name)
        given[name] = None if text is None else _read_numbers(name, text)
    return {name: value for name, value in given.items() if value is not None}


def _read_numbers(name: str, text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise InputError(f"{name} must be numbers with commas between, got {text!r}") from None


def _learn(options: Namespace) -> "tuple[DriftModel, dict[str, Any], list[str]]":
    """Drift model, fields of the goal and what they are from: of the night's folder if given."""
    from framesort.planning import DriftModel

    names = ("scatter", "drift", "spike_scatter")
    shares = {name: getattr(options, name) for name in names if getattr(options, name) is not None}
    check_positive(**{name: value for name, value in shares.items() if name != "drift"})
    if shares.get("drift", 0.0) < 0:
        raise InputError(f"drift must be at least 0, got {shares['drift']:g}")
    shares = {name: value / 100 for name, value in shares.items()}
    if options.folder is None:
        return DriftModel(**shares), {}, []
    from framesort.errors import NotEnoughFramesError
    from framesort.evidence import estimate_drift
    from framesort.night import read_sorted

    table, summary = read_sorted(options.folder)
    learnt: dict[str, Any] = {}
    notes = []
    try:
        night = estimate_drift(table)
    except NotEnoughFramesError as error:
        if not {"scatter", "drift"} <= set(shares):
            notes.append(f"Typical scatter and drift are used: {error}.")
        return DriftModel(**shares), learnt, notes
    found = {name: getattr(night, name) for name in names}
    found = {name: value for name, value in found.items() if value > 0}
    notes.append(
        f"Scatter, drift and exposure are from {night.frames} frames of {options.folder} "
        f"({night.filter or 'no filter'}, {night.exposure:g} s), where not given."
    )
    # One exposure's time between frames holds for the others as well.
    learnt = {"exposures": (night.exposure,), "overhead": night.overhead}
    growth = _largest_growth(summary.response)
    if growth > 0:
        learnt["growth"] = growth
    return DriftModel(**{**found, **shares}), learnt, notes


def _largest_growth(response: Iterable[Any]) -> float:
    """Growth at the highest power measured, percent; 0 if none is."""
    known = [(point.power, point.fwhm_growth) for point in response if point.power > 0]
    return 0.0 if not known else max(100 * (max(known)[1] - 1), 0.0)
