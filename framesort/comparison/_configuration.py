"""A configuration: the frames of a night, or of a part of one, and which of them are compared."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import ConfigurationSummary, column_values, unix_seconds

__all__ = ["LEVEL", "Configuration", "Frames", "check_configurations", "read_rows", "summarise"]

Floats = NDArray[np.float64]

LEVEL = 2.5
"""Powers closer than this, in percent, are one level."""

_SAME_EXPOSURE = 0.02
"""Relative difference up to which exposures are the same."""

_FEWEST_OFF = 2
"""Heater-off frames that a configuration needs."""

_REQUIRED = ("start", "exposure", "filter", "heater_share", "heater_power", "fwhm")

_LEFT_OUT = ("dew", "calibration frame", "own product", "other target", "few stars")
"""Reasons for which a frame is not compared: its width is not that of seeing and heat."""


@dataclass(frozen=True)
class Configuration:
    """Frames taken while nothing about heater and front was changed.

    Attributes
    ----------
    name : str
        What it is called in results.
    table : `~astropy.table.Table`
        A row a frame, columns as in frames.ecsv. Needs start, exposure, filter, heater_share,
        heater_power and fwhm; other quantities are compared where their columns are in every
        configuration: spike_strength (with spike_strength_err and spike_angle), spike_length,
        eccentricity, transparency, and of pixels halo (share of a star's light between 2 and 6
        heater-off FWHM) and kernel_blur_squared (squared FWHM of the kernel against the mean
        heater-off star, pixels^2, which may be negative).
    pixel_scale : float
        Arcsec a pixel; NaN for that of the table, or where it is not known.
    folder : str
        Where its results are.
    spike_angle : float
        Direction of the heater's spike, degrees counter-clockwise from +x; NaN where it is to be
        found from the frames.
    """

    name: str
    table: Table
    pixel_scale: float = np.nan
    folder: str = ""
    spike_angle: float = np.nan

    @property
    def scale(self) -> float:
        """Arcsec a pixel, given or the median of the table's; NaN if unknown."""
        if np.isfinite(self.pixel_scale):
            return float(self.pixel_scale)
        values = column_values(self.table, "pixel_scale")
        values = values[np.isfinite(values) & (values > 0)]
        return float(np.median(values)) if len(values) else np.nan


@dataclass(frozen=True)
class Frames:
    """The usable frames of a configuration, in the order of time.

    Attributes
    ----------
    table : `~astropy.table.Table`
        Their rows.
    hours : (n,) float ndarray
        Middle of the exposures.
    group : (n,) int ndarray
        Number in `groups`.
    groups : tuple of (str, float)
        Filter and exposure.
    level : (n,) int ndarray
        Number in `powers`; 0 is off.
    powers : (p,) float ndarray
        Mean power of each level, the first 0.
    part : int
        Frames left out because the heater was on for a part of their exposure.
    left_out : int
        Frames left out for other reasons.
    """

    table: Table
    hours: Floats
    group: NDArray[np.intp]
    groups: tuple[tuple[str, float], ...]
    level: NDArray[np.intp]
    powers: Floats
    part: int
    left_out: int

    def values(self, name: str) -> Floats:
        """A column, NaN where missing."""
        return column_values(self.table, name)

    @property
    def off(self) -> NDArray[np.bool_]:
        """Whether the heater was off."""
        return np.asarray(self.level == 0)


