"""A result folder as the report sees it: the table, the summary and what lies in each group."""

import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.files import StrPath, read_table
from framesort.records import column_values
from framesort.report._columns import (
    as_dicts,
    as_number,
    as_sentences,
    column_texts,
    column_truths,
)
from framesort.report._style import STATES

__all__ = [
    "GroupSummary",
    "Results",
    "StackedSet",
    "read_results",
]


@dataclass(frozen=True, kw_only=True)
class StackedSet:
    """One set of a group: frames, hours of exposure, FWHM [pix] and depth [ADU] of its stack.

    `limit_flux` [ADU] is the light of a star at S/N 10, `limit_magnitude` its
    magnitude where a zero point was given, `fainter_minutes` the exposure that is lacking for
    one magnitude more.
    """

    frames: int = 0
    hours: float = 0.0
    fwhm: float = math.nan
    depth: float = math.nan
    limit_flux: float = math.nan
    limit_magnitude: float = math.nan
    fainter_minutes: float = math.nan


@dataclass(frozen=True, kw_only=True)
class GroupSummary:
    """Frames that were stacked together.

    Attributes
    ----------
    label, filter : str
        Name of the group's folder; filter as the header names it.
    exposure : float
        Seconds.
    rows : (n,) int ndarray
        Their rows in the table.
    states : dict of str to int
        Frames of each heater state.
    grades : dict of str to int
        Frames of each grade.
    sharp, deep : StackedSet
        The two sets.
    replaced, left : int or None
        Stars replaced and left as they were; None before a merge.
    fwhm, spike : dict of str to float
        FWHM [pix] and spike (share) of the stacks "deep", "sharp", "final".
    advice : tuple of str
        What to do next time.
    light_by_angle : dict of str to list of float
        Heater state to the mean `spike_profile` of its frames; empty if unknown.
    check : dict
        The star replacement's self-check, "check" of the group in night.json; {} without.
    stars : `~astropy.table.Table` or None
        Its stars.ecsv, None if there is none that can be read.
    folder : `~pathlib.Path` or None
        Where its stacks lie, None if there are none.
    """

    label: str
    filter: str = ""
    exposure: float = math.nan
    rows: NDArray[np.int_] = field(default_factory=lambda: np.empty(0, dtype=int))
    states: dict[str, int] = field(default_factory=dict)
    grades: dict[str, int] = field(default_factory=dict)
    sharp: StackedSet = field(default_factory=StackedSet)
    deep: StackedSet = field(default_factory=StackedSet)
    replaced: int | None = None
    left: int | None = None
    fwhm: dict[str, float] = field(default_factory=dict)
    spike: dict[str, float] = field(default_factory=dict)
    advice: tuple[str, ...] = ()
    light_by_angle: dict[str, list[float]] = field(default_factory=dict)
    check: dict[str, Any] = field(default_factory=dict)
    stars: Table | None = None
    folder: Path | None = None

    def stack(self, name: str) -> Path | None:
        """Path of "sharp", "deep", "final", "stars" or "background", None if not there."""
        path = None if self.folder is None else self.folder / f"{name}.fits"
        return path if path is not None and path.is_file() else None

    @property
    def flux_scale(self) -> float:
        """Sharp stack to the flux scale of the final picture, as stars.ecsv has it, else 1."""
        scale = as_number(None if self.stars is None else self.stars.meta.get("flux_scale"))
        return scale if math.isfinite(scale) and scale > 0 else 1.0


@dataclass(frozen=True, kw_only=True)
class Results:
    """Everything the report is made of.

    Attributes
    ----------
    folder : `~pathlib.Path`
        The result folder.
    table : `~astropy.table.Table`
        frames.ecsv.
    summary : dict
        night.json as read; {} if there is none.
    groups : tuple of GroupSummary
    warnings : tuple of str
        Of the night, then of the reading of its results.
    """

    folder: Path
    table: Table
    summary: dict[str, Any]
    groups: tuple[GroupSummary, ...]
    warnings: tuple[str, ...] = ()

    def __getstate__(self) -> dict[str, Any]:
        """For another process: masks of times beside them, since astropy 8 loses them."""
        table = self.table.copy(copy_data=False)
        masks = {
            name: np.array(np.broadcast_to(column.mask, column.shape))
            for name, column in table.columns.items()
            if isinstance(column, Time)
        }
        for name in masks:
            table[name] = table[name].unmasked
        return vars(self) | {"table": table, "masks": masks}

    def __setstate__(self, state: dict[str, Any]) -> None:
        masks = state.pop("masks")
        for name, mask in masks.items():
            if mask.any():
                state["table"][name][mask] = np.ma.masked
        vars(self).update(state)


def _count(names: NDArray[np.str_], choices: tuple[str, ...]) -> dict[str, int]:
    return {name: int(np.sum(names == name)) for name in choices}


def _set_summary(table: Table, rows: NDArray[np.int_], kind: str, entry: Any) -> StackedSet:
    """What night.json says of a set, else what the table shows."""
    entry = entry if isinstance(entry, dict) else {}
    chosen = column_truths(table, f"{kind}_set")[rows]
    hours = float(np.nansum(column_values(table, "exposure")[rows][chosen])) / 3600
    frames = as_number(entry.get("frames"))
    given = as_number(entry.get("hours"))
    return StackedSet(
        frames=int(chosen.sum()) if math.isnan(frames) else int(frames),
        hours=hours if math.isnan(given) else given,
        fwhm=as_number(entry.get("fwhm")),
        depth=as_number(entry.get("depth")),
        limit_flux=as_number(entry.get("limit_flux")),
        limit_magnitude=as_number(entry.get("limit_magnitude")),
        fainter_minutes=as_number(entry.get("fainter_minutes")),
    )


