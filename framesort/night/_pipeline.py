"""The pipeline into a folder: sort, merge, or both. Read it top to bottom: `process_night`."""

import logging
import os
import time
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from astropy.nddata import CCDData
from astropy.table import Table

from framesort.errors import OutputError
from framesort.frames import check_apart
from framesort.night._folder import (
    CACHE,
    SCRATCH,
    hold_folder,
    read_summary,
    read_table,
    stage_done,
    write_summary,
)
from framesort.night._kept import KeptStacks
from framesort.night._memory import list_frames
from framesort.night._merge import MERGING_LOOPS, MergedGroup, merge_step
from framesort.night._notes import log_notes
from framesort.night._pages import NightPages
from framesort.night._place import PlacedNight, place_step
from framesort.night._products import remove_products, write_group, write_night_tables
from framesort.night._read import measure_table, settle_masters
from framesort.night._run import NightRun, StageProgress
from framesort.night._sort import SortedNight, log_name, sort_step
from framesort.night._states import Heater
from framesort.night._summary import add_left_out, add_merged, add_placed, summarise_night
from framesort.records import FrameQuality, NightSummary, Note, Stages
from framesort.settings import Settings

__all__ = ["NightResult", "merge_night", "process_night", "sort_night"]

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, kw_only=True)
class NightResult:
    """What a run left in its folder.

    Attributes
    ----------
    folder : `~pathlib.Path`
        The folder.
    table : `~astropy.table.Table`
        As in frames.ecsv.
    summary : NightSummary
        As in night.json.
    """

    folder: Path
    table: Table
    summary: NightSummary = field(repr=False)

    @property
    def status(self) -> int:
        """0 done, 1 something was left out, 3 no group has what its stars could be taken from."""
        merged = self.summary.stages.merge
        served = [
            group.replaced is not None if merged else group.sharp.frames > 0
            for group in self.summary.groups
        ]
        if not any(served):
            return 3
        return 0 if all(served) and not self.summary.left_out else 1


