"""The folder of results: what stands in it, one run at a time, nothing overwritten unasked."""

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from filelock import FileLock, Timeout

from framesort import __version__, files
from framesort.errors import InputError, OutputError
from framesort.files import json_text, remove_leftovers, safe_name, write_text
from framesort.records import NightSummary

__all__ = [
    "CACHE",
    "PRODUCTS",
    "SCRATCH",
    "TIFF_PRODUCTS",
    "hold_folder",
    "read_logs",
    "read_sorted",
    "read_summary",
    "read_table",
    "stage_done",
    "write_summary",
]

SUMMARY = "night.json"
TABLE = "frames.ecsv"
LOCK = ".lock"
SCRATCH = ".scratch"
CACHE = "cache"
PRODUCTS = (
    "deep.fits",
    "sharp.fits",
    "final.fits",
    "stars.fits",
    "background.fits",
    "mask.fits",
    "residual.fits",
    "stars.ecsv",
    "final.tif",
    "stars.tif",
    "background.tif",
)
"""Files of a group's folder."""
TIFF_PRODUCTS = PRODUCTS[-3:]
_LIBRARIES = ("numpy", "scipy", "astropy", "photutils", "scikit-image", "reproject", "numba")


@contextmanager
def hold_folder(folder: str | os.PathLike[str], *, make: bool) -> Iterator[Path]:
    """Hold a result folder for one run; a second run at the same time is refused.

    Parameters
    ----------
    folder : path
        The folder.
    make : bool
        Make it where it is not there.

    Yields
    ------
    `~pathlib.Path`
        The folder, rid of what a killed run left half done.

    Raises
    ------
    InputError
        It is not there and `make` is false.
    OutputError
        It cannot be made or written, another run holds it, or it holds files by the names
        of results that no run wrote.
    """
    path = Path(folder)
    if not make and not path.is_dir():
        raise InputError(f"{path}: no such folder; run `framesort sort` first")
    if make:  # else it is a result's already
        _check_ours(path)
    lock = FileLock(path / LOCK)
    try:
        path.mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout as error:
        raise OutputError(
            f"{path}: another run is writing here; wait for it or choose another folder"
        ) from error
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from error
    except NotImplementedError as error:
        raise OutputError(
            f"{path}: this file system has no locks; choose a folder elsewhere"
        ) from error
    try:
        _tidy(path)
        yield path
    finally:
        shutil.rmtree(path / SCRATCH, ignore_errors=True)
        lock.release()


def _check_ours(path: Path) -> None:
    """Refuse a folder in which a run would write over somebody's own files."""
    if not path.is_dir() or (path / LOCK).exists() or (path / SUMMARY).exists():
        return
    names = [TABLE, "heater.ecsv", "report.html", "preview.png", *(f"*/{n}" for n in PRODUCTS)]
    for name in names:
        for found in path.glob(name):
            raise OutputError(
                f"{found}: stands where a result would be written, and no run of framesort wrote "
                "it; choose another folder"
            )


def _tidy(path: Path) -> None:
    """Remove what a killed run left."""
    shutil.rmtree(path / SCRATCH, ignore_errors=True)
    for folder in (path, *path.iterdir()):
        if folder.is_dir() and not folder.is_symlink():
            remove_leftovers(folder)


def read_summary(folder: Path) -> NightSummary:
    """The contents of night.json; an empty summary where there is none.

    Raises
    ------
    InputError
        It is there but damaged.
    """
    path = folder / SUMMARY
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return NightSummary()
    except (OSError, ValueError) as error:
        raise InputError(
            f"{path}: cannot be read ({error}); delete it and sort the night again"
        ) from error
    return NightSummary.from_json(text, where=str(path))


def stage_done(folder: Path, stage: str) -> bool:
    """Whether "sort" or "merge" was finished here."""
    try:
        return bool(getattr(read_summary(folder).stages, stage))
    except InputError:
        return False


def write_summary(folder: Path, summary: NightSummary) -> NightSummary:
    """Write night.json, signed with the versions of what made it; return it as written."""
    signed = replace(
        summary,
        framesort=__version__,
        created=datetime.now(UTC).isoformat(timespec="seconds"),
        versions={"python": sys.version.split()[0], **_versions()},
    )
    write_text(folder / SUMMARY, json_text(signed.to_plain()) + "\n")
    return signed


def _versions() -> dict[str, str]:
    found = {}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def read_table(folder: Path) -> Table:
    """The night's table of a sorted folder.

    Raises
    ------
    InputError
        It is not there or damaged.
    """
    path = folder / TABLE
    if not path.exists():
        raise InputError(f"{folder}: holds no {TABLE}; run `framesort sort` first")
    try:
        table = files.read_table(path)
    except Exception as error:
        raise InputError(
            f"{path}: cannot be read ({type(error).__name__}); sort the night again"
        ) from error
    for name in table.colnames:  # texts as objects, so that longer reasons fit
        if not isinstance(table[name], Time) and table[name].dtype.kind in "UO":
            filled: Any = np.ma.filled(np.ma.asarray(table[name], dtype=object), "")
            description = table[name].info.description
            table[name] = np.array([str(text) for text in filled], dtype=object)
            table[name].info.description = description
    missing = {"file", "group", "sharp_set", "deep_set", "weight_sharp", "weight_deep"} - set(
        table.colnames
    )
    if missing:
        raise InputError(
            f"{path}: lacks the columns {', '.join(sorted(missing))}; sort the night again"
        )
    for label in sorted(set(table["group"]) - {""}):
        if label != safe_name(label):  # names a folder, and the table may have been edited
            raise InputError(f"{path}: {label!r} cannot name a group; sort the night again")
    return table


def read_sorted(folder: str | os.PathLike[str]) -> tuple[Table, NightSummary]:
    """The table and the summary of a sorted night.

    Raises
    ------
    InputError
        The folder holds none, or a damaged one.
    """
    path = Path(folder)
    if not path.is_dir():
        raise InputError(f"{path}: no such folder; run `framesort sort` first")
    return read_table(path), read_summary(path)


def read_logs(path: str | Path) -> list[str]:
    """The heater logs of an earlier run, as its night.json names them; none without a log.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: settings cannot be read ({error})") from error
    named = NightSummary.from_json(text, where=str(path)).heater.log
    return [name for name in named.split("; ") if name]
