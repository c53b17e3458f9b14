"""How the pixels of each frame come to measuring and stacking: calibrated, one plane at a time."""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.colour import GreenReader, check_pattern, restore_quality
from framesort.errors import FramesortError
from framesort.frames import FrameReader, Masters, make_reader, read_masters
from framesort.night._settings import Settings
from framesort.plugins import find_plugin
from framesort.quality import measure_frames
from framesort.records import FrameQuality, add_column, column_values
from framesort.workers import Progress

__all__ = [
    "check_patterns",
    "frame_reader",
    "given_masters",
    "measure_table",
    "settle_masters",
    "table_patterns",
]


def given_masters(settings: Settings) -> Masters:
    """The master frames that the settings name."""
    return read_masters(
        bias=settings.bias,
        dark=settings.dark,
        flat=settings.flat,
        flat_has_bias=settings.flat_has_bias,
    )


def settle_masters(settings: Settings) -> Settings:
    """The settings with absolute paths of masters, so that a night can be merged from anywhere."""

    def absolute(paths: Sequence[str]) -> tuple[str, ...]:
        return tuple(os.path.abspath(path) for path in paths)

    return replace(
        settings,
        bias=absolute(settings.bias),
        dark=absolute(settings.dark),
        flat=absolute(settings.flat),
    )


def frame_reader(table: Table, masters: Masters) -> tuple[FrameReader, list[str]]:
    """The reader of a night's frames, and what was assumed of the masters.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Rows without a group are no frames that could be calibrated.
    masters : Masters
        From `given_masters`.

    Raises
    ------
    InputError
        A master does not fit a frame.
    """
    paths = [str(row["file"]) for row in table if row["group"]]
    return make_reader(paths, masters)


def table_patterns(table: Table) -> np.ndarray:
    """The column `pattern`; "" where it is not there."""
    if "pattern" not in table.colnames:
        return np.full(len(table), "", dtype=object)
    return np.array([str(text) for text in table["pattern"]], dtype=object)


def check_patterns(table: Table, reader: FrameReader) -> list[str]:
    """Hold the filter arrays of the headers against the pixels of each group's first frame.

    The column `pattern` is set right; returns a sentence for each group where it was not.
    """
    patterns, notes = table_patterns(table), []
    for label in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(table["group"] == label)
        known = str(patterns[rows[0]])
        if known in ("", "RGB"):
            continue
        for row in rows[:3]:  # the first may be damaged
            try:
                pixels, _ = reader(str(table["file"][row]))
            except FramesortError:
                continue
            patterns[rows], note = check_pattern(pixels, known)
            notes += [f"{label}: {note}"] if note else []
            break
    if notes:
        add_column(table, "pattern", patterns)
    return notes


def measure_table(
    table: Table,
    reader: FrameReader,
    *,
    settings: Settings,
    cache: Path | None,
    executor: Executor | None,
    progress: Callable[[str], Progress] | None,
) -> list[FrameQuality]:
    """Measure every frame of a table: calibrated, colour frames on green.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs file, width, saturation, pattern.
    reader : FrameReader
        From `frame_reader`.
    settings, cache, executor, progress
        As for `framesort.night.sort_frames`.

    Returns
    -------
    list of FrameQuality
        One a row, in pixels of the frame.
    """
    measurer = find_plugin("star_measurer", settings.star_measurer)
    full = column_values(table, "saturation")
    files = [str(file) for file in table["file"]]
    patterns = table_patterns(table)
    found: list[FrameQuality] = [FrameQuality(reason="unreadable")] * len(table)
    giant = np.array(["too large" in str(reason).split("; ") for reason in table["reason"]])
    for row in np.flatnonzero(giant):
        found[row] = FrameQuality(reason="too large")
    for pattern in sorted(set(patterns)):
        rows = np.flatnonzero((patterns == pattern) & ~giant)
        if not rows.size:
            continue
        name = f"measuring stars{f' on green ({pattern})' if pattern else ''}"
        measured = measure_frames(
            [files[row] for row in rows],
            saturation=_levels(reader, [files[row] for row in rows], full[rows]),
            cache=cache,
            executor=executor,
            progress=None if progress is None else progress(name),
            measurer=measurer,
            read=GreenReader(pattern=str(pattern), read=reader) if pattern else reader,
        )
        for row, quality in zip(rows, measured, strict=True):
            on_lattice = pattern not in ("", "RGB")
            found[row] = (
                restore_quality(quality, str(pattern), int(table["width"][row]))
                if on_lattice
                else quality
            )
    return found


def _levels(reader: FrameReader, files: Sequence[str], full: Any) -> list[float | None]:
    """Level at which pixels are full as they are read; None where no header tells it."""
    levels = [reader.level(file, float(level)) for file, level in zip(files, full, strict=True)]
    return [level if level > 0 else None for level in levels]
