"""A forecast of temperature and humidity, and when it brings dew."""

import csv
import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.planning._dew import PLATE_BELOW, deposit_point

__all__ = ["DewForecast", "clock", "predict_dew", "read_forecast", "read_moment"]


@dataclass(frozen=True, kw_only=True, eq=False)
class DewForecast:
    """When dew or frost is to be expected on the plate.

    Attributes
    ----------
    table : `~astropy.table.Table`
        time, temperature [deg C], humidity [%], point [deg C], kind, margin [K].
    risk : `~astropy.time.Time` or None
        When the margin falls below the reserve first; None if it does not.
    onset : `~astropy.time.Time` or None
        When the margin is used up first; None if it is not.
    kind : str
        "dew" or "frost" at the onset (or risk), "" if there is none.
    sentence : str
        The same in words.
    reserve : float
        Kelvin, the limit that `risk` belongs to.
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
    """Say when dew or frost is to be expected.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Columns time (`~astropy.time.Time`), temperature (deg C) and humidity (%), in any order of
        time. Rows with a value masked or NaN are left out. Between rows temperature and
        humidity are taken as linear, in steps of ten minutes at most. Its metadata "zone", an
        IANA name, is that of the clock in the sentences; without it they are in UTC.
    plate_below : float
        As for `dew_margin`.
    reserve : float
        Kelvin of margin below which there is a risk. A humidity sensor's usual error of 3 %
        alone moves the dew point by 0.5 K.
    begin, end : `~astropy.time.Time` or None
        When the night's work begins and ends, within the table; None for its ends. The day
        before, as a forecast has it, does not count.

    Returns
    -------
    DewForecast
        Its table has the rows between begin and end, and those that were put between.

    Raises
    ------
    InputError
        A column is missing, no row is complete, or none lies between begin and end.
    """
    for name in ("time", "temperature", "humidity"):
        if name not in table.colnames:
            raise InputError(f"forecast must have a column {name}, got {', '.join(table.colnames)}")
    air, wet = _floats(table["temperature"]), _floats(table["humidity"])
    unix: NDArray[np.float64] = np.ma.filled(np.ma.asarray(table["time"].unix, dtype=float), np.nan)
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
"""Seconds: hourly rows are filled in, since the margin is not linear in what they give."""


def _between(
    unix: NDArray[np.float64],
    air: NDArray[np.float64],
    wet: NDArray[np.float64],
    begin: Time | None,
    end: Time | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """The rows from begin to end, with steps of ten minutes at most between."""
    first = unix[0] if begin is None else max(float(begin.unix), unix[0])
    last = unix[-1] if end is None else min(float(end.unix), unix[-1])
    if first > last:
        raise InputError(
            f"the forecast runs from {_stamp(unix[0])} to {_stamp(unix[-1])} UTC: nothing of it "
            "lies in the time asked for"
        )
    steps = np.arange(first, last, _STEP)
    moments = np.unique(np.concatenate([steps, unix[(unix >= first) & (unix <= last)], [last]]))
    return moments, np.interp(moments, unix, air), np.interp(moments, unix, wet)


def _stamp(unix: float) -> str:
    return str(Time(round(unix), format="unix", scale="utc").strftime("%Y-%m-%d %H:%M"))


def _floats(column: Any) -> NDArray[np.float64]:
    return np.ma.filled(np.ma.asarray(MaskedColumn(column), dtype=float), np.nan)


def _time(unix: float | None) -> Time | None:
    return None if unix is None else Time(unix, format="unix", scale="utc")


def _first_below(
    unix: NDArray[np.float64], margin: NDArray[np.float64], limit: float
) -> float | None:
    """First moment at which the margin is at most the limit, linear between rows."""
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
        return f"{kind.capitalize()} on the plate is to be expected {when}."
    lowest = float(margin.min())
    if risk is not None:
        return (
            f"{kind.capitalize()} is possible from {clock(risk, zone)}: "
            f"the margin falls to {lowest:.1f} K."
        )
    return f"No dew is to be expected: the plate keeps a margin of {lowest:.1f} K or more."


def clock(unix: float, zone: str = "") -> str:
    """Hours and minutes of a moment on the clock of a zone, UTC without one.

    >>> clock(1728946980.0), clock(1728946980.0, "Europe/Lisbon")
    ('23:03 UTC', '00:03 Europe/Lisbon')
    """
    moment = datetime.fromtimestamp(round(unix / 60) * 60.0, tz=_zone(zone) if zone else UTC)
    return f"{moment:%H:%M} {zone or 'UTC'}"


def _zone(name: str) -> tzinfo:
    """A zone by its IANA name or its offset, such as -07:00."""
    try:
        if name[:1] in ("+", "-"):
            offset = datetime.fromisoformat(f"2000-01-01T00:00{name}").utcoffset()
            return timezone(offset if offset is not None else timedelta())
        return ZoneInfo(name)
    except (ValueError, TypeError, ZoneInfoNotFoundError, OSError):
        raise InputError(
            f"no such zone: {name!r}; give one such as Europe/Lisbon or -07:00"
        ) from None


def read_moment(text: str, *, zone: str = "") -> Time:
    """A moment in ISO 8601, such as 2024-10-14T20:30, on the clock of a zone (UTC without one).

    An offset at its end goes before the zone. InputError for a text that is no moment.
    """
    try:
        moment = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(f"{text!r} is no time; write 2024-10-14T20:30") from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=_zone(zone) if zone else UTC)
    return Time(moment.timestamp(), format="unix", scale="utc")


def read_forecast(path: str | os.PathLike[str], *, zone: str = "") -> Table:
    """Read a forecast or a weather log from CSV.

    Parameters
    ----------
    path : path
        A heading with time, temperature and humidity (words that begin so will do, such as
        "temperature_c"), then a row each. Times in ISO 8601; an offset such as +02:00 at
        their end is heeded.
    zone : str
        Of times without an offset, and of the clock in what is said of them: an IANA name or an
        offset such as -07:00; UTC without one.

    Returns
    -------
    `~astropy.table.Table`
        For `predict_dew`.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, or a cell is not what it must be; the
        line is named.
    """
    if zone:
        _zone(zone)  # a wrong name is no fault of a line
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
