"""Dew point, frost point, and the margin of the corrector plate."""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError

__all__ = [
    "PLATE_BELOW",
    "deposit_point",
    "dew_margin",
    "dew_point",
    "frost_point",
    "saturation_pressure",
]

WATER = (6.112, 17.62, 243.12)
ICE = (6.112, 22.46, 272.62)
"""e0 [hPa], A, B [deg C] of ``e = e0 exp(A t / (B + t))`` over water and over ice: WMO-No. 8
(Guide to Instruments), annex 4.B, after Sonntag 1990, Z. Meteorol. 70, 340."""

PLATE_BELOW = 3.0
"""Kelvin by which a corrector plate settles below the air under a clear sky: a rule of thumb."""


def saturation_pressure(temperature: ArrayLike, *, ice: bool = False) -> Any:
    """Pressure of saturated water vapour in hPa, ``e0 exp(A t / (B + t))``.

    Parameters
    ----------
    temperature : float or array_like
        Degrees Celsius; NaN gives NaN.
    ice : bool
        Over ice instead of liquid water.

    Returns
    -------
    float or ndarray
        Of the shape of `temperature`.
    """
    first, a, b = ICE if ice else WATER
    t = np.asarray(temperature, dtype=float)
    return first * np.exp(a * t / (b + t))


def _vapour(temperature: ArrayLike, humidity: ArrayLike) -> NDArray[np.float64]:
    """Vapour pressure in hPa; humidity is over water, as instruments and forecasts give it."""
    percent = np.asarray(humidity, dtype=float)
    if np.any((percent <= 0) | (percent > 100)):
        wrong = percent[(percent <= 0) | (percent > 100)].flat[0]
        raise InputError(f"humidity must be above 0 and at most 100 percent, got {wrong:g}")
    return np.asarray(percent / 100 * saturation_pressure(temperature))


def dew_point(temperature: ArrayLike, humidity: ArrayLike) -> Any:
    """Temperature at which dew forms, over liquid water (also below 0 deg C).

    ``Td = B g / (A - g)`` with ``g = ln(RH / 100) + A t / (B + t)``.

    Parameters
    ----------
    temperature : float or array_like
        Of the air, degrees Celsius; NaN gives NaN.
    humidity : float or array_like
        Relative humidity over water, percent, above 0 up to 100.

    Returns
    -------
    float or ndarray
        Degrees Celsius.

    Raises
    ------
    InputError
        Humidity outside its range.

    Examples
    --------
    >>> round(float(dew_point(10.0, 90.0)), 2)
    8.43
    """
    _vapour(temperature, humidity)  # checks the humidity
    _, a, b = WATER
    t = np.asarray(temperature, dtype=float)
    g = np.log(np.asarray(humidity, dtype=float) / 100) + a * t / (b + t)
    return b * g / (a - g)


def frost_point(temperature: ArrayLike, humidity: ArrayLike) -> Any:
    """Temperature at which frost forms, over ice; meaningful below 0 deg C only.

    The vapour pressure over water is set equal to the saturation pressure over ice. Parameters
    and errors as for `dew_point`.
    """
    first, a, b = ICE
    g = np.log(_vapour(temperature, humidity) / first)
    return b * g / (a - g)


def deposit_point(temperature: ArrayLike, humidity: ArrayLike) -> tuple[Any, Any]:
    """Temperature at which water is first deposited on a cooling surface, as dew or as frost.

    Dew at the dew point if that is above 0 deg C; otherwise frost forms first, at the frost point,
    which is higher (by 1 K at -9 deg C).

    Returns
    -------
    point : float or ndarray
        Degrees Celsius.
    kind : str or ndarray of str
        "dew" or "frost".
    """
    dew = np.asarray(dew_point(temperature, humidity))
    frost = np.asarray(frost_point(temperature, humidity))
    icy = dew < 0
    point, kind = np.where(icy, np.minimum(frost, 0.0), dew), np.where(icy, "frost", "dew")
    return (point, kind) if point.ndim else (float(point), str(kind))


def dew_margin(
    temperature: ArrayLike, humidity: ArrayLike, *, plate_below: float = PLATE_BELOW
) -> Any:
    """Difference between the temperature of the corrector plate and the dew or frost point.

    ``margin = (air - plate_below) - point``. Dew or frost forms at 0.

    Parameters
    ----------
    temperature, humidity : float or array_like
        Air: degrees Celsius and percent.
    plate_below : float
        Kelvin by which the corrector plate settles below the air, because it radiates to a sky far
        colder than the air. The default of 3 K is a rule of thumb (common practice) for a clear
        sky, calm air and a dew shield; about 5 K without a shield, 1 K under cloud or in wind.
        Adjust it to observations of your own plate.

    Returns
    -------
    float or ndarray
        Kelvin; negative where dew or frost is expected.
    """
    point, _ = deposit_point(temperature, humidity)
    margin = np.asarray(temperature, dtype=float) - plate_below - point
    return margin if np.ndim(margin) else float(margin)
