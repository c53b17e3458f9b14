"""Headers to the night's table, and which frames may be stacked together."""

import os
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from astropy.time import Time

from framesort.errors import HeaderWarning
from framesort.files import check_rawpy, drop_unreadable, find_zone, image_hdu, open_fits, safe_name
from framesort.frames._camera import (
    header_binning,
    header_gain,
    header_pattern,
    header_setting,
)
from framesort.frames._dates import OPEN_ORDER
from framesort.frames._headers import (
    LONGEST_EXPOSURE,
    header_date_order,
    header_exposure,
    header_number,
    header_start,
    is_calibration,
    local_start,
    pixel_scale,
)
from framesort.frames._masters import saturation_level
from framesort.frames._nights import name_nights
from framesort.frames._sky import Site, header_site, sky_positions
from framesort.frames._targets import choose_targets, header_place, name_targets
from framesort.frames._weather import header_weather
from framesort.records import PRODUCT_CARD, Note, add_column, add_reason
from framesort.workers import Progress, run_tasks

__all__ = ["MAX_SIZE", "group_frames", "read_frames"]

MAX_SIZE = 200.0
"""Megapixels: more than any camera of one sensor; measuring as many takes about 4 GB."""

ODD_RATIO, ODD_SIZE = 5, 30.0
"""So many times as large as the median frame, and larger than so many megapixels: by far."""

_GROUPED = ("", "no start time")
"""Reasons with which a frame may be stacked all the same."""

_OWN = (PRODUCT_CARD, "FSLAYER", "FSVERS")
"""Cards of products of this library; older ones have one of the latter two."""

_EXPOSURE_SPREAD = 0.02
"""Exposures closer than this share are one exposure: cameras report 300 and 300.04 s."""

_NOT_A_GROUP = frozenset(
    {
        "cache",
        "frames",
        "sets",
        "frames.ecsv",
        "heater.ecsv",
        "night.json",
        "preview.png",
        "report.html",
    }
)
"""Other names in a result folder, where each group has a folder."""


@dataclass
class _Row:
    """One frame's cells before they become columns."""

    file: str
    start: Time | None = None
    exposure: float = np.nan
    filter: str = "none"
    width: int = 0
    height: int = 0
    binning: int = 1
    gain: float = np.nan
    setting: str = ""
    pattern: str = ""
    saturation: float = np.nan
    pixel_scale: float = np.nan
    air_temperature: float = np.nan
    humidity: float = np.nan
    power: float = np.nan
    reason: str = ""
    note: str = ""
    object: str = ""
    place: tuple[float, float] = (np.nan, np.nan)
    site: Site | None = None
    day_first: bool | None = None


def read_frames(
    paths: Sequence[str | os.PathLike[str]],
    *,
    power_keyword: str | None = None,
    day_first: bool | None = None,
    camera_zone: str | None = None,
    max_size: float = MAX_SIZE,
    targets: Sequence[str] = (),
    progress: Progress | None = None,
) -> Table:
    """Read headers to a table, a row a frame, in order of time.

    Parameters
    ----------
    paths : sequence of path
        FITS files, the first HDU with an image counts; camera raw files.
    power_keyword : str or None
        Keyword under which headers hold the heater's power in percent; its values become the
        column heater_power, NaN where a header lacks it.
    day_first : bool or None
        Order of day and month in dates as 02/11/2026. None: from the dates of other
        frames, such as 13/11/2026; where there is none, such times are unknown.
    camera_zone : str or None
        Zone of the camera's clock, an IANA name or offset, for raw files, whose times have none.
    max_size : float
        Megapixels from which on a frame is left out, whatever memory its pixels would take.
    targets : sequence of str
        Names of one field: other frames have the reason "other target". None: all are taken.
    progress : callable or None
        Wraps the iteration, as `tqdm.tqdm` does.

    Raises
    ------
    InputError
        A name in `targets` is that of no target, `camera_zone` that of no zone, or there are raw
        files and rawpy is not installed.

    Returns
    -------
    `~astropy.table.Table`
        Columns file, start (`~astropy.time.Time`, UTC, masked where unknown), exposure,
        night, filter, target, group, width, height, binning, pattern, gain, saturation,
        pixel_scale, air_temperature, humidity, sun_altitude, moon_altitude, moon_separation,
        target_altitude, reason.
        A file that is no usable frame keeps its row with the reason, as one does that is
        larger than `max_size` or than the other frames by far; Values that the header
        lacks are NaN. ``meta["notes"]`` holds a `Note` on each way in which
        headers break the standard, which are also given as `HeaderWarning`.
    """
    for path in paths:
        check_rawpy(path)
    zone = None if camera_zone is None else find_zone(camera_zone)
    read = partial(_read_row, power_keyword, day_first, zone)
    rows = list(run_tasks(read, [os.fspath(path) for path in paths], progress=progress))
    if day_first is None:
        rows = _settle_order(rows, power_keyword, zone)
    _drop_oversized(rows, max_size)
    rows.sort(
        key=lambda row: (
            row.start is None,
            row.start.unix if row.start is not None else 0,
            row.file,
        )
    )
    names = _targets(rows, targets)
    table = Table()
    add_column(table, "file", [row.file for row in rows])
    unknown = np.array([row.start is None for row in rows])
    unix = np.array([0.0 if row.start is None else row.start.unix for row in rows])
    start = Time(unix, format="unix", scale="utc", precision=3)
    start.format = "isot"
    if unknown.any():
        start[unknown] = np.ma.masked
    add_column(table, "start", start)
    add_column(table, "night", name_nights(start, np.array([row.exposure for row in rows])))
    for name in (
        "exposure",
        "filter",
        "width",
        "height",
        "binning",
        "pattern",
        "gain",
        "saturation",
        "pixel_scale",
        "air_temperature",
        "humidity",
        "reason",
    ):
        add_column(table, name, [getattr(row, name) for row in rows])
    _add_sky(table, np.where(unknown, np.nan, unix), rows)
    if power_keyword is not None:
        add_column(table, "heater_power", [row.power for row in rows])
    add_column(table, "target", names)
    add_column(table, "group", group_frames(table, settings=[row.setting for row in rows]))
    table.meta["notes"] = _header_notes(rows)
    for note in table.meta["notes"]:
        warnings.warn(note, HeaderWarning, stacklevel=2)
    return table


