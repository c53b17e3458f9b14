"""Headers to the night's table, and which frames may be stacked together."""

import os
import warnings
from collections.abc import Sequence
from datetime import tzinfo
from functools import partial
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.errors import HeaderWarning
from framesort.files import check_rawpy, find_zone, safe_name
from framesort.frames._dates import OPEN_ORDER
from framesort.frames._kept import KeptHeaders
from framesort.frames._nights import name_nights
from framesort.frames._row import FrameRow, read_row
from framesort.frames._sky import sky_positions
from framesort.frames._targets import choose_targets, name_targets
from framesort.records import Note, add_column, add_reason
from framesort.workers import Progress, run_tasks

__all__ = ["MAX_SIZE", "group_frames", "read_frames"]

MAX_SIZE = 200.0
"""Megapixels: more than any camera of one sensor; measuring as many takes about 4 GB."""

ODD_RATIO, ODD_SIZE = 5, 30.0
"""So many times as large as the median frame, and larger than so many megapixels: by far."""

_GROUPED = ("", "no start time")
"""Reasons with which a frame may be stacked all the same."""

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


def read_frames(
    paths: Sequence[str | os.PathLike[str]],
    *,
    power_keyword: str | None = None,
    day_first: bool | None = None,
    camera_zone: str | None = None,
    max_size: float = MAX_SIZE,
    targets: Sequence[str] = (),
    cache: str | os.PathLike[str] | None = None,
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
    cache : path or None
        Folder in which what headers say is kept for the next run; found again by name, size,
        time of change and beginning of a file.
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
    kept = KeptHeaders(
        None if cache is None else Path(cache), f"{power_keyword} {day_first} {camera_zone}"
    )
    read = partial(read_row, power_keyword, day_first, zone, kept)
    rows = list(run_tasks(read, [os.fspath(path) for path in paths], progress=progress))
    if day_first is None:
        rows = _settle_order(rows, power_keyword, zone)
    _drop_oversized(rows, max_size)
    rows.sort(
        key=lambda row: (
            row.start is None,
            row.start if row.start is not None else 0,
            row.file,
        )
    )
    names = _targets(rows, targets)
    table = Table()
    add_column(table, "file", [row.file for row in rows])
    unknown = np.array([row.start is None for row in rows])
    unix = np.array([0.0 if row.start is None else row.start for row in rows])
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
    _add_sky(table, np.where(unknown, np.nan, unix), rows, kept)
    kept.save()
    if power_keyword is not None:
        add_column(table, "heater_power", [row.power for row in rows])
    add_column(table, "target", names)
    add_column(table, "group", group_frames(table, settings=[row.setting for row in rows]))
    table.meta["notes"] = _header_notes(rows)
    for note in table.meta["notes"]:
        warnings.warn(note, HeaderWarning, stacklevel=2)
    return table


def _add_sky(table: Table, start: np.ndarray, rows: Sequence[FrameRow], kept: KeptHeaders) -> None:
    """Altitudes of Sun, Moon and target in the middle of each exposure."""
    half = np.array([0.5 * row.exposure if np.isfinite(row.exposure) else 0.0 for row in rows])
    middle, sites, places = start + half, [row.site for row in rows], [row.place for row in rows]
    inputs = f"{middle.tolist()} {sites} {places}"
    find = partial(sky_positions, middle, sites, places)
    found = kept.columns(inputs, len(rows), find)
    for name, values in found.items():
        add_column(table, name, values)


def _targets(rows: Sequence[FrameRow], wanted: Sequence[str]) -> list[str]:
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


def _header_notes(rows: Sequence[FrameRow]) -> list[Note]:
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
    rows: Sequence[FrameRow], power_keyword: str | None, zone: tzinfo | None
) -> list[FrameRow]:
    """Read headers again whose dates are ambiguous, where others of the night decide."""
    orders = {row.day_first for row in rows} - {None}
    if len(orders) != 1:
        return list(rows)
    (order,) = orders
    return [
        read_row(power_keyword, order, zone, None, row.file)
        if row.note.endswith(OPEN_ORDER)
        else row
        for row in rows
    ]


def _drop_oversized(rows: Sequence[FrameRow], max_size: float) -> None:
    """Bar frames whose pixels would take memory out of proportion, before they are read."""
    sizes = np.array([float(row.width) * row.height for row in rows])
    sound = sizes[(sizes > 0) & (sizes <= max_size * 1e6)]
    usual = float(np.median(sound)) if sound.size else np.inf
    for row, size in zip(rows, sizes, strict=True):
        if size > max_size * 1e6 or size > max(ODD_RATIO * usual, ODD_SIZE * 1e6):
            row.reason = add_reason(row.reason, "too large")


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
