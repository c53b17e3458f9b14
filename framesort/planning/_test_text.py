"""Words of the plan of a test night: sentences, cautions, the checklist to print."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from framesort.errors import InputError
from framesort.planning._dew import deposit_point
from framesort.planning._forecast import DewForecast, clock
from framesort.planning._plan import CAUTIONS as PLAN_CAUTIONS

if TYPE_CHECKING:
    from framesort.planning._experiment import ExperimentPlan

__all__ = ["CAUTIONS", "describe_air", "describe_experiment", "format_checklist"]

CAUTIONS: tuple[str, ...] = (
    "The corrector plate may dew while the heater is off: inspect it at every heater-off step, "
    "and end the test when it is not dry.",
    "Set only powers that the heater's own controller offers, within its maker's limits; stay "
    "beside the heater unless the maker allows it to run unattended.",
    *PLAN_CAUTIONS[1:],
)
"""Cautions of every test night."""


def describe_air(
    temperature: float | None, humidity: float | None, dew: DewForecast | None, plate_below: float
) -> Callable[[float], list[str]]:
    """Sentences on dew, from the length of the test in minutes; checks the values at once."""
    if (temperature is None) != (humidity is None):
        raise InputError("temperature and humidity are needed together")
    if dew is not None:
        return lambda minutes: _forecast_sentences(dew, minutes)
    if temperature is None or humidity is None:
        return lambda minutes: [
            "Dew risk while the heater is off: not known without temperature and humidity."
        ]
    point, kind = deposit_point(temperature, humidity)
    margin = temperature - plate_below - point
    base = f"{kind} point {point:.1f} deg C, corrector plate about {plate_below:g} K below the air"
    if margin <= 0:
        text = f"{kind.capitalize()} is expected with the heater off ({base}): take a drier night."
    elif margin < 2:
        text = (
            f"Dew margin only {margin:.1f} K with the heater off ({base}): take a drier "
            "night if you can."
        )
    else:
        text = f"Dew margin {margin:.1f} K with the heater off ({base})."
    return lambda minutes: [text]


def _forecast_sentences(dew: DewForecast, minutes: float) -> list[str]:
    if dew.risk is None:
        return [dew.sentence]
    free = (float(dew.risk.unix) - float(dew.table["time"].unix[0])) / 60
    moment = clock(float(dew.risk.unix), str(dew.table.meta.get("zone", "")))
    if free >= minutes:
        return [dew.sentence, f"The test must end before {moment}: {free:.0f} min are available."]
    return [
        dew.sentence,
        f"The test does not fit before {moment} ({free:.0f} min are available): limit it with "
        "minutes (--minutes), or take a drier night.",
    ]


def describe_experiment(plan: "ExperimentPlan") -> list[str]:
    """The plan in words."""
    goal, drift = plan.goal, plan.drift
    worst = float(np.max(plan.precision["fwhm_error"]))
    what = "the growth of the FWHM at each power"
    if goal.configurations == 2:
        what = "the difference of the two configurations' growth at each power, at common seeing,"
    sentences = [
        f"{plan.frames} frames, {plan.switches} switches, {plan.minutes:.0f} min "
        f"(order: {plan.order}) give {what} to {worst:.1f} % of the FWHM or better "
        "(one standard deviation).",
        f"Planned for a scatter of {100 * drift.scatter:.1f} % from frame to frame and a drift of "
        f"{100 * drift.drift:.1f} % over an hour.",
    ]
    if not plan.reached:
        wanted = f"{goal.precision:g} % of the FWHM"
        if goal.spike_precision is not None:
            wanted += f" and {goal.spike_precision:g} % of the light for the spike"
        sentences.insert(1, f"Not reached within {goal.minutes:g} min: {wanted}.")
    if goal.spike_precision is not None:
        spike = float(np.max(plan.precision["spike_error"]))
        sentences.append(f"The spike is measured to {spike:.2f} % of the star's light.")
    return sentences + _onset_sentences(plan)


def _onset_sentences(plan: "ExperimentPlan") -> list[str]:
    onset = plan.onset
    if onset is None:
        return []
    text = (
        f"If the FWHM grows by {plan.goal.growth:g} % at {plan.goal.powers[-1]:g} %, a time "
        f"constant of {onset.time_constant:.1f} min is measured to {onset.rise_error:.1f} min "
        f"after switching on and {onset.fall_error:.1f} min after switching off"
    )
    if np.isfinite(onset.shortest):
        text += f"; those below {onset.shortest:.1f} min have errors above 50 %"
    return [
        text + ".",
        f"The frames heated for the last {100 * onset.share:.0f} % give their growth to "
        f"{100 * onset.share_error:.1f} %: the exponent q of log growth = share^q log growth(1) "
        f"to {onset.exponent_error:.2f}.",
    ]


def format_checklist(plan: "ExperimentPlan") -> str:
    """The sequence as plain text, a box to tick for each step."""
    lines = ["TEST NIGHT: growth of the FWHM with heater power", ""]
    lines += ["Cautions", *(f"  - {text}" for text in plan.cautions), ""]
    lines += ["Plan", *(f"  - {text}" for text in plan.sentences), ""]
    lines += ["Before", *(f"  [ ] {text}" for text in _BEFORE), "", "Sequence"]
    lines.append("       step  minute  power  exposure  frames  wait")
    now = 1
    for row in plan.table:
        if row["configuration"] != now:
            now = int(row["configuration"])
            pause = f"pause of {plan.goal.pause:g} min"
            lines.append(f"  [ ] {pause}: the change, then heater off and focus as before")
        lines.append(
            f"  [ ]  {row['step']:4d}  {row['begin_minute']:6.1f}  {row['power']:3g} %"
            f"  {row['exposure']:6g} s  {row['frames']:6d}  {row['wait_minutes']:4.1f}"
            f"  {row['purpose']}"
        )
    lines += [f"  end at minute {plan.minutes:.0f}", "", "Precision (one standard deviation)"]
    for row in plan.precision:
        lines.append(
            f"  {row['exposure']:g} s, {row['power']:3g} %: FWHM {row['fwhm_error']:.1f} %, spike "
            f"{row['spike_error']:.2f} % of the light ({row['frames']} frames, "
            f"{row['frames_off']} off)"
        )
    lines += ["", "After", *(f"  [ ] {text}" for text in _AFTER)]
    return "\n".join(lines) + "\n"


_BEFORE = (
    "corrector plate dry, telescope in temperature equilibrium, heater off for some time",
    "focus set with the heater off, and not changed during the sequence",
    "one filter, one field away from the meridian, guiding on, dithering as usual",
    "clocks of camera and heater log compared; the heater log runs",
    "switch between two exposures, never during one (unless the step states it)",
    "a frame lost to a satellite, wind or cloud is repeated at once, at the same power",
)

_AFTER = (
    "note deviations: cloud, wind, dew, a power that was not set exactly",
    "framesort sort FRAMES --heater LOG --out DIR; the result is in report.html",
)
