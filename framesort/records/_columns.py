"""Column names with units, and the few ways to set and read them."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

__all__ = [
    "COLUMNS",
    "STAR_COLUMNS",
    "Column",
    "add_column",
    "column_values",
    "empty_star_list",
    "unix_seconds",
]


@dataclass(frozen=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Name in the table.
    kind : type
        `str`, `float`, `int` or `bool`.
    unit : `~astropy.units.Unit` or None
        Unit of the values.
    text : str
        What it is, in one sentence; written to the file as the column's description.
    """

    name: str
    kind: type
    unit: u.UnitBase | None
    text: str


def _index(*columns: Column) -> dict[str, Column]:
    return {column.name: column for column in columns}


COLUMNS: dict[str, Column] = _index(
    Column("file", str, None, "path of the frame"),
    Column("start", Time, None, "start of the exposure, UTC"),
    Column(
        "night", str, None, "night of the exposure: the date, UTC, twelve hours before its start"
    ),
    Column("exposure", float, u.s, "exposure time"),
    Column("filter", str, None, "filter as the header names it"),
    Column(
        "target",
        str,
        None,
        "the field that the frame shows: OBJECT of the header, separated by position on the sky",
    ),
    Column(
        "group",
        str,
        None,
        "frames that may be stacked: target, filter, exposure, size, binning, gain, colours",
    ),
    Column("width", int, u.pix, "image width"),
    Column("height", int, u.pix, "image height"),
    Column("binning", int, None, "binning factor"),
    Column(
        "pattern",
        str,
        None,
        "colours as stored: first four pixels of a filter array, RGB for three planes",
    ),
    Column("gain", float, u.electron / u.adu, "electrons per ADU"),
    Column("saturation", float, u.adu, "level at which pixels saturate"),
    Column("pixel_scale", float, u.arcsec / u.pix, "image scale"),
    Column("air_temperature", float, u.deg_C, "air temperature from the header"),
    Column("humidity", float, u.percent, "relative humidity of the air from the header"),
    Column("sun_altitude", float, u.deg, "altitude of the Sun in the middle of the exposure"),
    Column("moon_altitude", float, u.deg, "altitude of the Moon in the middle of the exposure"),
    Column("moon_separation", float, u.deg, "angle between the Moon and the target"),
    Column("target_altitude", float, u.deg, "altitude of the target in the middle of the exposure"),
    Column("heater_share", float, None, "fraction of the exposure with the heater on"),
    Column(
        "heater_power",
        float,
        u.percent,
        "mean heater power over the exposure, off time counted as 0",
    ),
    Column(
        "minutes_since_switch",
        float,
        u.min,
        "minutes from the last change of heater power before the middle of the exposure to it",
    ),
    Column("previous_power", float, u.percent, "heater power before that change"),
    Column("heater_state", str, None, "off, part, on or unknown"),
    Column("state_source", str, None, "where the state comes from: log, stars or given"),
    Column(
        "heated_probability",
        float,
        None,
        "probability that the heater was on, where it is estimated from the stars",
    ),
    Column("stars", int, None, "number of stars measured"),
    Column("fwhm", float, u.pix, "median full width at half maximum of the star profile"),
    Column("half_flux_radius", float, u.pix, "median radius that holds half of a star's light"),
    Column("eccentricity", float, None, "median sqrt(1 - (b/a)^2) of the star shape"),
    Column("elongation_angle", float, u.deg, "direction in which stars are long, ccw from +x"),
    Column(
        "spike_strength",
        float,
        None,
        "share of bright stars' light in the spike, excess over heater-off frames",
    ),
    Column(
        "spike_strength_err",
        float,
        None,
        "uncertainty of spike_strength, scatter of heater-off frames included",
    ),
    Column("spike_angle", float, u.deg, "angle of the excess spike, ccw from +x"),
    Column("spike_raw", float, None, "share of bright stars' light in the spike, this frame alone"),
    Column("spike_raw_err", float, None, "uncertainty of spike_raw from this frame alone"),
    Column("spike_raw_angle", float, u.deg, "angle of the raw spike, ccw from +x"),
    Column(
        "spike_total",
        float,
        None,
        "all light of the raw spike, below the star and far out, as a share of the stars' light",
    ),
    Column("spike_total_err", float, None, "uncertainty of spike_total"),
    Column("spike_length", float, u.pix, "distance over which the raw spike falls to 1/e"),
    Column("fwhm_centre", float, u.pix, "FWHM in the middle of the image, of a map of all stars"),
    Column("fwhm_corners", float, u.pix, "mean FWHM in the corners of the image, of that map"),
    Column("fwhm_corners_err", float, u.pix, "uncertainty of fwhm_corners less fwhm_centre"),
    Column(
        "fwhm_tilt",
        float,
        u.pix,
        "difference of FWHM between the two ends of the field, over a diagonal",
    ),
    Column("fwhm_tilt_err", float, u.pix, "uncertainty of fwhm_tilt, which is never below 0"),
    Column("sky", float, u.adu, "background level"),
    Column("noise", float, u.adu, "background standard deviation per pixel"),
    Column("sky_gradient", float, u.adu, "rise of the background over a diagonal of the image"),
    Column(
        "transparency",
        float,
        None,
        "flux of matched stars over that in the group's best frames of the night",
    ),
    Column("matched", int, None, "stars matched with the target grid"),
    Column(
        "residual", float, u.pix, "rms distance of the brighter matched stars after the transform"
    ),
    Column("rotation", float, u.deg, "rotation of the frame onto the grid, ccw"),
    Column("scale", float, None, "scale of the frame onto the grid"),
    Column(
        "shift_x",
        float,
        u.pix,
        "where the frame's centre lands on the grid, minus the centre, in x",
    ),
    Column(
        "shift_y",
        float,
        u.pix,
        "where the frame's centre lands on the grid, minus the centre, in y",
    ),
    Column("grade", str, None, "sharp, usable or poor"),
    Column("sharp_set", bool, None, "frame belongs to the sharp-star set"),
    Column("deep_set", bool, None, "frame belongs to the deep-signal set"),
    Column(
        "weight_sharp",
        float,
        None,
        "relative weight in the sharp stack: inverse variance of the sky",
    ),
    Column(
        "weight_deep", float, None, "relative weight in the deep stack: inverse variance of the sky"
    ),
    Column(
        "reason", str, None, "why the frame has its grade or was left out, codes separated by '; '"
    ),
)
"""Every column of frames.ecsv."""

