"""What a caller has in memory: frames as `CCDData`, a heater log as table or quantity."""

import atexit
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np
from astropy import units as u
from astropy.nddata import NDData
from astropy.table import Table
from astropy.time import Time

from framesort.errors import InputError, OutputError
from framesort.files import write_fits
from framesort.heater import LogOptions, make_stepped_heater, read_heater_log
from framesort.images import as_picture
from framesort.records import HeaterTrace

__all__ = ["as_heater", "list_frames", "store_frames", "trace_of_table"]

FRAMES = "frames"
"""Folder within the results where frames that came from memory are written."""


def list_frames(frames: Any) -> Any:
    """Frames as `find_frames` takes them, or as a list with CCDData among paths.

    Raises
    ------
    InputError
        An entry is neither a path nor a CCDData.
    """
    if isinstance(frames, NDData):
        return [frames]
    if not isinstance(frames, Iterable) or isinstance(frames, str | os.PathLike | Table):
        return frames
    if hasattr(frames, "files_filtered"):
        return frames
    listed = list(frames)
    for number, frame in enumerate(listed, 1):
        if not isinstance(frame, str | os.PathLike | NDData):
            raise InputError(
                f"frames: entry {number} is {type(frame).__name__}; frames are paths, CCDData, a "
                "table with the column file, or a collection of images"
            )
    return listed


def store_frames(frames: Any, results: Path | None) -> tuple[list[Any] | Any, list[Path]]:
    """Write the CCDData among frames to files, since a night is read more than once.

    Parameters
    ----------
    frames : as `list_frames` gives them
    results : path or None
        Folder of results, in whose ``frames`` they are put; None for a temporary folder that
        goes when Python ends.

    Returns
    -------
    others : list
        What is no CCDData.
    paths : list of path
        The files, in the order of the CCDData. Masked pixels are NaN, the unit is BUNIT; where
        it is electrons, EGAIN is 1.
    """
    if not isinstance(frames, list) or not any(isinstance(f, NDData) for f in frames):
        return frames, []
    if results is None:
        folder = Path(tempfile.mkdtemp(prefix="framesort-frames-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    else:
        folder = results / FRAMES
        try:
            folder.mkdir(exist_ok=True)
            for path in folder.glob("frame-*.fits"):  # of an earlier run
                path.unlink()
        except OSError as error:
            raise OutputError(f"{folder}: cannot be written ({error.strerror})") from error
    held = [frame for frame in frames if isinstance(frame, NDData)]
    paths = []
    for number, frame in enumerate(held, 1):
        picture = as_picture(frame, name=f"frame {number}")
        if getattr(frame, "unit", None) == u.electron:
            picture.header["EGAIN"] = (1.0, "[e/adu] the pixels are electrons")
        paths.append(folder / f"frame-{number:04d}.fits")
        write_fits(paths[-1], picture.data, picture.header)
    return [frame for frame in frames if not isinstance(frame, NDData)], paths


def as_heater(heater: Any) -> Any:
    """A heater log in any form, as path, number, trace, table, a list of these, or None.

    Parameters
    ----------
    heater : path, number, `~astropy.units.Quantity`, HeaterTrace, Table, mappings, list or None
        A quantity is percent or a share without dimension. A mapping of columns and a list of
        mappings, one a row, become a table.

    Raises
    ------
    InputError
        It is none of these.
    """
    if isinstance(heater, u.Quantity):
        try:
            return float(heater.to_value(u.percent))
        except (u.UnitConversionError, TypeError):
            raise InputError(
                f"heater: {heater!r} is no single power in percent; give 30 * u.percent, a share "
                "without dimension, or a log"
            ) from None
    if isinstance(heater, Mapping):
        return _table(heater)
    if isinstance(heater, list | tuple):
        if heater and all(isinstance(row, Mapping) for row in heater):
            return _table(list(heater))
        return [as_heater(one) for one in heater]
    if isinstance(heater, Real) and not isinstance(heater, bool | np.bool_):
        return float(heater)
    if heater is None or isinstance(heater, str | os.PathLike | HeaterTrace | Table):
        return heater
    raise InputError(
        f"heater: {type(heater).__name__} is not a heater log; a path, a table of time and power, "
        "a power in percent (number or quantity), a HeaterTrace or a list of these is needed"
    )


def _table(rows: Mapping[str, Any] | Sequence[Mapping[str, Any]]) -> Table:
    try:
        return Table(rows)
    except (TypeError, ValueError, KeyError) as error:
        raise InputError(f"heater: the rows make no table ({error})") from error


def trace_of_table(table: Table, options: LogOptions) -> HeaterTrace:
    """A log that is a table: what its file would mean, with the same options.

    Columns ``time``, as `~astropy.time.Time` or datetimes, and ``power`` are steps in memory: each
    power holds until the next moment.
    """
    if {"time", "power"} <= set(table.colnames):
        time = table["time"]
        if isinstance(time, Time) or (len(time) and hasattr(time[0], "isoformat")):
            return make_stepped_heater(table)
    return read_heater_log(table, options)
