"""Air temperature and humidity from a header."""

import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from framesort.frames._headers import header_number

__all__ = ["header_weather"]

_TEMPERATURES = (
    "AMBTEMP", "AMB_TEMP", "AMB-TEMP", "AMBIENT", "AMBIENTT", "TEMPAMB", "TEMP_AMB", "AIRTEMP",
    "AIR_TEMP", "AIR-TEMP", "OUTTEMP", "OUT_TEMP", "TEMP_OUT", "EXTTEMP", "AOCAMBT", "WXTEMP",
)  # fmt: skip
"""Keywords of the air's temperature."""

_UNCLEAR = ("TEMPERAT", "TELTEMP", "TEMP", "SITETEMP", "WEATEMP")
"""Air in some headers and something else in others: used where the comment mentions air."""

_HUMIDITIES = (
    "HUMIDITY", "AMBHUM", "AMB_HUM", "AMB-HUM", "RELHUM", "REL_HUM", "REL-HUM", "RELHUMID",
    "OUTHUM", "OUT_HUM", "HUMID", "AOCHUM", "WXHUMID", "TELHUM",
)  # fmt: skip
"""Keywords of the relative humidity."""

_AIR = re.compile(r"(?i)\b(ambient|air|outside|outdoor|weather)\b")
_OTHER = re.compile(r"(?i)\b(ccd|cmos|sensor|chip|camera|detector|cooler|set ?point|focuser|dew)\b")

_COLDEST, _WARMEST = -60.0, 55.0
"""Degrees Celsius outdoors; anything else is no temperature of the air ("no data" is often -1
Kelvin, -99 or -999)."""


def header_weather(header: Mapping[str, Any]) -> tuple[float, float]:
    """Temperature and relative humidity of the air.

    Parameters
    ----------
    header : mapping
        With ``comments`` (as `~astropy.io.fits.Header` has them) units are known, and what a
        keyword like TEMPERAT means. CCD-TEMP and all that a comment ascribes to the camera are
        never taken.

    Returns
    -------
    temperature : float
        Degrees Celsius; Kelvin and Fahrenheit are converted where the comment names them. NaN
        where the header has no plausible value.
    humidity : float
        Percent, above 0 up to 100; values up to 1 are shares. NaN likewise.
    """
    temperature = humidity = np.nan
    for keyword in (*_TEMPERATURES, *_UNCLEAR):
        comment = _comment(header, keyword)
        if _OTHER.search(comment) or (keyword in _UNCLEAR and not _AIR.search(comment)):
            continue
        value = _celsius(header_number(header, keyword), comment)
        if _COLDEST <= value <= _WARMEST:
            temperature = value
            break
    for keyword in _HUMIDITIES:
        if _OTHER.search(_comment(header, keyword)):  # that of a camera's chamber
            continue
        value = header_number(header, keyword)
        value = 100 * value if value <= 1 else value
        if 0 < value <= 100:
            humidity = value
            break
    return round(float(temperature), 3), round(float(humidity), 3)


def _comment(header: Mapping[str, Any], keyword: str) -> str:
    comments = getattr(header, "comments", None)
    return str(comments[keyword]) if comments is not None and keyword in header else ""


def _celsius(value: float, comment: str) -> float:
    if re.search(r"(?i)kelvin|\[k\]|\(k\)|\bdeg_?k\b", comment):
        return value - 273.15
    if re.search(r"(?i)fahrenheit|\[f\]|\(f\)|\bdeg_?f\b|deg(rees)? f\b", comment):
        return (value - 32) / 1.8
    return value
