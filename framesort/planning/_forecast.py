"""A forecast of temperature and humidity, and when it brings dew."""

import csv
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import MaskedColumn, Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.planning._dew import PLATE_BELOW, deposit_point

__all__ = ["DewForecast", "clock", "predict_dew", "read_forecast"]


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
    """

    table: Table
    risk: Time | None
    onset: Time | None
    kind: str
    sentence: str


def predict_dew(
    table: Table, *, plate_below: float = PLATE_BELOW, reserve: float = 1.0
) -> DewForecast:
    """Say when dew or frost is to be expected.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Columns time (`~astropy.time.Time`), temperature (deg C) and humidity (%), in any order of
        time. Rows with a value masked or NaN are left out. Between rows the margin is taken
        as linear.
    plate_below : float
        As for `dew_margin`.
    reserve : float
        Kelvin of margin below which there is a risk. A humidity sensor's usual error of 3 %
        alone moves the dew point by 0.5 K.

    Returns
    -------
    DewForecast

    Raises
    ------
    InputError
        A column is missing, or no row is complete.
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
    point, kind = deposit_point(air, wet)
    margin = air - plate_below - point
    risk, onset = _first_below(unix, margin, reserve), _first_below(unix, margin, 0.0)
    made = Table()
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
        sentence=_forecast_sentence(risk, onset, what, margin, unix),
    )


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
) -> str:
    if onset is not None:
        when = "from the start" if onset <= unix[0] else f"from {clock(onset)} UTC"
        return f"{kind.capitalize()} on the plate is to be expected {when}."
    lowest = float(margin.min())
    if risk is not None:
        return (
            f"{kind.capitalize()} is possible from {clock(risk)} UTC: "
            f"the margin falls to {lowest:.1f} K."
        )
    return f"No dew is to be expected: the plate keeps a margin of {lowest:.1f} K or more."


def clock(unix: float) -> str:
    """Hours and minutes of a moment, UTC."""
    return str(Time(round(unix / 60) * 60.0, format="unix", scale="utc").strftime("%H:%M"))


def read_forecast(path: str | os.PathLike[str]) -> Table:
    """Read a forecast or a weather log from CSV.

    Parameters
    ----------
    path : path
        A heading with time, temperature and humidity (words that begin so will do, such as
        "temperature_c"), then a row each. Times in ISO 8601, UTC; a zone such as +02:00
        at their end is heeded.

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
            moment = datetime.fromisoformat(row[places[0]].strip())
            moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
            values.append((moment.timestamp(), float(row[places[1]]), float(row[places[2]])))
        except (ValueError, IndexError) as error:
            raise InputError(f"{path}, line {number}: {','.join(row)!r}: {error}") from error
    if not values:
        raise InputError(f"{path}: no row below the heading")
    unix, air, wet = np.array(values).T
    table = Table()
    table["time"] = Time(unix, format="unix", scale="utc")
    table["temperature"], table["humidity"] = air * u.deg_C, wet * u.percent
    return table