def _add_sky(table: Table, start: np.ndarray, rows: Sequence[_Row]) -> None:
    """Altitudes of Sun, Moon and target in the middle of each exposure."""
    half = np.array([0.5 * row.exposure if np.isfinite(row.exposure) else 0.0 for row in rows])
    found = sky_positions(start + half, [row.site for row in rows], [row.place for row in rows])
    for name, values in found.items():
        add_column(table, name, values)


def _targets(rows: Sequence[_Row], wanted: Sequence[str]) -> list[str]:
    """The target of each frame, "" for files that are no frames; others than wanted are barred."""
    usable = [i for i, row in enumerate(rows) if row.reason in _GROUPED]
    names = name_targets(
        [rows[i].object for i in usable],
        [rows[i].place for i in usable],
        [rows[i].pixel_scale * np.hypot(rows[i].width, rows[i].height) / 3600 for i in usable],
    )
    if wanted:
        names, others = choose_targets(names, [rows[i].object for i in usable], wanted)
        for i in np.array(usable)[others]:
            rows[i].reason = add_reason(rows[i].reason, "other target")
    found = dict(zip(usable, names, strict=True))
    return [found.get(i, "") for i in range(len(rows))]


def _header_notes(rows: Sequence[_Row]) -> list[Note]:
    """One note for each way in which headers break the standard, with its count."""
    notes = sorted({row.note for row in rows if row.note})
    found = []
    for note in notes:
        those = [row for row in rows if row.note == note]
        understood = those[0].start is not None
        found.append(
            Note(
                "header time" if understood else "header date",
                f"{len(those)} of {len(rows)} headers: {note} (first: {Path(those[0].file).name})",
                [row.file for row in those],
            )
        )
    return found


def _settle_order(
    rows: Sequence[_Row], power_keyword: str | None, zone: tzinfo | None
) -> list[_Row]:
    """Read headers again whose dates are ambiguous, where others of the night decide."""
    orders = {row.day_first for row in rows} - {None}
    if len(orders) != 1:
        return list(rows)
    (order,) = orders
    return [
        _read_row(power_keyword, order, zone, row.file) if row.note.endswith(OPEN_ORDER) else row
        for row in rows
    ]


def _drop_oversized(rows: Sequence[_Row], max_size: float) -> None:
    """Bar frames whose pixels would take memory out of proportion, before they are read."""
    sizes = np.array([float(row.width) * row.height for row in rows])
    sound = sizes[(sizes > 0) & (sizes <= max_size * 1e6)]
    usual = float(np.median(sound)) if sound.size else np.inf
    for row, size in zip(rows, sizes, strict=True):
        if size > max_size * 1e6 or size > max(ODD_RATIO * usual, ODD_SIZE * 1e6):
            row.reason = add_reason(row.reason, "too large")


def _read_row(
    power_keyword: str | None, day_first: bool | None, zone: tzinfo | None, path: str
) -> _Row:
    try:
        return _understand_header(power_keyword, day_first, zone, path)
    except Exception:  # any damage to a file surfaces here as some exception
        return _Row(path, reason=add_reason("", "unreadable"))


