"""What else differs between two configurations, and what was done about it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.comparison._configuration import Configuration, Frames
from framesort.comparison._drift import steady_slope
from framesort.records import ConditionDifference

__all__ = ["find_condition_differences"]

Floats = NDArray[np.float64]

_WATER = (17.62, 243.12)
"""A, B [deg C] of the saturation pressure over water: WMO-No. 8, annex 4.B."""


@dataclass(frozen=True)
class _Side:
    """A configuration, its usable frames and the direction of its spike."""

    configuration: Configuration
    frames: Frames
    spike_angle: float


@dataclass(frozen=True)
class _Condition:
    """A number that may differ.

    `shown` is the smallest difference worth a line, `large` that which may be taken for a change
    of the heater's effect; as natural logarithms where `relative`.
    """

    name: str
    unit: str
    text: str
    done: str
    read: Callable[[_Side], float]
    shown: float
    large: float
    relative: bool = False


def _median(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else np.nan


def _seeing(side: _Side) -> float:
    return _median(side.frames.values("fwhm")[side.frames.off])


def _focus(side: _Side) -> float:
    """Change of FWHM an hour with the heater off, as a share; NaN below an hour or 5 frames."""
    hours, fwhm = side.frames.hours[side.frames.off], side.frames.values("fwhm")[side.frames.off]
    if len(hours) < 5 or hours[-1] - hours[0] < 1:
        return np.nan
    return 100 * float(np.expm1(steady_slope(hours, np.log(fwhm))))


def _airmass(side: _Side) -> float:
    """1 / sin(altitude), exact enough above 15 degrees."""
    altitude = side.frames.values("target_altitude")
    good = np.where(altitude > 5, altitude, np.nan)
    return _median(1 / np.sin(np.radians(good)))


def _temperature(side: _Side) -> float:
    return _median(side.frames.values("air_temperature"))


def _dew_margin(side: _Side) -> float:
    """Air temperature less dew point.

    ``Td = B g / (A - g)`` with ``g = ln(RH / 100) + A t / (B + t)``.
    """
    given = side.frames.values("dew_margin")
    if np.isfinite(given).any():
        return _median(given)
    a, b = _WATER
    t, humidity = side.frames.values("air_temperature"), side.frames.values("humidity")
    g = np.log(np.where((humidity > 0) & (humidity <= 100), humidity, np.nan) / 100)
    g = g + a * t / (b + t)
    return _median(t - b * g / (a - g))


def _saturation(side: _Side) -> float:
    """Percent of saturated stars, where a column has their share."""
    return 100 * _median(side.frames.values("saturated_share"))


def _scale(side: _Side) -> float:
    return side.configuration.scale


_CONDITIONS = (
    _Condition(
        "seeing",
        "px",
        "FWHM with the heater off",
        "added blur is compared, and FWHM at the seeing common to both",
        _seeing,
        0.05,
        0.3,
        relative=True,
    ),
    _Condition(
        "focus",
        "%/h",
        "change of FWHM with the heater off",
        "drift is fitted together with the effects",
        _focus,
        3.0,
        15.0,
    ),
    _Condition(
        "airmass",
        "",
        "airmass",
        "it acts on heated and heater-off frames alike, as seeing does",
        _airmass,
        0.1,
        0.7,
    ),
    _Condition(
        "temperature",
        "deg C",
        "air temperature",
        "not corrected: how the effect depends on it is not known",
        _temperature,
        1.0,
        8.0,
    ),
    _Condition(
        "dew margin",
        "K",
        "air temperature less dew point",
        "not corrected; dew on the plate also makes stars wider",
        _dew_margin,
        1.0,
        4.0,
    ),
    _Condition(
        "saturation",
        "%",
        "saturated stars",
        "saturated stars are not used for FWHM",
        _saturation,
        1.0,
        5.0,
    ),
    _Condition(
        "pixel scale",
        "arcsec/px",
        "pixel scale",
        "widths are compared in arcsec",
        _scale,
        0.005,
        0.3,
        relative=True,
    ),
)


def find_condition_differences(
    configurations: Sequence[Configuration],
    frames: Sequence[Frames],
    spike_angles: Sequence[float],
    *,
    exposure_matched: Sequence[bool],
    filter_matched: Sequence[bool],
) -> list[ConditionDifference]:
    """List conditions in which configurations differ from the first.

    Parameters
    ----------
    configurations, frames, spike_angles
        One entry a configuration.
    exposure_matched, filter_matched : sequence of bool
        For each but the first: whether equal exposures and filters were compared.
    """
    sides = [_Side(*parts) for parts in zip(configurations, frames, spike_angles, strict=True)]
    found: list[ConditionDifference] = []
    for k, side in enumerate(sides[1:]):
        for condition in _CONDITIONS:
            line = _compare_numbers(condition, sides[0], side)
            if line is not None:
                found.append(line)
        found += _compare_exposures(sides[0], side, exposure_matched[k])
        found += _compare_angles(sides[0], side)
        found += _compare_filters(sides[0], side, filter_matched[k])
    return found


def _compare_numbers(condition: _Condition, one: _Side, other: _Side) -> ConditionDifference | None:
    first, second = condition.read(one), condition.read(other)
    if not (np.isfinite(first) and np.isfinite(second)):
        return None
    apart = abs(np.log(second / first)) if condition.relative else abs(second - first)
    if apart < condition.shown:
        return None
    unit = f" {condition.unit}" if condition.unit else ""
    return ConditionDifference(
        configuration=other.configuration.name,
        reference=one.configuration.name,
        condition=condition.name,
        first=first,
        second=second,
        unit=condition.unit,
        matters=bool(apart >= condition.large),
        sentence=_sentence(
            f"{condition.text}: {first:.3g} and {second:.3g}{unit}; {condition.done}"
        ),
    )


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _compare_exposures(one: _Side, other: _Side, matched: bool) -> list[ConditionDifference]:
    lengths = [
        sorted({round(seconds, 1) for _, seconds in side.frames.groups}) for side in (one, other)
    ]
    if lengths[0] == lengths[1]:
        return []
    done = (
        "only equal exposures are compared"
        if matched
        else "no equal ones: the effect grows with exposure, which is allowed for in the ranges"
    )
    texts = [", ".join(f"{seconds:g}" for seconds in side) for side in lengths]
    return [
        ConditionDifference(
            configuration=other.configuration.name,
            reference=one.configuration.name,
            condition="exposure",
            first=_median(one.frames.values("exposure")),
            second=_median(other.frames.values("exposure")),
            unit="s",
            matters=not matched,
            sentence=_sentence(f"exposures: {texts[0]} s and {texts[1]} s; {done}"),
        )
    ]


def _compare_angles(one: _Side, other: _Side) -> list[ConditionDifference]:
    first, second = one.spike_angle, other.spike_angle
    apart = abs((second - first + 90) % 180 - 90)
    if not apart > 3:
        return []
    return [
        ConditionDifference(
            configuration=other.configuration.name,
            reference=one.configuration.name,
            condition="camera angle",
            first=first,
            second=second,
            unit="deg",
            sentence=_sentence(
                f"angle of the spike: {first:.0f} and {second:.0f} deg; each configuration's own "
                "is used"
            ),
        )
    ]


def _compare_filters(one: _Side, other: _Side, matched: bool) -> list[ConditionDifference]:
    names = [sorted({name for name, _ in side.frames.groups}) for side in (one, other)]
    if names[0] == names[1]:
        return []
    done = (
        "only filters in both are compared"
        if matched
        else "none in common: a difference of 10 % between filters is allowed for in the ranges"
    )
    return [
        ConditionDifference(
            configuration=other.configuration.name,
            reference=one.configuration.name,
            condition="filter",
            matters=not matched,
            sentence=_sentence(f"filters: {', '.join(names[0])} and {', '.join(names[1])}; {done}"),
        )
    ]
