"""Files that lie among the frames of a night and are none."""

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import Note

__all__ = ["describe_targets", "without_others"]


def without_others(table: Table, masters: Sequence[str]) -> tuple[Table, list[Note]]:
    """The table without what is not a requested frame of the night.

    That is darks, flats, bias, the masters given, products of this library, and frames of other
    targets than those wanted.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Of `framesort.frames.read_frames`.
    masters : sequence of path
        Master frames that the user named.

    Returns
    -------
    table : `~astropy.table.Table`
    notes : list of Note
        One on each kind that was left out.

    Raises
    ------
    InputError
        No row is left.
    """
    codes = [set(str(reason).split("; ")) for reason in table["reason"]]
    real = {os.path.realpath(path) for path in masters}
    own = np.array(["own product" in those for those in codes], dtype=bool)
    others = np.array(["other target" in those for those in codes], dtype=bool)
    barred = np.array(
        [
            "calibration frame" in those or os.path.realpath(str(file)) in real
            for those, file in zip(codes, table["file"], strict=True)
        ],
        dtype=bool,
    )
    if len(table) and (own | barred).all():
        what = [
            *(["darks, flats or bias"] if barred.any() else []),
            *(["stacks and pictures that framesort wrote"] if own.any() else []),
        ]
        raise InputError(
            f"all {len(table)} files are {' or '.join(what)}; name the exposures of the sky"
        )
    notes = []
    if barred.any():
        text = (
            f"{barred.sum()} darks, flats or bias among the files left out "
            f"(first: {_first(table, barred)})"
        )
        notes.append(Note("calibration frames", text, _files(table, barred)))
    if own.any():
        text = (
            f"{own.sum()} stacks and pictures that framesort wrote among the files left out: they "
            f"are no exposures (first: {_first(table, own)})"
        )
        notes.append(Note("own products", text, _files(table, own)))
    if others.any():
        text = f"{others.sum()} frames of other targets left out (first: {_first(table, others)})"
        notes.append(Note("other targets", text, _files(table, others)))
    return table[~(own | barred | others)], notes


def _files(table: Table, rows: NDArray[np.bool_]) -> list[str]:
    return [str(file) for file in table["file"][rows]]


def _first(table: Table, rows: NDArray[np.bool_]) -> str:
    return Path(_files(table, rows)[0]).name


def describe_targets(table: Table) -> list[Note]:
    """A note where a night's frames show several targets."""
    if "target" not in table.colnames:
        return []
    names = [str(name) for name in table["target"] if name]
    counts = {name: names.count(name) for name in dict.fromkeys(names)}
    if len(counts) < 2:
        return []
    listed = ", ".join(f"{name} ({count} frames)" for name, count in counts.items())
    text = (
        f"{len(counts)} targets among the frames: {listed}; each is processed separately, "
        "--target NAME takes one (names of one field: --target again for each)"
    )
    return [Note("several targets", text)]