def _rows_of(table: Table, entry: dict[str, Any]) -> NDArray[np.int_]:
    """Rows of a group: by its name, else by filter and exposure."""
    groups = column_texts(table, "group")
    for key in ("label", "group"):
        named = groups == str(entry.get(key, "\0"))
        if named.any():
            return np.flatnonzero(named)
    same = column_texts(table, "filter") == str(entry.get("filter", entry.get("label", "")))
    exposure = as_number(entry.get("exposure"))
    if not math.isnan(exposure):
        # Exposure times are written rounded; frames of a group agree to far better than 1 %.
        same &= np.abs(column_values(table, "exposure") - exposure) <= 0.01 * exposure
    return np.flatnonzero(same)


def _numbers_of(entry: Any) -> dict[str, float]:
    return {str(k): as_number(v) for k, v in entry.items()} if isinstance(entry, dict) else {}


def _profiles_of(entry: Any) -> dict[str, list[float]]:
    """Profiles of numbers by heater state; those with a gap are left out."""
    found = {}
    for state, values in entry.items() if isinstance(entry, dict) else ():
        numbers = [as_number(value) for value in values] if isinstance(values, list) else []
        if numbers and all(map(math.isfinite, numbers)):
            found[str(state)] = numbers
    return found


def _whole(value: Any) -> int | None:
    number = as_number(value)
    return int(number) if math.isfinite(number) else None


def _read_stars(path: Path) -> Table | None:
    if not path.is_file():
        return None
    try:
        return read_table(path)
    except Exception:  # a damaged list costs the report its stars, not its rest
        return None


def _summarise_group(folder: Path, table: Table, entry: dict[str, Any]) -> GroupSummary:
    rows = _rows_of(table, entry)
    label = str(entry.get("label", entry.get("filter", "")))
    states = column_texts(table, "heater_state")[rows]
    exposures = column_values(table, "exposure")[rows]
    exposure = as_number(entry.get("exposure"))
    if math.isnan(exposure) and np.isfinite(exposures).any():
        exposure = float(np.nanmedian(exposures))
    # A label comes from a header through a file: it must not lead out of the folder.
    place = (folder / label) if label and Path(label).name == label and label != ".." else None
    filters = column_texts(table, "filter")[rows]
    return GroupSummary(
        label=label,
        filter=str(entry.get("filter", filters[0] if len(filters) else label)),
        exposure=exposure,
        rows=rows,
        states=_count(np.where(np.isin(states, STATES), states, "unknown"), STATES),
        grades=_count(column_texts(table, "grade")[rows], ("sharp", "usable", "poor")),
        sharp=_set_summary(table, rows, "sharp", entry.get("sharp")),
        deep=_set_summary(table, rows, "deep", entry.get("deep")),
        replaced=_whole(entry.get("replaced")),
        left=_whole(entry.get("left")),
        fwhm=_numbers_of(entry.get("fwhm")),
        spike=_numbers_of(entry.get("spike")),
        advice=as_sentences(entry.get("advice")),
        light_by_angle=_profiles_of(entry.get("light_by_angle")),
        check=entry["check"] if isinstance(entry.get("check"), dict) else {},
        stars=None if place is None else _read_stars(place / "stars.ecsv"),
        folder=place if place is not None and place.is_dir() else None,
    )


def _groups_in_table(table: Table) -> list[dict[str, Any]]:
    """Groups from the table, for a folder without a summary."""
    groups, filters = column_texts(table, "group"), column_texts(table, "filter")
    named = np.where(groups != "", groups, filters)
    order = list(dict.fromkeys(str(name) for name in named if name))
    return [{"label": name, "filter": str(filters[named == name][0])} for name in order]


def read_results(folder: StrPath) -> Results:
    """Read a result folder, tolerant of everything but a missing table.

    Parameters
    ----------
    folder : path
        As the commands sort, merge and night leave it.

    Returns
    -------
    Results

    Raises
    ------
    InputError
        There is no frames.ecsv, or it cannot be read.
    """
    folder = Path(folder)
    path = folder / "frames.ecsv"
    if not path.is_file():
        raise InputError(f"{folder}: no frames.ecsv here; give a folder made by sort or night")
    try:
        table = read_table(path)
    except Exception as error:  # the reader raises many kinds for a damaged file
        raise InputError(f"{path}: cannot be read as a table ({type(error).__name__})") from error
    summary: dict[str, Any] = {}
    notes: list[str] = []
    if (folder / "night.json").is_file():
        try:
            loaded = json.loads((folder / "night.json").read_text(encoding="utf-8"))
            summary = loaded if isinstance(loaded, dict) else {}
        except (OSError, ValueError, RecursionError) as error:
            notes.append(
                f"night.json could not be read ({error}); the report shows what the table "
                "holds. Run the night again to have its summary."
            )
    entry = as_dicts(summary.get("groups")) or _groups_in_table(table)
    return Results(
        folder=folder,
        table=table,
        summary=summary,
        groups=tuple(_summarise_group(folder, table, group) for group in entry),
        warnings=as_sentences(summary.get("warnings")) + tuple(notes),
    )
