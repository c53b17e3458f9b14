"""Forecast of temperature and humidity, and the time of dew or frost."""

import csv
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.files import find_zone
from framesort.planning._dew import PLATE_BELOW, deposit_point
from framesort.records import column_values, unix_seconds

__all__ = ["DewForecast", "clock", "predict_dew", "read_forecast", "read_moment"]


@dataclass(frozen=True, kw_only=True, eq=False)
class DewForecast:
    """Time at which dew or frost is expected on the corrector plate.

    Attributes
    ----------
    table : `~astropy.table.Table`
        time, temperature [deg C], humidity [%], point [deg C], kind, margin [K].
    risk : `~astropy.time.Time` or None
        First time with a margin below the reserve; None if there is none.
    onset : `~astropy.time.Time` or None
        First time with a margin of 0; None if there is none.
    kind : str
        "dew" or "frost" at the onset (or risk), "" if there is none.
    sentence : str
        Description.
    reserve : float
        Limit for `risk`, kelvin.
    """

    table: Table
    risk: Time | None
    onset: Time | None
    kind: str
    sentence: str
    reserve: float = 1.0


def predict_dew(
    table: Table,
    *,
    plate_below: float = PLATE_BELOW,
    reserve: float = 1.0,
    begin: Time | None = None,
    end: Time | None = None,
) -> DewForecast:
    """Predict the time of dew or frost on the corrector plate.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Columns time (`~astropy.time.Time`), temperature (deg C) and humidity (%), in any order of
        time. Rows with a masked or NaN value are ignored. Temperature and humidity are
        interpolated linearly in steps of at most ten minutes. The metadata "zone", an IANA name,
        is the time zone of the sentences; without it they are in UTC.
    plate_below : float
        As for `dew_margin`.
    reserve : float
        Margin in kelvin below which there is a risk. A typical error of 3 % of a humidity sensor
        changes the dew point by 0.5 K.
    begin, end : `~astropy.time.Time` or None
        Begin and end of the observations, within the table; None for all of it.

    Returns
    -------
    DewForecast
        Its table has the rows between begin and end, including interpolated ones.

    Raises
    ------
    InputError
        A column is missing, no row is complete, or none lies between begin and end.
    """
    for name in ("time", "temperature", "humidity"):
        if name not in table.colnames:
            raise InputError(f"forecast must have a column {name}, got {', '.join(table.colnames)}")
    air, wet = column_values(table, "temperature"), column_values(table, "humidity")
    unix = unix_seconds(table["time"])
    good = np.isfinite(air) & np.isfinite(wet) & np.isfinite(unix)
    if not good.any():
        raise InputError("forecast must have a row with time, temperature and humidity")
    order = np.flatnonzero(good)[np.argsort(unix[good], kind="stable")]
    unix, air, wet = unix[order], air[order], wet[order]
    unix, air, wet = _between(unix, air, wet, begin, end)
    point, kind = deposit_point(air, wet)
    margin = air - plate_below - point
    risk, onset = _first_below(unix, margin, reserve), _first_below(unix, margin, 0.0)
    zone = str(table.meta.get("zone", ""))
    made = Table(meta={"zone": zone} if zone else {})
    made["time"] = Time(unix, format="unix", scale="utc")
    made["temperature"], made["humidity"] = air * u.deg_C, wet * u.percent
    made["point"], made["kind"], made["margin"] = point * u.deg_C, kind, margin * u.K
    moment = onset if onset is not None else risk
    what = "" if moment is None else str(kind[min(np.searchsorted(unix, moment), len(unix) - 1)])
    return DewForecast(
        table=made,
        risk=_time(risk),
        onset=_time(onset),
        kind=what,
        sentence=_forecast_sentence(risk, onset, what, margin, unix, zone),
        reserve=reserve,
    )


_STEP = 600.0
"""Step of the interpolation, seconds, since the margin is not linear between rows."""


