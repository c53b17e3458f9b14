"""The next night in sentences: heater-off frames first, then which power."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.errors import InputError
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

FEWEST = 5
"""Heater-off frames below which outliers cannot be rejected (common practice)."""

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
    weather : dict
        Air now as given: point [deg C], kind ("dew" or "frost") and margin [K]; {} without.
    """

    minutes_off: float
    power: float
    dew: DewForecast | None
    needs: tuple[HeaterOffTime, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    weather: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The plan as plain values for machines: times in ISO 8601 UTC, NaN where not known."""
        dew = None
        if self.dew is not None:
            table = self.dew.table
            dew = {
                "risk": _iso(self.dew.risk),
                "onset": _iso(self.dew.onset),
                "kind": self.dew.kind,
                "margin": [
                    {
                        "time": _iso(row["time"]),
                        # Thousandths of a degree are below what any instrument tells.
                        **{
                            name: round(float(row[name]), 3)
                            for name in ("temperature", "humidity", "point", "margin")
                        },
                    }
                    for row in table
                ],
            }
        return {
            "minutes_off": self.minutes_off,
            "power": self.power,
            "needs": [asdict(need) for need in self.needs],
            "dew": dew,
            "now": self.weather or None,
            "sentences": list(self.sentences),
            "cautions": list(self.cautions),
        }


def _iso(moment: Time | None) -> str | None:
    return None if moment is None else str(moment.utc.strftime("%Y-%m-%dT%H:%M:%SZ"))


def plan_night(
    *,
    needs: Sequence[HeaterOffTime] = (),
    dew: DewForecast | None = None,
    temperature: float | None = None,
    humidity: float | None = None,
    response: Table | Sequence[Mapping[str, Any]] | None = None,
    highest_acceptable: Sequence[Mapping[str, Any]] = (),
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
    tolerable : sequence of mappings
        "tolerable" of a night's summary: where every entry has a power [%], it goes before what
        the response shows, since it is read between the powers measured.
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
        The humidity is outside its range, or only one of temperature and humidity is given.
    """
    minutes = sum(need.minutes for need in needs) if needs else np.nan
    sentences = [need.sentence for need in needs]
    if any(need.frames < FEWEST for need in needs):
        sentences.append(
            f"Take at least {FEWEST} heater-off frames a filter in any case: with fewer, "
            "satellites and cosmic rays cannot be told from stars."
        )
    wet = True
    weather: dict[str, Any] = {}
    if (temperature is None) != (humidity is None):
        raise InputError("temperature and humidity are needed together")
    if dew is not None:
        wet = dew.risk is not None
        sentences = [*_when(dew, minutes * (1 + overhead)), *sentences]
    elif temperature is not None and humidity is not None:
        wet, weather, sentence = _now(temperature, humidity, plate_below)
        sentences.insert(0, sentence)
    else:
        sentences.insert(
            0,
            "Take the heater-off frames first, while the plate is still warm and dry; without "
            "temperature and humidity nothing is said about dew.",
        )
    power, sentence = _choose_power(response, highest_acceptable, wet)
    return NightPlan(
        minutes_off=float(minutes),
        power=power,
        dew=dew,
        needs=tuple(needs),
        sentences=(*sentences, sentence),
        weather=weather,
    )


def _now(
    temperature: float, humidity: float, plate_below: float
) -> tuple[bool, dict[str, Any], str]:
    """Whether to reckon with a wet plate, the numbers, and a sentence."""
    point, kind = deposit_point(temperature, humidity)
    margin = temperature - plate_below - point
    told = {"point": point, "kind": kind, "margin": margin, "plate_below": plate_below}
    name = "dew point" if kind == "dew" else "frost point"
    base = f"{name} {point:.1f} deg C, plate about {plate_below:g} K below the air"
    wet = margin < 2
    if margin <= 0:
        sentence = (
            f"{kind.capitalize()} is to be expected now ({base}): start with a warm, dry plate "
            "and take the heater-off frames at once, in short runs, looking at the plate "
            "between them."
        )
    elif wet:
        sentence = (
            f"The plate has {margin:.1f} K left ({base}): take the heater-off frames first; "
            "the air cools through the night."
        )
    else:
        sentence = (
            f"The plate has {margin:.1f} K left ({base}): no need to heat now; look again when "
            "the air has cooled or grown moister."
        )
    return wet, told, sentence


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
    moment = clock(float(dew.risk.unix), str(dew.table.meta.get("zone", "")))
    until = f"before {moment}, when {dew.reserve:g} K of margin are left"
    if np.isnan(minutes):
        return [dew.sentence, f"Take the heater-off frames first, {until}; heat from then on."]
    if minutes <= free:
        return [
            dew.sentence,
            f"Take the heater-off frames first, {until}: they need about {minutes:.0f} min of the "
            f"{free:.0f} min until then; heat from then on.",
        ]
    return [
        dew.sentence,
        f"Take heater-off frames from the start, {until}: that is {free:.0f} min, and "
        f"{minutes:.0f} min are wanted; take the filter whose stars matter most first, and the "
        "rest on another night.",
    ]


def _choose_power(
    response: Table | Sequence[Mapping[str, Any]] | None,
    highest_acceptable: Sequence[Mapping[str, Any]],
    wet: bool,
) -> tuple[float, str]:
    """Power to use once heating is needed, from what was measured."""
    limits = [_number(entry, "power") for entry in highest_acceptable]
    if limits and np.isfinite(limits).all() and min(limits) > 0:
        used = float(round(min(limits)))
        sentence = (
            f"heat with at most about {used:g} %: by what the night has shown, more makes stars "
            f"over {100 * COST:.0f} % wider; more only if the plate gets wet all the same."
        )
        return _with_mood(used, sentence, wet)
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
    return _with_mood(used, sentence, wet)


def _with_mood(used: float, sentence: str, wet: bool) -> tuple[float, str]:
    if wet:
        return used, sentence[0].upper() + sentence[1:]
    return 0.0, f"If heating is needed after all, {sentence}"


def _point(row: Any) -> tuple[float, float]:
    """Power and growth of one row of a response; NaN for what is not known."""
    return _number(row, "power"), _number(row, "fwhm_growth")


def _number(row: Any, name: str) -> float:
    names = row.colnames if hasattr(row, "colnames") else row.keys()
    value = row[name] if name in names else None
    return np.nan if value is None or value is np.ma.masked else float(value)
