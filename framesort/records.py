"""What the rooms hand to one another: column names with units, reasons, result classes.

Nothing here computes a result. Tables are `astropy.table.Table`; a column that is
not known yet is missing, a value that is not known is masked or NaN, never 0.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from astropy import units as u
from astropy.io.fits import Header
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

__all__ = [
    "COLUMNS",
    "LINE_BINS",
    "REASONS",
    "STAR_COLUMNS",
    "Column",
    "FrameQuality",
    "HeaterTrace",
    "Reason",
    "Replacement",
    "Stack",
    "Transform",
    "add_column",
    "add_reason",
    "column_values",
    "empty_star_list",
]

LINE_BINS = 90
"""Number of angles in [0, 180) at which the light around bright stars is recorded."""


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
    Column("exposure", float, u.s, "exposure time"),
    Column("filter", str, None, "filter as the header names it"),
    Column(
        "group",
        str,
        None,
        "frames that may be stacked together: filter, exposure, size, binning, gain",
    ),
    Column("width", int, u.pix, "image width"),
    Column("height", int, u.pix, "image height"),
    Column("binning", int, None, "binning factor"),
    Column("gain", float, u.electron / u.adu, "electrons per ADU"),
    Column("saturation", float, u.adu, "level at which pixels are full"),
    Column("pixel_scale", float, u.arcsec / u.pix, "image scale"),
    Column("heater_share", float, None, "fraction of the exposure with the heater on"),
    Column(
        "heater_power",
        float,
        u.percent,
        "mean heater power over the exposure, off time counted as 0",
    ),
    Column("heater_state", str, None, "off, part, on or unknown"),
    Column("state_source", str, None, "where the state comes from: log, stars or given"),
    Column("stars", int, None, "number of stars measured"),
    Column("fwhm", float, u.pix, "median full width at half maximum of the star profile"),
    Column("half_flux_radius", float, u.pix, "median radius that holds half of a star's light"),
    Column("eccentricity", float, None, "median sqrt(1 - (b/a)^2) of the star shape"),
    Column("elongation_angle", float, u.deg, "direction in which stars are long, ccw from +x"),
    Column(
        "line_strength",
        float,
        None,
        "share of bright stars' light in the line, excess over heater-off frames",
    ),
    Column(
        "line_strength_err",
        float,
        None,
        "uncertainty of line_strength, scatter of heater-off frames included",
    ),
    Column("line_angle", float, u.deg, "angle of the excess line, ccw from +x"),
    Column("line_raw", float, None, "share of bright stars' light in the line, this frame alone"),
    Column("line_raw_err", float, None, "uncertainty of line_raw from this frame alone"),
    Column("line_raw_angle", float, u.deg, "angle of the raw line, ccw from +x"),
    Column("sky", float, u.adu, "background level"),
    Column("noise", float, u.adu, "background standard deviation per pixel"),
    Column(
        "transparency",
        float,
        None,
        "flux of matched stars against the night's best frames of the group",
    ),
    Column("matched", int, None, "stars matched with the target grid"),
    Column("residual", float, u.pix, "rms distance of matched stars after the transform"),
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
        "weight in the sharp stack, before noise is looked at per pixel",
    ),
    Column(
        "weight_deep", float, None, "weight in the deep stack, before noise is looked at per pixel"
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
    Column("saturated", bool, None, "a pixel of the star is full"),
    Column("clean", bool, None, "isolated, complete and unsaturated: used for the frame's medians"),
)
"""Every column of a star list, brightest star first."""


@dataclass(frozen=True)
class Reason:
    """Why a frame or a star was turned down or marked: a code of plain words and a sentence."""

    code: str
    sentence: str


def _reasons(*pairs: tuple[str, str]) -> dict[str, Reason]:
    return {code: Reason(code, sentence) for code, sentence in pairs}


REASONS: dict[str, Reason] = _reasons(
    ("unreadable", "The file could not be read as an image."),
    ("calibration frame", "A dark, flat or bias, not an exposure of the sky."),
    (
        "colour frame",
        "A filter array or several colour planes: this version handles one plane a frame.",
    ),
    (
        "no start time",
        "The header tells no time at which the exposure began, so its heater state is not known.",
    ),
    ("no exposure time", "The header tells no exposure time."),
    ("few stars", "Too few stars were found to measure the frame or to place it on the grid."),
    ("heated", "The heater was on during the whole exposure."),
    (
        "part heated",
        "The heater was on during a part of the exposure; a fifth already spoils the stars.",
    ),
    ("state unknown", "No heater log covers the exposure and the stars do not decide."),
    ("line of light", "Bright stars carry a line of light beyond that of heater-off frames."),
    ("wide stars", "Stars are wider than in the night's heater-off frames."),
    ("trailed", "Stars are longer in one direction than in the night's heater-off frames."),
    ("poor focus", "Stars are wide with the heater off and no trail."),
    ("cloud", "Matched stars are much fainter than in the night's best frames."),
    ("dew", "Heater off, stars fade and their halos grow from frame to frame."),
    ("bright sky", "The background is much brighter than on the night's other frames."),
    ("no heater-off yardstick", "No heater-off frame of this group exists to compare with."),
    ("not matched", "The stars could not be matched with those of the target grid."),
    ("vanished", "The file was there at the start but not when its pixels were needed."),
    ("added by hand", "Put into the set by the user."),
    ("left out by hand", "Taken out of the set by the user."),
)
"""The registry of reasons of frames; codes are what the `reason` column holds."""


def add_reason(existing: str, code: str) -> str:
    """Append a reason's code to a cell of the `reason` column, once.

    Raises
    ------
    KeyError
        The code is not in `REASONS`.
    """
    code = REASONS[code].code
    codes = [part for part in existing.split("; ") if part]
    return "; ".join(codes if code in codes else [*codes, code])


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


def empty_star_list() -> Table:
    """A star list with every column and no row."""
    table = Table()
    for column in STAR_COLUMNS.values():
        table[column.name] = np.empty(0, dtype=column.kind)
        table[column.name].info.description = column.text
        if column.unit is not None:
            table[column.name].unit = column.unit
    return table


@dataclass(frozen=True, kw_only=True)
class HeaterTrace:
    """Heater power as a step function of time.

    Attributes
    ----------
    edges : (N + 1,) float ndarray
        Boundaries of the steps, seconds since 1970-01-01T00:00:00 UTC, increasing.
        The first may be -inf and the last +inf.
    power : (N,) float ndarray
        Percent of full power from ``edges[i]`` to ``edges[i + 1]``; NaN where unknown.
    source : str
        "log" or "given".
    notes : tuple of str
        What had to be interpreted or left out, a sentence each.
    confidence : (N,) float ndarray or None
        Probability 0..1 that the step is the heater's, where the log leaves doubt.
    """

    edges: NDArray[np.float64]
    power: NDArray[np.float64]
    source: str = "log"
    notes: tuple[str, ...] = ()
    confidence: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        if len(self.edges) != len(self.power) + 1:
            raise ValueError(
                f"edges must be one longer than power, got {len(self.edges)} and {len(self.power)}"
            )
        if np.any(np.diff(self.edges) <= 0):
            raise ValueError("edges must increase")

    def average(
        self, start: NDArray[np.float64], stop: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Heater share and mean power over intervals.

        Parameters
        ----------
        start, stop : (n,) float array_like
            Seconds since 1970, ``stop > start``.

        Returns
        -------
        share : (n,) float ndarray
            Fraction of the interval with power above 0; NaN if any part of the
            interval is not known.
        power : (n,) float ndarray
            Mean power in percent, off time counted as 0; NaN likewise.
        """
        start, stop = np.atleast_1d(start).astype(float), np.atleast_1d(stop).astype(float)
        share, power = np.full(start.shape, np.nan), np.full(start.shape, np.nan)
        for i, (begin, end) in enumerate(zip(start, stop, strict=True)):
            overlap = np.minimum(self.edges[1:], end) - np.maximum(self.edges[:-1], begin)
            inside = overlap > 0
            seconds, level = overlap[inside], self.power[inside]
            # A microsecond's slack: these are times of 1e9 s held in double precision.
            if (
                end > begin
                and not np.isnan(level).any()
                and abs(seconds.sum() - (end - begin)) < 1e-6
            ):
                share[i] = seconds[level > 0].sum() / (end - begin)
                power[i] = seconds @ level / (end - begin)
        return share, power