def sort_night(
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    *,
    out: str | os.PathLike[str],
    heater: Heater = None,
    settings: Settings | None = None,
    stars: Mapping[Any, Any] | Sequence[Any] | None = None,
    cache: bool = True,
    overwrite: bool = False,
    command: str = "",
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> NightResult:
    """Measure, tag and select a night's frames; write table, set lists and report.

    Parameters
    ----------
    frames : iterable of path or `~astropy.nddata.CCDData`
        Files, folders, patterns, list files; see `framesort.frames.find_frames`. CCDData are
        written into the folder's ``frames``, mask and unit with them.
    out : path
        Folder for the results, made where it is not there. Nothing else is written.
    heater : path, float, Quantity, HeaterTrace, Table, mappings, a list of these, or None
        As for `framesort.night.sort_frames`.
    settings : Settings or None
        None for the defaults.
    stars : mapping, sequence or None
        Star lists measured elsewhere, as for `framesort.night.sort_frames`. `merge_night`
        measures frames itself.
    cache : bool
        Keep measurements in the folder and use those of an earlier run.
    overwrite : bool
        Replace a finished result; one that was interrupted is continued anyway.
    command : str
        The call, for the record.
    executor : `~concurrent.futures.Executor` or None
        Where to compute; None for this process.
    progress : callable or None
        Takes a stage's name, gives a callable that wraps its iteration.

    Raises
    ------
    InputError, OutputError, NotEnoughFramesError
        One line: what, where, what to do.
    """
    frames = list_frames(frames)
    check_apart(frames, out)
    with hold_folder(out, make=True) as folder:
        if stage_done(folder, "sort") and not overwrite:
            raise OutputError(f"{folder}: holds a sorted night; give --overwrite to replace it")
        run = _start(folder, settings, cache, executor, progress)
        night = _sort_into(run, folder, frames, heater, stars, command)
        pages = NightPages(run, folder)
        return _finish(pages, folder, night.table, read_summary(folder), merged=False)


def merge_night(
    folder: str | os.PathLike[str],
    *,
    settings: Settings | None = None,
    transforms: Mapping[Any, Any] | Sequence[Any] | None = None,
    overwrite: bool = False,
    command: str = "",
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> NightResult:
    """Register and stack both sets of a sorted night, replace the stars, write all of it.

    Parameters
    ----------
    folder : path
        What `sort_night` wrote.
    settings : Settings or None
        None for those the night was sorted with.
    transforms : mapping, sequence or None
        Found elsewhere, as for `framesort.night.place_frames`.
    overwrite, command, executor, progress
        As for `sort_night`.

    Raises
    ------
    InputError, OutputError, NotEnoughFramesError
        As `sort_night`.
    """
    with hold_folder(folder, make=False) as held:
        table = read_table(held)
        summary = read_summary(held)
        if stage_done(held, "merge") and not overwrite:
            raise OutputError(f"{held}: holds a merged night; give --overwrite to replace it")
        if settings is None:
            settings = Settings.from_mapping(summary.settings, where=f"{held}/night.json")
        run = _start(held, settings, True, executor, progress, MERGING_LOOPS)
        reader, _ = run.reader(table)
        qualities = measure_table(run, table, reader)
        summary = replace(
            summary,
            settings=run.settings.as_dict(),
            command=command or summary.command,
            stages=Stages(sort=True),
        )
        write_summary(held, summary)
        pages = NightPages(run, held)
        summary = _merge_into(run, held, table, qualities, summary, transforms, pages)
        return _finish(pages, held, table, summary, merged=True)


def process_night(
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    *,
    out: str | os.PathLike[str],
    heater: Heater = None,
    settings: Settings | None = None,
    stars: Mapping[Any, Any] | Sequence[Any] | None = None,
    transforms: Mapping[Any, Any] | Sequence[Any] | None = None,
    cache: bool = True,
    overwrite: bool = False,
    command: str = "",
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> NightResult:
    """Sort a night and merge it: frames and heater log in, star-replaced pictures out.

    Parameters and errors are those of `sort_night`; `transforms` as for `place_frames`.
    """
    begin = time.time()
    frames = list_frames(frames)
    check_apart(frames, out)
    with hold_folder(out, make=True) as folder:
        if stage_done(folder, "merge") and not overwrite:
            raise OutputError(f"{folder}: holds a merged night; give --overwrite to replace it")
        run = _start(folder, settings, cache, executor, progress, MERGING_LOOPS)
        night = _sort_into(run, folder, frames, heater, stars, command)
        summary = read_summary(folder)
        pages = NightPages(run, folder)
        summary = _merge_into(run, folder, night.table, night.qualities, summary, transforms, pages)
        changed = _note_changed(night.table, begin)
        summary = replace(summary, notes=(*summary.notes, *changed))
        return _finish(pages, folder, night.table, summary, merged=True)


def _start(
    folder: Path,
    settings: Settings | None,
    cache: bool,
    executor: Executor | None,
    progress: StageProgress | None,
    loops: tuple[str, ...] = ("stars",),
) -> NightRun:
    """A run that keeps its measurements and stacks in the folder."""
    return NightRun(
        settings=settle_masters(Settings() if settings is None else settings),
        executor=executor,
        progress=progress,
        cache=folder / CACHE if cache else None,
        scratch=folder / SCRATCH,
        kept=KeptStacks(folder, folder / CACHE / "stacks") if cache else None,
        loops=loops,
    )


def _sort_into(
    run: NightRun,
    folder: Path,
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    heater: Heater,
    stars: Mapping[Any, Any] | Sequence[Any] | None,
    command: str,
) -> SortedNight:
    """Sort and write everything but the report."""
    before = read_summary(folder)
    night = sort_step(run, frames, heater=heater, exclude=folder, stars=stars)
    if before != NightSummary():  # from here on the earlier result is no more
        write_summary(folder, replace(before, stages=Stages()))
    labels = [group.label for group in before.groups]
    if run.kept is not None:
        run.kept.set_aside(labels)
    remove_products(folder, labels)
    write_night_tables(folder, night.table, night.trace, night.settings)
    summary = summarise_night(night, log=log_name(heater))
    write_summary(folder, replace(summary, command=command))
    return night


def _merge_into(
    run: NightRun,
    folder: Path,
    table: Table,
    qualities: Sequence[FrameQuality],
    summary: NightSummary,
    transforms: Mapping[Any, Any] | Sequence[Any] | None,
    pages: NightPages,
) -> NightSummary:
    """Merge and write everything but the report; `table` gains columns, the summary is renewed."""
    settings, kept = run.settings, run.kept
    placed = place_step(run, table, qualities, transforms=transforms)
    summary = add_placed(summary, table, placed, settings, folder)
    write_night_tables(folder, table, None, settings)
    pages.draw_ahead()
    scratch = folder / SCRATCH
    try:
        scratch.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"{scratch}: cannot be written ({error.strerror})") from error
    merged: list[str] = []
    lost: list[Note] = []

    def write(group: MergedGroup) -> None:
        lost[:] = write_group(folder, group, kept, settings=settings)

    for group in merge_step(run, table, qualities, placed, write=write):
        group = replace(group, notes=(*group.notes, *lost))
        merged.append(group.label)
        log_notes(_LOG, group.notes)
        summary = add_merged(summary, group)
        lost_frames = _not_stacked(group, table, placed)
        summary = add_left_out(summary, dict.fromkeys(lost_frames, "not stacked"))
    if kept is not None:
        kept.tidy(merged)
    return write_summary(folder, add_left_out(summary, dict(placed.left_out)))


def _not_stacked(group: MergedGroup, table: Table, placed: PlacedNight) -> list[str]:
    """Frames of the deep set that the stacker could not read any more; its notes say why."""
    wanted = [
        str(row["file"])
        for row, transform in zip(table, placed.transforms, strict=True)
        if row["group"] == group.label and row["weight_deep"] > 0 and transform
    ]
    used = set(group.deep.frames)
    # A stacker that does not name its frames is not checked.
    return [file for file in wanted if file not in used] if used & set(wanted) else []


def _note_changed(table: Table, begin: float) -> list[Note]:
    """A note on frames that were written to since the run began."""
    changed = []
    for file in map(str, table["file"]):
        with suppress(OSError):
            if begin <= os.stat(file).st_mtime <= time.time():
                changed.append(file)
    if not changed:
        return []
    what = "1 frame was" if len(changed) == 1 else f"{len(changed)} frames were"
    text = (
        f"{what} changed during the run, and the results may not belong to what is there now: "
        f"run it again with --overwrite (first: {os.path.basename(changed[0])})"
    )
    return [Note("changed", text, changed)]


def _finish(
    pages: NightPages, folder: Path, table: Table, summary: NightSummary, *, merged: bool
) -> NightResult:
    """Write preview and report, and mark the run done last: a killed run is continued."""
    pages.write(preview=merged)
    summary = write_summary(folder, replace(summary, stages=Stages(sort=True, merge=merged)))
    return NightResult(folder=folder, table=table, summary=summary)
