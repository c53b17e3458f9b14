"""Configurations of a comparison: nights sorted before, or parts of one."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort import files
from framesort.errors import InputError
from framesort.night._folder import read_sorted
from framesort.planning import read_moment
from framesort.records import NightSummary, unix_seconds

__all__ = ["NightConfiguration", "read_configurations"]

COLUMN = "configuration"
"""Column of a user's table that names the configuration of each frame."""


@dataclass(frozen=True, kw_only=True)
class NightConfiguration:
    """Frames of one configuration.

    Attributes
    ----------
    name : str
    folder : `~pathlib.Path`
        The folder of results.
    table : `~astropy.table.Table`
        Its usable frames, in order of time.
    summary : NightSummary
        Of the whole night.
    """

    name: str
    folder: Path
    table: Table
    summary: NightSummary


def read_configurations(
    folders: Sequence[str | os.PathLike[str]],
    *,
    names: Sequence[str] = (),
    split: Sequence[str] = (),
    by: str | os.PathLike[str] | None = None,
) -> list[NightConfiguration]:
    """Read nights, or parts of one, as configurations.

    Parameters
    ----------
    folders : sequence of path
        Folders of results of `sort_night` or `process_night`.
    names : sequence of str
        One for each configuration; else those of the folders, or the times of a split.
    split : sequence of str
        Times, ISO 8601, UTC unless they have a zone, at which something was changed; for one
        folder.
    by : path or None
        CSV or ECSV table with the columns ``file`` and ``configuration``; frames that it does
        not name are left out. The text "TABLE:COLUMN" names another column.

    Raises
    ------
    InputError
        A folder or a table cannot be read, a name is given twice, or there are fewer than two
        configurations.
    """
    nights = [_read_night(Path(folder)) for folder in folders]
    if split and by is not None:
        raise InputError("--split and --by exclude one another")
    if split:
        if len(nights) != 1:
            raise InputError(f"--split is for one night, got {len(nights)}")
        parts = _split_night(nights[0], split)
    elif by is not None:
        parts = _split_by(nights, by)
    else:
        parts = nights
    if len(parts) < 2:
        raise InputError(
            "a comparison needs two nights, or one with --split TIME or --by TABLE; got one night"
        )
    return _name(parts, names)


def _read_night(folder: Path) -> NightConfiguration:
    table, summary = read_sorted(folder)
    missing = {"start", "exposure", "filter", "fwhm", "heater_share", "grade"} - set(table.colnames)
    if missing:
        raise InputError(
            f"{folder / 'frames.ecsv'}: lacks the columns {', '.join(sorted(missing))}; sort the "
            "night again"
        )
    used = np.array([bool(grade) for grade in table["grade"]]) & np.isfinite(
        unix_seconds(table["start"])
    )
    table = table[used]
    table = table[np.argsort(unix_seconds(table["start"]), kind="stable")]
    name = folder.resolve().name
    return NightConfiguration(name=name, folder=folder, table=table, summary=summary)


def _part(night: NightConfiguration, name: str, rows: NDArray[np.bool_]) -> NightConfiguration:
    return NightConfiguration(
        name=name, folder=night.folder, table=night.table[rows], summary=night.summary
    )


def _split_night(night: NightConfiguration, split: Sequence[str]) -> list[NightConfiguration]:
    """Parts of a night; a frame belongs to the part in which its exposure begins."""
    moments = [read_moment(text, zone="") for text in split]
    times = np.sort([float(moment.unix) for moment in moments])
    start = unix_seconds(night.table["start"])
    numbers = np.searchsorted(times, start, side="right")
    clock = [Time(time, format="unix").strftime("%H:%M") for time in times]
    names = [f"before {clock[0]}", *(f"from {text}" for text in clock)]
    for k, name in enumerate(names):
        if not (numbers == k).any():
            raise InputError(
                f"--split: no frame {name} UTC; the night is from "
                f"{night.table['start'][0].iso[:16]} to {night.table['start'][-1].iso[:16]} UTC"
            )
    return [_part(night, name, numbers == k) for k, name in enumerate(names)]


def _split_by(
    nights: Sequence[NightConfiguration], by: str | os.PathLike[str]
) -> list[NightConfiguration]:
    """Frames by a column of a user's table."""
    path, column = Path(by), COLUMN
    if not path.exists() and ":" in str(by):
        head, _, column = str(by).rpartition(":")
        path = Path(head)
    given = _read_given(path)
    for name in ("file", column):
        if name not in given.colnames:
            raise InputError(
                f"{path}: has no column {name}; it has {', '.join(given.colnames) or 'none'}"
            )
    labels = {
        os.path.basename(str(file)): str(label)
        for file, label in zip(given["file"], given[column], strict=True)
        if str(label)
    }
    parts = []
    for night in nights:
        mine = np.array([labels.get(os.path.basename(str(f)), "") for f in night.table["file"]])
        for label in dict.fromkeys(label for label in mine if label):
            name = label if len(nights) == 1 else f"{label}, {night.name}"
            parts.append(_part(night, name, mine == label))
    if not parts:
        raise InputError(f"{path}: names no frame of {nights[0].folder}")
    return parts


def _read_given(path: Path) -> Table:
    """A user's table, CSV or ECSV."""
    if not path.is_file():
        raise InputError(f"{path}: no such table")
    try:
        if path.suffix.lower() == ".ecsv":
            return files.read_table(path)
        return Table.read(path.read_text(encoding="utf-8-sig").splitlines(), format="ascii.csv")
    except Exception as error:  # the readers raise exceptions of many kinds
        raise InputError(
            f"{path}: cannot be read as a table ({type(error).__name__}); CSV with the columns "
            f"file and {COLUMN} is expected"
        ) from error


def _name(parts: Sequence[NightConfiguration], names: Sequence[str]) -> list[NightConfiguration]:
    """The parts under the names given, or under their own made different."""
    if names and len(names) != len(parts):
        raise InputError(
            f"--name: {len(names)} given for {len(parts)} configurations "
            f"({', '.join(part.name for part in parts)})"
        )
    chosen = list(names) or [part.name for part in parts]
    if not names and len(set(chosen)) < len(chosen):
        chosen = [str(part.folder) for part in parts]
        if len(set(chosen)) < len(chosen):
            chosen = [f"{name} ({k})" for k, name in enumerate(chosen, 1)]
    double = sorted({name for name in chosen if chosen.count(name) > 1})
    if double:
        raise InputError(f"--name: {double[0]} is given twice")
    return [
        NightConfiguration(name=name, folder=part.folder, table=part.table, summary=part.summary)
        for name, part in zip(chosen, parts, strict=True)
    ]
