"""Plan of the next night: heater-off frames first, then the heater power."""

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
    "Dew times are based on a rule of thumb: inspect the corrector plate, and protect the "
    "equipment first.",
    "Use the heater according to the manufacturer's instructions, at its rated voltage and with "
    "its own controller. Do not open, modify, cover or bypass it, and do not leave it on "
    "unattended unless the manufacturer allows it.",
    "Mains voltage outdoors in dew can kill: follow local regulations and the manufacturers' "
    "instructions, and leave the installation to a qualified person.",
)
"""Cautions of every plan."""

MAX_GROWTH = 0.05
"""Largest acceptable growth of the FWHM, a share."""

FEWEST = 5
"""Heater-off frames below which outliers cannot be rejected (common practice)."""

OVERHEAD = 0.15
"""Time lost between frames, as a share of the exposure."""

FIRST_POWER = 25.0
"""Initial power in percent where none was measured (common practice)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class NightPlan:
    """Plan of the next night.

    Attributes
    ----------
    minutes_off : float
        Total heater-off exposure, minutes; NaN if not known.
    power : float
        Heater power after that, percent; 0 where no heating is needed, NaN if not known.
    dew : DewForecast or None
        The forecast of the input.
    needs : tuple of HeaterOffTime
        The needs of the input.
    sentences : tuple of str
        The plan in words, most important first.
    cautions : tuple of str
        Safety notes.
    weather : dict
        Current air: point [deg C], kind ("dew" or "frost") and margin [K]; {} if not given.
    """

    minutes_off: float
    power: float
    dew: DewForecast | None
    needs: tuple[HeaterOffTime, ...]
    sentences: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    weather: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The plan as plain values: times in ISO 8601 UTC, NaN where not known."""
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
                        # Instruments resolve less than a thousandth of a degree.
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
        Columns power [%] and fwhm_growth (FWHM relative to heater off). Rows with NaN or without
        power are ignored.
    highest_acceptable : sequence of mappings
        "highest_acceptable" of a night's summary: used instead of the response if every entry has
        a power [%], since it is interpolated between the measured powers.
    plate_below : float
        As for `dew_margin`; only for `temperature` and `humidity`.

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
            f"Take at least {FEWEST} heater-off frames per filter: with fewer, satellites and "
            "cosmic rays cannot be rejected."
        )
    wet = True
    weather: dict[str, Any] = {}
    if (temperature is None) != (humidity is None):
        raise InputError("temperature and humidity are needed together")
    if dew is not None:
        wet = dew.risk is not None
        sentences = [*_when(dew, minutes * (1 + OVERHEAD)), *sentences]
    elif temperature is not None and humidity is not None:
        wet, weather, sentence = _now(temperature, humidity, plate_below)
        sentences.insert(0, sentence)
    else:
        sentences.insert(
            0,
            "Take the heater-off frames first, while the corrector plate is warm and dry. Dew is "
            "not predicted without temperature and humidity.",
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
    """Whether dew or frost is likely, the numbers, and a sentence."""
    point, kind = deposit_point(temperature, humidity)
    margin = temperature - plate_below - point
    numbers = {"point": point, "kind": kind, "margin": margin, "plate_below": plate_below}
    name = "dew point" if kind == "dew" else "frost point"
    base = f"{name} {point:.1f} deg C, corrector plate about {plate_below:g} K below the air"
    wet = margin < 2
    if margin <= 0:
        sentence = f"{kind.capitalize()} is expected now ({base}): {_AT_ONCE}"
    elif wet:
        sentence = (
            f"Margin {margin:.1f} K ({base}): take the heater-off frames first; the air cools "
            "during the night."
        )
    else:
        sentence = (
            f"Margin {margin:.1f} K ({base}): no heating needed now; check again when the air is "
            "cooler or more humid."
        )
    return wet, numbers, sentence


_AT_ONCE = (
    "start with a warm, dry corrector plate, take the heater-off frames first in short runs, and "
    "inspect the plate between them."
)


def _when(dew: DewForecast, minutes: float) -> list[str]:
    """When to take the heater-off frames, from the forecast and the minutes they need."""
    if dew.risk is None:
        return [dew.sentence, "Leave the heater off all night: every frame is a heater-off frame."]
    begin = float(dew.table["time"].unix[0])
    free = (dew.risk.unix - begin) / 60
    if free < 1:
        return [dew.sentence, _AT_ONCE[0].upper() + _AT_ONCE[1:]]
    moment = clock(float(dew.risk.unix), str(dew.table.meta.get("zone", "")))
    until = f"until {moment} (margin {dew.reserve:g} K)"
    if np.isnan(minutes):
        return [dew.sentence, f"Take heater-off frames {until}, then heat."]
    if minutes <= free:
        return [
            dew.sentence,
            f"Take heater-off frames {until}, then heat: {minutes:.0f} min are needed, "
            f"{free:.0f} min are available.",
        ]
    return [
        dew.sentence,
        f"Take heater-off frames {until}: {free:.0f} min are available, {minutes:.0f} min are "
        "needed. Begin with the filter whose stars matter most; take the others on another night.",
    ]


def _choose_power(
    response: Table | Sequence[Mapping[str, Any]] | None,
    highest_acceptable: Sequence[Mapping[str, Any]],
    wet: bool,
) -> tuple[float, str]:
    """Heater power from the measured response."""
    limits = [_number(entry, "power") for entry in highest_acceptable]
    if limits and np.isfinite(limits).all() and min(limits) > 0:
        used = float(round(min(limits)))
        sentence = (
            f"use at most about {used:g} % power, the highest acceptable power of the measured "
            f"night (FWHM up {100 * MAX_GROWTH:.0f} %), and more only if dew forms at that power."
        )
        return _conditional(used, sentence, wet)
    points = [] if response is None else [_point(row) for row in response]
    points = [point for point in points if np.isfinite(point).all() and point[0] > 0]
    used = FIRST_POWER
    if not points:
        sentence = (
            f"begin with about {FIRST_POWER:g} % power and raise it only as far as needed to keep "
            "the corrector plate dry; the effect of power on the FWHM is not measured yet."
        )
    else:
        # The largest growth over all filters and exposures at each power.
        worst: dict[float, float] = {}
        for power, growth in points:
            worst[power] = max(worst.get(power, 0.0), growth)
        acceptable = [power for power, growth in worst.items() if growth <= 1 + MAX_GROWTH]
        used = max(acceptable) if acceptable else min(worst)
        effect = f"FWHM up {max(100 * (worst[used] - 1), 0.0):.0f} %"
        effect += f", limit {100 * MAX_GROWTH:.0f} %"
        sentence = (
            f"use at most {used:g} % power ({effect}), and more only if dew forms at that power."
            if acceptable
            else f"use less than {used:g} % power, the lowest one measured ({effect})."
        )
    return _conditional(used, sentence, wet)


def _conditional(used: float, sentence: str, wet: bool) -> tuple[float, str]:
    """Power and sentence; 0 and a condition where no heating is expected."""
    if wet:
        return used, sentence[0].upper() + sentence[1:]
    return 0.0, f"If heating is needed, {sentence}"


def _point(row: Any) -> tuple[float, float]:
    """Power and growth of one row of a response; NaN for what is not known."""
    return _number(row, "power"), _number(row, "fwhm_growth")


def _number(row: Any, name: str) -> float:
    names = row.colnames if hasattr(row, "colnames") else row.keys()
    value = row[name] if name in names else None
    return np.nan if value is None or value is np.ma.masked else float(value)
