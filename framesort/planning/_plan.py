"""The next night in sentences: heater-off frames first, then which power."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.planning._dew import PLATE_BELOW, deposit_point
from framesort.planning._exposure import HeaterOffTime
from framesort.planning._forecast import DewForecast, clock

__all__ = ["CAUTIONS", "NightPlan", "plan_night"]

CAUTIONS: tuple[str, ...] = (
    "The dew times rest on a rule of thumb: look at the plate, and protect the equipment first.",
    "Use the heater only as its maker's instructions say, at its own voltage, with its own "
    "controller; do not open, change, cover or bypass it, and switch it off when nobody watches "
    "unless the maker allows that.",
    "Mains voltage outdoors at night, in dew, can kill: follow local rules and the makers' "
    "instructions, and leave its installation to a qualified person.",
)
"""What every plan says besides."""

COST = 0.05
"""Growth of the FWHM that counts as tolerable, a share."""

FIRST_POWER = 25.0
"""Power to begin with when nothing was measured: low, as common practice has it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class NightPlan:
    """What to do next time.

    Attributes
    ----------
    minutes_off : float
        Heater-off exposure wanted in all, minutes; NaN if not known.
    power : float
        Power to use afterwards, percent; 0 where no heating is needed, NaN if not known.
    dew : DewForecast or None
        As handed in.
    needs : tuple of HeaterOffTime
        As handed in.
    sentences : tuple of str
        The plan in words, most important first.
    cautions : tuple of str
        What to heed besides.
    """

    minutes_off: float
    power: float
    dew: DewForecast | None
    needs: tuple[HeaterOffTime, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def plan_night(
    *,
    needs: Sequence[HeaterOffTime] = (),
    dew: DewForecast | None = None,
    temperature: float | None = None,
    humidity: float | None = None,
    response: Table | Sequence[Mapping[str, Any]] | None = None,
    plate_below: float = PLATE_BELOW,
    overhead: float = 0.15,
) -> NightPlan:
    """Plan the next night.

    Parameters
    ----------
    needs : sequence of HeaterOffTime
        From `unheated_minutes_needed`.
    dew : DewForecast or None
        From `predict_dew`.
    temperature, humidity : float or None
        Air now, degrees Celsius and percent, where there is no forecast.
    response : `~astropy.table.Table`, sequence of mappings or None
        What heating cost: columns power [%] and fwhm_growth (width over that with the
        heater off). Rows with NaN or without power are left out.
    plate_below : float
        As for `dew_margin`; only for `temperature` and `humidity`.
    overhead : float
        Time lost between frames, as a share of the exposure.

    Returns
    -------
    NightPlan

    Raises
    ------
    InputError
        The humidity is outside its range.
    """
    minutes = sum(need.minutes for need in needs) if needs else np.nan
    sentences = [need.sentence for need in needs]
    wet = True
    if dew is not None:
        wet = dew.risk is not None
        sentences = [*_when(dew, minutes * (1 + overhead)), *sentences]
    elif temperature is not None and humidity is not None:
        wet, sentence = _now(temperature, humidity, plate_below)
        sentences.insert(0, sentence)
    else:
        sentences.insert(
            0,
            "Take the heater-off frames first, while the plate is still warm and dry; without "
            "temperature and humidity nothing is said about dew.",
        )
    power, sentence = _choose_power(response, wet)
    return NightPlan(
        minutes_off=float(minutes),
        power=power,
        dew=dew,
        needs=tuple(needs),
        sentences=(*sentences, sentence),
    )


def _now(temperature: float, humidity: float, plate_below: float) -> tuple[bool, str]:
    point, kind = deposit_point(temperature, humidity)
    margin = temperature - plate_below - point
    name = "dew point" if kind == "dew" else "frost point"
    base = f"{name} {point:.1f} deg C, plate about {plate_below:g} K below the air"
    if margin <= 0:
        return True, (
            f"{kind.capitalize()} is to be expected now ({base}): start with a warm, dry plate and "
            "take the heater-off frames at once, in short runs, looking at the plate between them."
        )
    if margin < 2:
        return True, (
            f"The plate has {margin:.1f} K left ({base}): take the heater-off frames first; the "
            "air cools through the night."
        )
    return False, (
        f"The plate has {margin:.1f} K left ({base}): no need to heat now; look again when "
        "the air has cooled or grown moister."
    )


def _when(dew: DewForecast, minutes: float) -> list[str]:
    """When to take the heater-off frames, given the forecast and the clock minutes they need."""
    if dew.risk is None:
        return [dew.sentence, "Leave the heater off all night: every frame is a heater-off frame."]
    begin = float(dew.table["time"].unix[0])
    free = (dew.risk.unix - begin) / 60
    if free < 1:
        return [
            dew.sentence,
            "Start with a warm, dry plate and take the heater-off frames at once, in short runs, "
            "looking at the plate between them.",
        ]
    until = f"before {clock(float(dew.risk.unix))} UTC"
    if np.isnan(minutes):
        return [dew.sentence, f"Take the heater-off frames first, {until}; heat from then on."]
    if minutes <= free:
        return [
            dew.sentence,
            f"Take the heater-off frames first, {until}: about {minutes:.0f} of {free:.0f} dry "
            "minutes are needed; heat from then on.",
        ]
    return [
        dew.sentence,
        f"Take heater-off frames from the start, {until}: {free:.0f} dry minutes of the "
        f"{minutes:.0f} wanted; take the filter whose stars matter most first, and the rest on "
        "another night.",
    ]


def _choose_power(
    response: Table | Sequence[Mapping[str, Any]] | None, wet: bool
) -> tuple[float, str]:
    """Power to use once heating is needed, from what was measured."""
    points = [] if response is None else [_point(row) for row in response]
    points = [point for point in points if np.isfinite(point).all() and point[0] > 0]
    used = FIRST_POWER
    if not points:
        sentence = (
            f"begin with about {FIRST_POWER:g} % of power and raise it only as far as the plate "
            "needs to stay dry; what a power costs in sharpness was not measured yet."
        )
    else:
        # The worst of all filters and exposures counts at each power.
        worst: dict[float, float] = {}
        for power, growth in points:
            worst[power] = max(worst.get(power, 0.0), growth)
        mild = [power for power, growth in worst.items() if growth <= 1 + COST]
        used = max(mild) if mild else min(worst)
        wider = max(100 * (worst[used] - 1), 0.0)
        sentence = (
            f"heat with at most {used:g} %: there stars were {wider:.0f} % wider (tolerable are "
            f"{100 * COST:.0f} %); more only if the plate gets wet all the same."
            if mild
            else f"heat with less than {used:g} %, the lowest power measured: there stars were "
            f"{wider:.0f} % wider already, more than the tolerable {100 * COST:.0f} %."
        )
    if wet:
        return used, sentence[0].upper() + sentence[1:]
    return 0.0, f"If heating is needed after all, {sentence}"


def _point(row: Any) -> tuple[float, float]:
    """Power and growth of one row of a response; NaN for what is not known."""
    names = row.colnames if hasattr(row, "colnames") else row.keys()

    def number(name: str) -> float:
        value = row[name] if name in names else None
        return np.nan if value is None or value is np.ma.masked else float(value)

    return number("power"), number("fwhm_growth")
