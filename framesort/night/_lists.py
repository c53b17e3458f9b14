"""The two sets of each group for others to take up: lists, links, collections."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.errors import OutputError
from framesort.files import write_text
from framesort.night._fields import placed_only, unplaced_rows

__all__ = ["list_sets", "list_unplaced", "write_sets"]

KINDS = ("sharp", "deep")
UNPLACED = "unmatched"


def list_sets(
    table: Table, *, make: Callable[[list[str]], Any] | None = None
) -> dict[str, dict[str, Any]]:
    """The files of both sets of each group.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A sorted night: columns file, group, grade, sharp_set, deep_set.
    make : callable or None
        Makes of a list of paths what the caller works with; None leaves the lists. With
        ccdproc: ``lambda paths: ImageFileCollection(filenames=paths)``. An empty list stays one.

    Returns
    -------
    dict of str to dict
        ``sets[group]["sharp"]`` and ``sets[group]["deep"]``, absolute paths in the order of the
        table. Once frames were registered, those that match no other are in neither.
    """
    sets: dict[str, dict[str, Any]] = {}
    table = placed_only(table)
    for label in sorted({str(row["group"]) for row in table if row["grade"]}):
        sets[label] = {}
        for kind in KINDS:
            paths = [
                os.path.abspath(str(row["file"]))
                for row in table
                if row["group"] == label and row[f"{kind}_set"]
            ]
            sets[label][kind] = make(paths) if make is not None and paths else paths
    return sets


def list_unplaced(table: Table) -> dict[str, list[str]]:
    """Frames of each group that were to be stacked, but match none of the others; by group."""
    found: dict[str, list[str]] = {}
    chosen = np.asarray(table["sharp_set"], bool) | np.asarray(table["deep_set"], bool)
    for row in table[unplaced_rows(table) & chosen]:
        found.setdefault(str(row["group"]), []).append(os.path.abspath(str(row["file"])))
    return found


def write_sets(folder: Path, table: Table, *, null: bool = False, link: bool = False) -> None:
    """Write a list a set and, if wanted, a folder of symbolic links a set.

    Parameters
    ----------
    folder : path
        Those of sets that are no more are removed from it.
    table : `~astropy.table.Table`
        A sorted night.
    null : bool
        End paths with NUL in place of a line break.
    link : bool
        Make folders of links beside the lists. Names that several frames of a set share are
        distinguished by the name of the folder they lie in, then by a number.

    Raises
    ------
    OutputError
        A link cannot be made here.
    """
    _clear(folder)
    for label, paths in list_unplaced(table).items():
        _write_list(folder / f"{label}-{UNPLACED}.txt", paths, null=null)
    for label, kinds in list_sets(table).items():
        for kind, paths in kinds.items():
            _write_list(folder / f"{label}-{kind}.txt", paths, null=null)
            if link:
                _write_links(folder / f"{label}-{kind}", paths)


def _clear(folder: Path) -> None:
    """Remove what an earlier run wrote; what others put here stays."""
    for kind in (*KINDS, UNPLACED):
        for path in folder.glob(f"*-{kind}.txt"):
            path.unlink()
        for path in folder.glob(f"*-{kind}"):
            if not path.is_dir() or path.is_symlink():
                continue
            for entry in path.iterdir():
                if entry.is_symlink():
                    entry.unlink()
            if not any(path.iterdir()):
                path.rmdir()


def _write_list(path: Path, names: Sequence[str], *, null: bool) -> None:
    """One path a line; a name that itself holds a line break makes the list NUL-separated."""
    end = "\0" if null or any("\n" in name or "\r" in name for name in names) else "\n"
    write_text(path, "".join(name + end for name in names))


def _write_links(folder: Path, paths: Sequence[str]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, name in zip(paths, link_names(paths), strict=True):
            (folder / name).symlink_to(path)
    except OSError as error:
        raise OutputError(
            f"{folder}: links cannot be made here ({error.strerror}); leave out --link and use "
            f"the list {folder}.txt"
        ) from error


def link_names(paths: Sequence[str]) -> list[str]:
    """A name for each path, unique regardless of case."""
    plain = [Path(path).name for path in paths]
    longer = [f"{Path(path).parent.name}-{Path(path).name}" for path in paths]
    count = _occurrences(plain)
    names = [
        short if count[short.casefold()] == 1 else long
        for short, long in zip(plain, longer, strict=True)
    ]
    count = _occurrences(names)
    return [
        name if count[name.casefold()] == 1 else f"{k:04d}-{name}"
        for k, name in enumerate(names, start=1)
    ]


def _occurrences(names: Sequence[str]) -> dict[str, int]:
    count: dict[str, int] = {}
    for name in names:
        count[name.casefold()] = count.get(name.casefold(), 0) + 1
    return count