def _between(
    unix: NDArray[np.float64],
    air: NDArray[np.float64],
    wet: NDArray[np.float64],
    begin: Time | None,
    end: Time | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The rows from begin to end, interpolated in steps of at most ten minutes."""
    first = unix[0] if begin is None else max(float(begin.unix), unix[0])
    last = unix[-1] if end is None else min(float(end.unix), unix[-1])
    if first > last:
        raise InputError(
            f"the forecast covers {_stamp(unix[0])} to {_stamp(unix[-1])} UTC, outside the "
            "requested time"
        )
    steps = np.arange(first, last, _STEP)
    moments = np.unique(np.concatenate([steps, unix[(unix >= first) & (unix <= last)], [last]]))
    return moments, np.interp(moments, unix, air), np.interp(moments, unix, wet)


def _stamp(unix: float) -> str:
    return str(Time(round(unix), format="unix", scale="utc").strftime("%Y-%m-%d %H:%M"))


def _time(unix: float | None) -> Time | None:
    return None if unix is None else Time(unix, format="unix", scale="utc")


def _first_below(
    unix: NDArray[np.float64], margin: NDArray[np.float64], limit: float
) -> float | None:
    """First time at which the margin is at most the limit, linear between rows."""
    under = np.flatnonzero(margin <= limit)
    if not len(under):
        return None
    k = int(under[0])
    if k == 0:
        return float(unix[0])
    share = (margin[k - 1] - limit) / (margin[k - 1] - margin[k])
    return float(unix[k - 1] + share * (unix[k] - unix[k - 1]))


def _forecast_sentence(
    risk: float | None,
    onset: float | None,
    kind: str,
    margin: NDArray[np.float64],
    unix: NDArray[np.float64],
    zone: str,
) -> str:
    if onset is not None:
        when = "from the start" if onset <= unix[0] else f"from {clock(onset, zone)}"
        return f"{kind.capitalize()} is expected on the corrector plate {when}."
    lowest = float(margin.min())
    if risk is not None:
        return (
            f"{kind.capitalize()} is possible from {clock(risk, zone)}: "
            f"the margin falls to {lowest:.1f} K."
        )
    return f"No dew or frost is expected: the margin stays above {lowest:.1f} K."


def clock(unix: float, zone: str = "") -> str:
    """Hours and minutes of a time in a zone, UTC without one.

    >>> clock(1728946980.0), clock(1728946980.0, "Europe/Lisbon")
    ('23:03 UTC', '00:03 Europe/Lisbon')
    """
    moment = datetime.fromtimestamp(round(unix / 60) * 60.0, tz=find_zone(zone) if zone else UTC)
    return f"{moment:%H:%M} {zone or 'UTC'}"


def read_moment(text: str, *, zone: str = "") -> Time:
    """A time in ISO 8601, such as 2024-10-14T20:30, in a zone (UTC without one).

    An offset in the text has priority over the zone. InputError for a text that is no time.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"{text!r} is no time; write 2024-10-14T20:30") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=find_zone(zone) if zone else UTC)
    return Time(moment.timestamp(), format="unix", scale="utc")


def read_forecast(path: str | os.PathLike[str], *, zone: str = "") -> Table:
    """Read a forecast or a weather log from CSV.

    Parameters
    ----------
    path : path
        A heading with time, temperature and humidity (or words with these beginnings, such as
        "temperature_c"), then rows. Times in ISO 8601, optionally with an offset such as +02:00.
    zone : str
        Time zone of times without an offset and of the sentences: an IANA name or an offset such
        as -07:00; UTC without one.

    Returns
    -------
    `~astropy.table.Table`
        For `predict_dew`.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a cell is invalid; with the line number.
    """
    if zone:
        find_zone(zone)  # check the name before any line
    try:
        rows = list(csv.reader(Path(path).read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from error
    heading = [cell.strip().lower() for cell in rows[0]] if rows else []
    places = []
    for name in ("time", "temp", "hum"):
        found = [i for i, cell in enumerate(heading) if cell.startswith(name)]
        if not found:
            raise InputError(
                f"{path}: the heading must name time, temperature and humidity, "
                f"got {', '.join(heading) or 'nothing'}"
            )
        places.append(found[0])
    values = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        try:
            moment = read_moment(row[places[0]], zone=zone)
            values.append((float(moment.unix), float(row[places[1]]), float(row[places[2]])))
        except (ValueError, IndexError) as error:
            raise InputError(f"{path}, line {number}: {','.join(row)!r}: {error}") from error
    if not values:
        raise InputError(f"{path}: no row below the heading")
    unix, air, wet = np.array(values).T
    table = Table(meta={"zone": zone} if zone else {})
    table["time"] = Time(unix, format="unix", scale="utc")
    table["temperature"], table["humidity"] = air * u.deg_C, wet * u.percent
    return table
