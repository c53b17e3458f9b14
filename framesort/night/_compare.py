"""Nights compared: folders of results to differences, mean stars and a page."""

import math
import os
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

from framesort import __version__
from framesort.comparison import Configuration, compare_configurations
from framesort.errors import InputError, OutputError
from framesort.files import json_text, write_fits, write_table, write_text
from framesort.night._configurations import read_configurations
from framesort.night._folder import hold_folder
from framesort.night._mean_stars import ConfigurationStars, measure_configurations
from framesort.night._run import StageProgress
from framesort.records import PRODUCT_CARD, PRODUCT_TEXT, Comparison, Interval

__all__ = ["CompareOptions", "ComparedNights", "compare_nights"]

SUMMARY = "comparison.json"
STARS = "stars.fits"
TABLES = {"effects": "effects.ecsv", "differences": "differences.ecsv"}


@dataclass(frozen=True, kw_only=True)
class CompareOptions:
    """What a caller of `compare_nights` can choose.

    Attributes
    ----------
    names : sequence of str
        One for each configuration; else those of the folders or of the parts.
    split : sequence of str
        Times, ISO 8601, at which something was changed during one night.
    by : path or None
        Table with the columns ``file`` and ``configuration``, or "TABLE:COLUMN".
    pixel_scales : sequence of float
        Arcsec a pixel: one for all configurations or one for each; empty for those of the headers.
    pixels : bool
        Read the frames again for mean stars, halo and added blur from profiles.
    """

    names: Sequence[str] = ()
    split: Sequence[str] = ()
    by: str | os.PathLike[str] | None = None
    pixel_scales: Sequence[float] = ()
    pixels: bool = True


@dataclass(frozen=True, kw_only=True)
class ComparedNights:
    """What `compare_nights` wrote.

    Attributes
    ----------
    folder : `~pathlib.Path`
    comparison : Comparison
    images : (n, ny, nx) float32 ndarray
        Mean stars, by the number in each of `Comparison.stars`; n is 0 without pixels.
    """

    folder: Path
    comparison: Comparison
    images: NDArray[np.float32]

    @property
    def status(self) -> int:
        """0 done, 1 something was left out, named in the notes."""
        return int(any(note.severity != "info" for note in self.comparison.notes))


def compare_nights(
    nights: Sequence[str | os.PathLike[str]],
    *,
    out: str | os.PathLike[str],
    options: CompareOptions | None = None,
    overwrite: bool = False,
    command: str = "",
    rng: np.random.Generator | None = None,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> ComparedNights:
    """Compare the heater's effect between nights, or between parts of one.

    Parameters
    ----------
    nights : sequence of path
        Folders that `sort_night` or `process_night` wrote; the first configuration is what the
        others are compared with.
    out : path
        Folder for the results: comparison.json, effects.ecsv, differences.ecsv, stars.fits,
        report.html. Nothing else is written.
    options : CompareOptions or None
        None for the defaults.
    overwrite : bool
        Replace an earlier comparison.
    command : str
        The call, for the record.
    rng : `~numpy.random.Generator` or None
        For the posterior draws; None for a fixed seed.
    executor : `~concurrent.futures.Executor` or None
        Where frames are read; None for this process.
    progress : callable or None
        Takes a stage's name, gives a callable that wraps its iteration.

    Returns
    -------
    ComparedNights

    Raises
    ------
    InputError
        The nights cannot be compared; the message names why.
    OutputError
        `out` holds a comparison already and `overwrite` is false, or cannot be written.
    """
    options = CompareOptions() if options is None else options
    parts = read_configurations(nights, names=options.names, split=options.split, by=options.by)
    target = Path(out)
    if (target / "night.json").exists():
        raise OutputError(f"{target}: holds a sorted night; choose another folder")
    if (target / SUMMARY).exists() and not overwrite:
        raise OutputError(f"{target}: holds a comparison; give --overwrite to replace it")
    scales = _pixel_scales(options.pixel_scales, len(parts))
    configurations = [
        Configuration(name=part.name, folder=str(part.folder), table=part.table, pixel_scale=scale)
        for part, scale in zip(parts, scales, strict=True)
    ]
    rng = np.random.default_rng(0) if rng is None else rng
    comparison = compare_configurations(configurations, rng=rng)  # refuses before pixels are read
    with hold_folder(target, make=True) as folder:
        if not options.pixels:
            return _write(folder, comparison, None, command=command)
        known = [
            replace(one, spike_angle=summary.spike_angle)
            for one, summary in zip(configurations, comparison.configurations, strict=True)
        ]
        found = measure_configurations(parts, known, executor=executor, progress=progress)
        comparison = compare_configurations(found.configurations, rng=rng)
        notes = (*comparison.notes, *found.notes)
        comparison = replace(comparison, stars=found.stars, notes=notes)
        return _write(folder, comparison, found, command=command)


def _pixel_scales(given: Sequence[float], number: int) -> Sequence[float]:
    """One for each configuration; NaN where the headers' counts."""
    if any(not 0 < scale < math.inf for scale in given):
        raise InputError(f"--pixel-scale must be above 0, got {', '.join(map(str, given))}")
    if len(given) not in (0, 1, number):
        raise InputError(f"--pixel-scale: {len(given)} given for {number} configurations")
    return given if len(given) == number else [given[0] if given else math.nan] * number


def _write(
    folder: Path, comparison: Comparison, found: ConfigurationStars | None, *, command: str
) -> ComparedNights:
    """Write everything, the summary last: it marks the comparison done."""
    (folder / SUMMARY).unlink(missing_ok=True)
    for name, path in TABLES.items():
        write_table(folder / path, _tabulate(getattr(comparison, name)))
    (folder / STARS).unlink(missing_ok=True)
    images = np.empty((0, 0, 0), np.float32) if found is None else found.images
    if found is not None and len(images):
        write_fits(folder / STARS, images, _star_cards(comparison, found.step))
    from framesort.report import write_comparison

    write_comparison(
        comparison,
        folder / "report.html",
        images=images if len(images) else None,
        command=command,
    )
    signed = {
        "framesort": __version__,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "command": command,
        **comparison.to_plain(),
    }
    write_text(folder / SUMMARY, json_text(signed) + "\n")
    return ComparedNights(folder=folder, comparison=comparison, images=images)


def _tabulate(rows: Sequence[Any]) -> Table:
    """Records as a table; a range becomes the columns NAME, NAME_low, NAME_high, ..."""
    plain = []
    for row in rows:
        values: dict[str, Any] = {}
        for one in fields(row):
            value = getattr(row, one.name)
            if isinstance(value, Interval):
                for edge in fields(value):
                    suffix = "" if edge.name == "value" else f"_{edge.name}"
                    values[one.name + suffix] = getattr(value, edge.name)
            else:
                values[one.name] = value
        plain.append(values)
    table = Table(rows=plain) if plain else Table()
    table.meta = {"framesort": __version__}
    return table


def _star_cards(comparison: Comparison, step: float) -> fits.Header:
    """What each plane of stars.fits is, and the size of its pixels."""
    header = fits.Header()
    header["CDELT1"] = header["CDELT2"] = (step, f"{comparison.unit} a pixel")
    header[PRODUCT_CARD] = ("mean stars", PRODUCT_TEXT)
    for star in comparison.stars:
        text = f"{star.configuration}, {star.filter} {star.exposure:g} s, {star.power:.0f} %"
        header[f"PLANE{star.image + 1}"] = text.encode("ascii", "replace").decode()[:60]
    return header