@dataclass(frozen=True, kw_only=True)
class FrameQuality:
    """Star quality of one frame: the values of its row, its star list and the light by angle.

    `reason` is "" for a good measurement, else a code of `REASONS`; the numbers are NaN then.
    The object is true when the measurement is good.

    Attributes
    ----------
    stars : int
        Number of stars in `star_list`.
    fwhm, half_flux_radius : float
        Medians over clean stars, pixels.
    eccentricity, elongation_angle : float
        Of the mean shape; the angle in degrees [0, 180).
    line_raw, line_raw_err, line_raw_angle : float
        Line of light of this frame alone: share of the stars' light, its uncertainty, degrees.
    line_profile, line_profile_err : (LINE_BINS,) float ndarray
        Mean over bright stars of the light beside the star at each angle (bin k is centred on
        ``(k + 0.5) * 180 / LINE_BINS`` degrees, both sides together), less its mean over
        angles, as a share of the star's light; and its uncertainty.
    sky, noise : float
        Background level and standard deviation per pixel, ADU.
    star_list : `~astropy.table.Table`
        Columns of `STAR_COLUMNS`, brightest first.
    """

    stars: int = 0
    fwhm: float = np.nan
    half_flux_radius: float = np.nan
    eccentricity: float = np.nan
    elongation_angle: float = np.nan
    line_raw: float = np.nan
    line_raw_err: float = np.nan
    line_raw_angle: float = np.nan
    line_profile: NDArray[np.float64] = field(default_factory=lambda: np.full(LINE_BINS, np.nan))
    line_profile_err: NDArray[np.float64] = field(
        default_factory=lambda: np.full(LINE_BINS, np.nan)
    )
    sky: float = np.nan
    noise: float = np.nan
    star_list: Table = field(default_factory=empty_star_list)
    reason: str = ""

    def __bool__(self) -> bool:
        return not self.reason


