"""A result folder as the report sees it: the table, the summary and what lies in each group."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.files import StrPath, read_table
from framesort.records import GroupSummary, NightSummary, Note, SetSummary, column_values
from framesort.report._columns import as_number, column_texts, column_truths
from framesort.report._style import STATES

__all__ = [
    "GroupResults",
    "Results",
    "read_results",
]


@dataclass(frozen=True, kw_only=True)
class GroupResults(GroupSummary):
    """A group of the summary with what lies in its folder.

    Attributes
    ----------
    rows : (n,) int ndarray
        Its rows in the table.
    stars : `~astropy.table.Table` or None
        Its stars.ecsv, None if there is none that can be read.
    folder : `~pathlib.Path` or None
        Where its stacks lie, None if there are none.
    pixels : mapping of str to ndarray
        Stacks that are at hand, by name: parts of them need not be read from their files.
    """

    rows: NDArray[np.int_] = field(default_factory=lambda: np.empty(0, dtype=int))
    stars: Table | None = None
    folder: Path | None = None
    pixels: Mapping[str, NDArray[np.float32]] = field(default_factory=dict, repr=False)

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
    summary : NightSummary
        night.json, or what the table shows if there is none.
    groups : tuple of GroupResults
        Those of the summary with what lies in their folders.
    """

    folder: Path
    table: Table
    summary: NightSummary
    groups: tuple[GroupResults, ...]

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


def _set_of_table(table: Table, rows: NDArray[np.int_], kind: str) -> SetSummary:
    """What the table shows of a set."""
    chosen = column_truths(table, f"{kind}_set")[rows]
    hours = float(np.nansum(column_values(table, "exposure")[rows][chosen])) / 3600
    return SetSummary(frames=int(chosen.sum()), hours=hours)


def _rows_of(table: Table, group: GroupSummary) -> NDArray[np.int_]:
    """Rows of a group: by its name, else by filter and exposure."""
    named = column_texts(table, "group") == group.label
    if named.any():
        return np.flatnonzero(named)
    same = column_texts(table, "filter") == (group.filter or group.label)
    if not math.isnan(group.exposure):
        # Exposure times are written rounded; frames of a group agree to far better than 1 %.
        off = np.abs(column_values(table, "exposure") - group.exposure)
        same &= off <= 0.01 * group.exposure
    return np.flatnonzero(same)


def _read_stars(path: Path) -> Table | None:
    if not path.is_file():
        return None
    try:
        return read_table(path)
    except Exception:  # a damaged list costs the report its stars, not its rest
        return None


def _group_results(folder: Path, table: Table, group: GroupSummary) -> GroupResults:
    rows = _rows_of(table, group)
    states = column_texts(table, "heater_state")[rows]
    exposures = column_values(table, "exposure")[rows]
    known = np.isfinite(exposures).any() and math.isnan(group.exposure)
    # A label comes from a header through a file: it must not lead out of the folder.
    plain = group.label and Path(group.label).name == group.label and group.label != ".."
    place = folder / group.label if plain else None
    shown = replace(
        group,
        exposure=float(np.nanmedian(exposures)) if known else group.exposure,
        states=_count(np.where(np.isin(states, STATES), states, "unknown"), STATES),
        grades=_count(column_texts(table, "grade")[rows], ("sharp", "usable", "poor")),
    )
    return GroupResults(
        **vars(shown),
        rows=rows,
        stars=None if place is None else _read_stars(place / "stars.ecsv"),
        folder=place if place is not None and place.is_dir() else None,
    )


def _summary_of_table(table: Table) -> NightSummary:
    """What the table shows, for a folder without a summary."""
    groups, filters = column_texts(table, "group"), column_texts(table, "filter")
    named = np.where(groups != "", groups, filters)
    found = []
    for name in dict.fromkeys(str(name) for name in named if name):
        rows = np.flatnonzero(named == name)
        found.append(
            GroupSummary(
                label=name,
                filter=str(filters[rows[0]]),
                sharp=_set_of_table(table, rows, "sharp"),
                deep=_set_of_table(table, rows, "deep"),
            )
        )
    return NightSummary(groups=tuple(found))


def _read_summary(path: Path, table: Table) -> NightSummary:
    """night.json; where it is missing or damaged, what the table shows."""
    try:
        return NightSummary.from_json(path.read_text(encoding="utf-8"), where=path.name)
    except FileNotFoundError:
        return _summary_of_table(table)
    except (OSError, ValueError, InputError) as error:
        text = f"night.json could not be read ({error}); the report shows what the table holds."
        note = Note("summary unreadable", text)
        return replace(_summary_of_table(table), notes=(note,))


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
    summary = _read_summary(folder / "night.json", table)
    return Results(
        folder=folder,
        table=table,
        summary=summary,
        groups=tuple(_group_results(folder, table, group) for group in summary.groups),
    )
