"""Temperature and humidity from the headers of a night."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table

from framesort.records import column_values, unix_seconds

__all__ = ["NightWeather", "find_weather"]


@dataclass(frozen=True, kw_only=True)
class NightWeather:
    """The air at the end of a night.

    Attributes
    ----------
    temperature, humidity : float
        Degrees Celsius and percent of the last frame with both in its header.
    sentence : str
        Their source and their range over the night.
    """

    temperature: float
    humidity: float
    sentence: str


def find_weather(table: Table) -> NightWeather | None:
    """Temperature and humidity of the last frame with both in its header.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A night; columns ``air_temperature`` [deg C] and ``humidity`` [%], start, file.

    Returns
    -------
    NightWeather or None
        None if no frame has both.
    """
    if not {"air_temperature", "humidity"} <= set(table.colnames):
        return None
    air, humid = column_values(table, "air_temperature"), column_values(table, "humidity")
    known = np.flatnonzero(np.isfinite(air) & np.isfinite(humid))
    if not known.size:
        return None
    start = np.nan_to_num(unix_seconds(table["start"]), nan=-np.inf)
    known = known[np.argsort(start[known], kind="stable")]
    last = int(known[-1])
    through = np.stack([air[known], humid[known]])
    low, high = through.min(axis=1), through.max(axis=1)
    name = Path(str(table["file"][last])).name
    return NightWeather(
        temperature=float(air[last]),
        humidity=float(humid[last]),
        sentence=(
            f"Temperature {air[last]:.1f} deg C and humidity {humid[last]:.0f} % are from the last "
            f"header that has them ({name}); range over the night {low[0]:.1f} to "
            f"{high[0]:.1f} deg C and {low[1]:.0f} to {high[1]:.0f} %. "
            "Set those of the coming night with --temperature and --humidity."
        ),
    )