@dataclass(frozen=True, kw_only=True)
class Transform:
    """Where the pixels of a frame land on the target grid.

    Attributes
    ----------
    matrix : (3, 3) float ndarray
        Homogeneous, takes (x, y, 1) of the frame to (x, y, 1) of the grid.
    matched : int
        Number of star pairs it rests on.
    residual : float
        Their rms distance after the transform, grid pixels.
    reason : str
        "" for a good transform, else a code of `REASONS`; the object is false then.
    """

    matrix: NDArray[np.float64] = field(default_factory=lambda: np.full((3, 3), np.nan))
    matched: int = 0
    residual: float = np.nan
    reason: str = ""

    def __bool__(self) -> bool:
        return not self.reason

    @property
    def scale(self) -> float:
        """Linear scale, grid pixels per frame pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:2, :2]))))

    @property
    def rotation(self) -> float:
        """Rotation in degrees, counter-clockwise, (-180, 180]."""
        m = self.matrix
        return float(np.degrees(np.arctan2(m[1, 0] - m[0, 1], m[0, 0] + m[1, 1])))

    def map_points(self, x: Any, y: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Frame positions to grid positions, pixels."""
        px, py = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        m = self.matrix
        w = m[2, 0] * px + m[2, 1] * py + m[2, 2]
        return (m[0, 0] * px + m[0, 1] * py + m[0, 2]) / w, (
            m[1, 0] * px + m[1, 1] * py + m[1, 2]
        ) / w


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A combined image on the target grid. Axis order is [y, x].

    Attributes
    ----------
    data : (ny, nx) float32 ndarray
        ADU in the flux scale of the reference frame; NaN where no frame contributes.
    weight : (ny, nx) float32 ndarray
        Inverse variance of `data`, 1/ADU^2; 0 where no frame contributes.
    coverage : (ny, nx) int16 ndarray
        Number of frames that contribute, after rejection. It counts *good* data.
    header : `~astropy.io.fits.Header`
        Of the reference frame, with what was done in HISTORY; WCS where known.
    frames : tuple of str
        The frames used.
    rejected : (n,) float ndarray
        Share of each frame's pixels that rejection took out.
    saturation : float
        Level from which a pixel must be taken as full, ADU; +inf if not known.
    notes : tuple of str
        Warnings and what was left out, a sentence each.
    """

    data: NDArray[np.float32]
    weight: NDArray[np.float32]
    coverage: NDArray[np.int16]
    header: Header
    frames: tuple[str, ...] = ()
    rejected: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    saturation: float = np.inf
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Replacement:
    """What star replacement gives. Axis order is [y, x], or [plane, y, x] for colour.

    Attributes
    ----------
    final : float32 ndarray
        The deep stack with the sharp stack's stars, in the deep stack's flux scale.
    stars, background : float32 ndarray
        The star layer and the deep stack without stars; they add up to `final`.
    mask : (ny, nx) uint8 ndarray
        What was done per pixel: 0 untouched, else the bits of `framesort.replacement.MASK_BITS`.
    table : `~astropy.table.Table`
        Every star: x, y, flux_deep, flux_sharp, fwhm_before, fwhm_after, method, reason.
    notes : tuple of str
        Warnings, a sentence each.
    """

    final: NDArray[np.float32]
    stars: NDArray[np.float32]
    background: NDArray[np.float32]
    mask: NDArray[np.uint8]
    table: Table
    notes: tuple[str, ...] = ()
