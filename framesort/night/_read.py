"""Measures the frames of a table: calibrated, one plane at a time."""

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.colour import GreenReader, check_pattern, restore_quality
from framesort.compiled import compile_loops
from framesort.errors import FramesortError
from framesort.frames import FrameReader
from framesort.night._run import NightRun
from framesort.quality import measure_frames
from framesort.records import FrameQuality, Note, add_column, column_values
from framesort.settings import Settings

__all__ = [
    "check_patterns",
    "measure_table",
    "settle_masters",
    "table_patterns",
]


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


def table_patterns(table: Table) -> np.ndarray:
    """The column `pattern`; "" where it is not there."""
    if "pattern" not in table.colnames:
        return np.full(len(table), "", dtype=object)
    return np.array([str(text) for text in table["pattern"]], dtype=object)


def check_patterns(table: Table, reader: FrameReader) -> list[Note]:
    """Compare the filter arrays of the headers with the pixels of each group's first frame.

    The column `pattern` is corrected; returns a note for each group where it had to be.
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
            patterns[rows], text = check_pattern(pixels, known)
            notes += [Note("filter array", f"{label}: {text}")] if text else []
            break
    if notes:
        add_column(table, "pattern", patterns)
    return notes


def measure_table(run: NightRun, table: Table, reader: FrameReader) -> list[FrameQuality]:
    """Measure every frame of a table: calibrated, colour frames on green.

    Parameters
    ----------
    run : NightRun
    table : `~astropy.table.Table`
        Needs file, width, saturation, pattern.
    reader : FrameReader
        From `NightRun.reader`.

    Returns
    -------
    list of FrameQuality
        One a row, in pixels of the frame.
    """
    compile_loops(*run.loops, executor=run.executor, progress=run.progress)
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
            cache=run.cache,
            executor=run.executor,
            progress=run.stage(name),
            measurer=run.star_measurer,
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
    """Saturation level of the pixels as read; None if no header gives it."""
    levels = [reader.level(file, float(level)) for file, level in zip(files, full, strict=True)]
    return [level if level > 0 else None for level in levels]