STAR_COLUMNS: dict[str, Column] = _index(
    Column("x", float, u.pix, "centroid, pixel (0, 0) is the centre of the first pixel"),
    Column("y", float, u.pix, "centroid"),
    Column("flux", float, u.adu, "total light above the local background"),
    Column("flux_err", float, u.adu, "its uncertainty"),
    Column("peak", float, u.adu, "highest pixel above the local background"),
    Column(
        "fwhm", float, u.pix, "full width at half maximum of the profile; NaN where not measured"
    ),
    Column("half_flux_radius", float, u.pix, "radius that holds half of the light"),
    Column("eccentricity", float, None, "sqrt(1 - (b/a)^2)"),
    Column("elongation_angle", float, u.deg, "direction of the long axis, ccw from +x"),
    Column("saturated", bool, None, "a pixel of the star is saturated"),
    Column("clean", bool, None, "isolated, complete and unsaturated: used for the frame's medians"),
)
"""Every column of a star list, brightest star first."""


def add_column(table: Table, name: str, values: Any) -> None:
    """Set a column of the frames' table with the unit and description of `COLUMNS`.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Changed in place.
    name : str
        A key of `COLUMNS`.
    values : array_like
        One value a row; a float that is not known is NaN, a text "".
    """
    column = COLUMNS[name]
    if column.kind is str:
        values = np.asarray(values, dtype=object)
    table[name] = values
    table[name].info.description = column.text
    if column.unit is not None:
        table[name].unit = column.unit


def column_values(table: Table, name: str) -> NDArray[np.float64]:
    """A column of numbers as a float array, NaN where it is masked or not there at all."""
    if name not in table.colnames:
        return np.full(len(table), np.nan)
    return np.asarray(np.ma.filled(np.ma.asarray(table[name], dtype=float), np.nan))


def unix_seconds(time: Time) -> NDArray[np.float64]:
    """Times as seconds since 1970, NaN where they are masked."""
    masked = np.broadcast_to(np.asarray(time.mask), time.shape)
    seconds = np.full(time.shape, np.nan)
    if not masked.all():
        seconds[~masked] = np.asarray(time[~masked].unix, dtype=float)
    return seconds


def empty_star_list() -> Table:
    """A star list with every column and no row."""
    table = Table()
    for column in STAR_COLUMNS.values():
        table[column.name] = np.empty(0, dtype=column.kind)
        table[column.name].info.description = column.text
        if column.unit is not None:
            table[column.name].unit = column.unit
    return table
