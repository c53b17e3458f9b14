"""Mean stars of the configurations of a comparison, from the pixels of their frames."""

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framesort.comparison import (
    Configuration,
    Frames,
    FrameStar,
    StarOptions,
    StarsOfFrames,
    combine_mean_stars,
    describe_mean_star,
    measure_stars_of_frames,
    read_rows,
    stack_star_images,
)
from framesort.night._configurations import NightConfiguration
from framesort.night._folder import CACHE
from framesort.night._read import measure_table, settle_masters, table_patterns
from framesort.night._run import NightRun, StageProgress
from framesort.records import MeanStar, Note
from framesort.settings import Settings

__all__ = ["ConfigurationStars", "measure_configurations"]


@dataclass(frozen=True, kw_only=True)
class ConfigurationStars:
    """What the pixels of all configurations add to a comparison.

    Attributes
    ----------
    configurations : tuple of Configuration
        Their tables hold the columns halo and kernel_blur_squared.
    stars : tuple of MeanStar
        In order of configuration, filter, exposure and power.
    images : (n, ny, nx) float32 ndarray
        Their images, on one scale.
    step : float
        Arcsec, or pixels, a sample.
    notes : tuple of Note
        On frames that could not be read again.
    """

    configurations: tuple[Configuration, ...]
    stars: tuple[MeanStar, ...]
    images: NDArray[np.float32]
    step: float
    notes: tuple[Note, ...] = ()


def measure_configurations(
    parts: Sequence[NightConfiguration],
    configurations: Sequence[Configuration],
    *,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> ConfigurationStars:
    """Average the stars of the frames that are compared, and measure halo and added blur.

    Parameters
    ----------
    parts : sequence of NightConfiguration
    configurations : sequence of Configuration
        Of the same parts, in their order, with known spike angles.
    executor, progress
        As for `compare_nights`.
    """
    frames = [read_rows(one) for one in configurations]
    scales = [one.scale for one in configurations]
    in_arcsec = bool(np.isfinite(scales).all())
    scales = scales if in_arcsec else [1.0] * len(scales)
    widest = max(scale * _widest(rows) for scale, rows in zip(scales, frames, strict=True))
    changed: list[Configuration] = []
    notes: list[Note] = []
    stars: list[tuple[FrameStar, float]] = []
    records: list[MeanStar] = []
    runs: dict[Path, NightRun] = {}
    for part, one, rows, scale in zip(parts, configurations, frames, scales, strict=True):
        options = StarOptions(spike_angle=one.spike_angle, width=widest / scale)
        if part.folder not in runs:  # parts of one night share its masters, which are read once
            runs[part.folder] = _open_run(part, executor, progress)
        found = _measure_part(runs[part.folder], rows, options)
        notes += _note_unread(one.name, rows, found)
        table = rows.table.copy(copy_data=False)
        table["halo"], table["kernel_blur_squared"] = found.halo, found.kernel_blur_squared
        changed.append(replace(one, table=table))
        for star, off, names, exposure, power in _average(one, rows, found):
            record = describe_mean_star(
                star, off, names=names, exposure=exposure, power=power,
                pixel_scale=scale if in_arcsec else np.nan, image=len(stars),
            )  # fmt: skip
            stars.append((star, scale))
            records.append(record)
    images, step = np.empty((0, 0, 0), np.float32), np.nan
    if stars:
        images, step = stack_star_images(
            [star for star, _ in stars], pixel_scale=[scale for _, scale in stars]
        )
    return ConfigurationStars(
        configurations=tuple(changed),
        stars=tuple(records),
        images=images,
        step=step,
        notes=tuple(notes),
    )


def _widest(rows: Frames) -> float:
    """The largest median FWHM of any filter, exposure and power, pixels."""
    fwhm, keys = rows.values("fwhm"), rows.group * len(rows.powers) + rows.level
    return max(float(np.median(fwhm[keys == key])) for key in np.unique(keys))


def _open_run(
    part: NightConfiguration, executor: Executor | None, progress: StageProgress | None
) -> NightRun:
    """A run with the settings and the kept measurements of a configuration's night."""
    settings = Settings.from_mapping(part.summary.settings, where=str(part.folder))
    return NightRun(
        settings=settle_masters(settings),
        executor=executor,
        progress=progress,
        cache=part.folder / CACHE,
    )


def _measure_part(run: NightRun, rows: Frames, options: StarOptions) -> StarsOfFrames:
    """Star lists as kept with the night, then the mean star of each frame."""
    table = rows.table
    reader, _ = run.reader(table)
    qualities = measure_table(run, table, reader)
    for k in np.flatnonzero(table_patterns(table) != ""):
        qualities[k] = replace(qualities[k], reason="colour frame")
    return measure_stars_of_frames(
        [str(file) for file in table["file"]],
        qualities,
        group=[str(number) for number in rows.group],
        off=rows.off.tolist(),
        options=options,
        read=reader,
        executor=run.executor,
        progress=run.stage("averaging stars"),
    )


def _average(
    one: Configuration, rows: Frames, found: StarsOfFrames
) -> Iterator[tuple[FrameStar, FrameStar, tuple[str, str], float, float]]:
    """Mean star of each filter, exposure and power, with that with the heater off."""
    for number, (name, exposure) in enumerate(rows.groups):
        off = FrameStar(reason="few stars")
        for level, power in enumerate(rows.powers):
            mine = np.flatnonzero((rows.group == number) & (rows.level == level))
            star = combine_mean_stars(
                [found.stars[k] for k in mine],
                fwhm=found.fwhm_off[str(number)],
                spike_angle=one.spike_angle,
            )
            if not star:
                continue
            off = star if level == 0 else off
            yield star, off if off else star, (one.name, name), exposure, float(power)


def _note_unread(name: str, rows: Frames, found: StarsOfFrames) -> list[Note]:
    """A note on frames whose stars could not be averaged."""
    bad = [k for k, star in enumerate(found.stars) if not star]
    if not bad:
        return []
    file = str(rows.table["file"][bad[0]])
    text = (
        f"{name}: the stars of {len(bad)} of {len(found.stars)} frames could not be averaged, so "
        f"halo, mean stars and blur from profiles are without them (first: "
        f"{os.path.basename(file)}: {found.stars[bad[0]].reason})"
    )
    return [Note("stars not averaged", text, [str(rows.table["file"][k]) for k in bad])]