def _understand_header(
    power_keyword: str | None, day_first: bool | None, zone: tzinfo | None, path: str
) -> _Row:
    row = _Row(path)
    with open_fits(path) as hdus:
        header = image_hdu(hdus).header
        primary = drop_unreadable(hdus[0].header)
        # An image in an extension often leaves the camera's cards in the primary header.
        merged = {key: primary[key] for key in primary if key} | {
            key: header[key] for key in header if key
        }
    row.width, row.height = int(merged["NAXIS1"]), int(merged["NAXIS2"])
    pattern = header_pattern(merged)
    row.pattern = pattern or ""
    plain = "none" if pattern == "" else "colour"
    row.filter = str(merged.get("FILTER", "")).strip() or plain
    row.start, row.note = header_start(merged, day_first=day_first)
    if row.start is None and not row.note:
        row.start, row.note = local_start(merged, zone)
    row.day_first = header_date_order(merged)
    row.exposure = header_exposure(merged)
    row.binning, row.setting = header_binning(merged), header_setting(merged)
    row.gain = header_gain(merged, header.comments["GAIN"] if "GAIN" in header else "")
    row.saturation = saturation_level(merged)
    row.air_temperature, row.humidity = header_weather(_with_comments(primary, header))
    row.pixel_scale = pixel_scale(merged)
    row.site = header_site(_with_comments(primary, header))
    row.object, row.place = str(merged.get("OBJECT", "")).strip(), header_place(merged)
    if power_keyword is not None:
        row.power = header_number(merged, power_keyword.upper())
    if any(keyword in merged for keyword in _OWN):
        row.reason = add_reason("", "own product")
    elif is_calibration(merged, Path(path).name):
        row.reason = add_reason("", "calibration frame")
    elif pattern is None:
        row.reason = add_reason("", "colour frame")
    elif not row.exposure > 0:
        row.exposure, row.reason = np.nan, add_reason("", "no exposure time")
    elif row.exposure > LONGEST_EXPOSURE:
        row.exposure, row.reason = np.nan, add_reason("", "odd exposure time")
    elif row.start is None:
        row.reason = add_reason("", "no start time")
    return row


def _with_comments(primary: Header, image: Header) -> Header:
    """Cards of both headers, those of the image first, with their comments."""
    both = primary.copy()
    if image is not primary:
        both.extend(image, update=True)
    return both


def group_frames(table: Table, *, settings: Sequence[str] | None = None) -> list[str]:
    """Name the group of each frame: those of one group may be stacked together.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs filter, exposure, width, height, binning; pattern where there are colours, target
        where there are several.
    settings : sequence of str or None
        Camera gain setting of each frame, where it was read.

    Returns
    -------
    list of str
        A name fit for a folder: the filter where one group has it, else with what
        distinguishes its groups; with several targets always the filter and the target.
        Frames with a `reason` that keeps them out have "".
    """
    unknown = [""] * len(table)
    settings = unknown if settings is None else settings
    patterns = [str(p) for p in table["pattern"]] if "pattern" in table.colnames else unknown
    targets = [str(t) for t in table["target"]] if "target" in table.colnames else unknown
    exposures = _common_exposures(np.asarray(table["exposure"], dtype=float))
    keys: list[tuple[str, ...] | None] = []
    for i, row in enumerate(table):
        usable = np.isfinite(exposures[i]) and row["reason"] in _GROUPED
        parts = (
            str(row["filter"]),
            f"{exposures[i]:.6g}s",
            f"{row['width']}x{row['height']}",
            f"bin{row['binning']}",
            f"gain{settings[i]}",
            patterns[i],
            targets[i],
        )
        keys.append(parts if usable else None)
    names = _short_names(sorted({key for key in keys if key is not None}))
    return ["" if key is None else names[key] for key in keys]


def _common_exposures(exposures: np.ndarray) -> np.ndarray:
    """Each exposure replaced by the shortest of those within a few percent of it."""
    common = exposures.copy()
    for exposure in np.unique(exposures[np.isfinite(exposures)]):
        near = common[(common <= exposure) & (common >= exposure / (1 + _EXPOSURE_SPREAD))]
        common[exposures == exposure] = near.min()
    return common


def _short_names(keys: list[tuple[str, ...]]) -> dict[tuple[str, ...], str]:
    names: dict[tuple[str, ...], str] = {}
    taken = set(_NOT_A_GROUP)
    for key in keys:
        rivals = [other for other in keys if other[0] == key[0]]
        differing = [k for k in range(1, len(key) - 1) if len({other[k] for other in rivals}) > 1]
        if len({other[-1] for other in keys}) > 1:  # the target, whatever the filter
            differing.insert(0, len(key) - 1)
        name = safe_name("-".join([key[0], *(key[k] for k in differing)]))
        number = 2
        while name.casefold() in taken:  # 'Ha' and 'ha', or names that differ in odd characters
            name, number = f"{safe_name(key[0])}-{number}", number + 1
        names[key] = name
        taken.add(name.casefold())
    return names