def _levels(power: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Mean power of each level and the level of each frame; level 0 is off."""
    number, means = np.zeros(len(power), dtype=np.intp), [0.0]
    heated = np.flatnonzero(power > 0)
    order = heated[np.argsort(power[heated], kind="stable")]
    cuts = np.flatnonzero(np.diff(power[order]) > LEVEL) + 1
    for rows in np.split(order, cuts) if len(order) else []:
        number[rows] = len(means)
        means.append(float(power[rows].mean()))
    return np.array(means), number


def _groups(
    filters: NDArray[np.str_], exposure: Floats
) -> tuple[tuple[tuple[str, float], ...], NDArray[np.intp]]:
    names: list[tuple[str, float]] = []
    number = np.zeros(len(exposure), dtype=np.intp)
    for i in np.argsort(exposure, kind="stable"):
        for k, (name, seconds) in enumerate(names):
            if name == filters[i] and abs(exposure[i] - seconds) <= _SAME_EXPOSURE * seconds:
                number[i] = k
                break
        else:
            number[i] = len(names)
            names.append((str(filters[i]), float(exposure[i])))
    return tuple(names), number


def read_rows(configuration: Configuration) -> Frames:
    """Take the frames that can be compared: star width, time and the heater's state are known.

    Raises
    ------
    InputError
        A column is missing.
    NotEnoughFramesError
        Fewer than two frames with the heater off.
    """
    table, name = configuration.table, configuration.name
    missing = [column for column in _REQUIRED if column not in table.colnames]
    if missing:
        raise InputError(f"table of configuration {name!r} has no column {missing[0]!r}")
    if not len(table):
        raise NotEnoughFramesError(f"configuration {name!r} has no frame")
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    state = _texts(table, "heater_state")
    part = ((share > 0.005) & (share < 0.98)) | (state == "part")
    off = share <= 0.005
    reasons = _texts(table, "reason")
    spoilt = np.array([any(code in text.split("; ") for code in _LEFT_OUT) for text in reasons])
    start, exposure = unix_seconds(Time(table["start"])), column_values(table, "exposure")
    good = np.isfinite(start) & (exposure > 0) & (column_values(table, "fwhm") > 0) & ~spoilt
    good &= off | ((share >= 0.98) & (power > 0))
    used = good & ~part
    if np.sum(used & off) < _FEWEST_OFF:
        raise NotEnoughFramesError(
            f"configuration {name!r} has {np.sum(used & off)} usable heater-off frames, "
            f"{_FEWEST_OFF} are needed: give a night with frames taken with the heater off"
        )
    rows = np.flatnonzero(used)
    rows = rows[np.argsort(start[rows], kind="stable")]
    groups, group = _groups(_texts(table, "filter")[rows], exposure[rows])
    powers, level = _levels(np.where(off, 0.0, power)[rows])
    return Frames(
        table[rows],
        (start[rows] + exposure[rows] / 2) / 3600,
        group,
        groups,
        level,
        powers,
        int(np.sum(part)),
        int(np.sum(~used & ~part)),
    )


def _texts(table: Table, name: str) -> NDArray[np.str_]:
    if name not in table.colnames:
        return np.full(len(table), "", dtype="U1")
    return np.asarray(np.ma.filled(np.ma.asarray(table[name].astype(str)), ""), dtype=str)


def summarise(
    configuration: Configuration, frames: Frames, spike_angle: float
) -> ConfigurationSummary:
    """Describe one configuration."""
    table, off = frames.table, frames.off
    start = Time(table["start"])
    exposures = sorted({round(seconds, 3) for _, seconds in frames.groups})
    return ConfigurationSummary(
        name=configuration.name,
        folder=configuration.folder,
        begin=str(start[0].isot),
        end=str(start[-1].isot),
        frames=len(table) + frames.part,
        off_frames=int(off.sum()),
        heated_frames=int(np.sum(~off)),
        part_frames=frames.part,
        filters=tuple(sorted({name for name, _ in frames.groups})),
        exposures=tuple(exposures),
        powers=tuple(round(float(power), 1) for power in frames.powers[1:]),
        pixel_scale=configuration.scale,
        fwhm_off=float(np.median(frames.values("fwhm")[off])),
        spike_angle=spike_angle,
    )


def _camera(table: Table) -> set[tuple[float, ...]]:
    sizes = [column_values(table, name) for name in ("width", "height", "binning")]
    return {tuple(map(float, row)) for row in zip(*sizes, strict=True) if np.isfinite(row).all()}


def _check_overlap(first: Configuration, second: Configuration) -> None:
    """Refuse frames that are in both."""
    seconds = unix_seconds(Time(first.table["start"]))
    others = unix_seconds(Time(second.table["start"]))
    times = np.abs(seconds[:, None] - others[None, :]) < 0.5
    lengths = column_values(first.table, "exposure"), column_values(second.table, "exposure")
    same = int(np.sum(times & (np.abs(lengths[0][:, None] - lengths[1][None, :]) < 1e-3)))
    files = [
        {name for name in _texts(side.table, "file") if Path(name).is_absolute()}
        for side in (first, second)
    ]
    same = max(same, len(files[0] & files[1]))
    if same:
        raise InputError(
            f"configurations {first.name!r} and {second.name!r} have {same} frames in common: "
            "one night was given twice, or parts of a night overlap"
        )


def check_configurations(configurations: Sequence[Configuration]) -> None:
    """Refuse what cannot be compared.

    Raises
    ------
    InputError
        Fewer than two configurations, two of one name, frames in two of them, or different cameras
        without pixel scales.
    """
    if len(configurations) < 2:
        raise InputError(f"a comparison needs two configurations, got {len(configurations)}")
    names = [one.name for one in configurations]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"configurations need names of their own, got {name!r} twice")
    for i, one in enumerate(configurations):
        if "start" not in one.table.colnames:
            raise InputError(f"table of configuration {one.name!r} has no column 'start'")
        for other in configurations[:i]:
            _check_overlap(other, one)
    if all(np.isfinite(one.scale) for one in configurations):
        return
    first = _camera(configurations[0].table)
    for other in configurations[1:]:
        if _camera(other.table) != first:
            raise InputError(
                f"configurations {names[0]!r} and {other.name!r} are of different cameras and "
                "their pixel scales are not known: give pixel_scale (--pixel-scale) for each"
            )
