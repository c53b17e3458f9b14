"""Second half of the pipeline: both sets on one grid, stacked, stars replaced."""

import logging
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table

from framesort.colour import green_plane
from framesort.compiled import compile_loops
from framesort.errors import FramesortError
from framesort.evidence import measure_spike_excess
from framesort.night._fields import target_of
from framesort.night._kept import KeptStacks
from framesort.night._notes import join_notes
from framesort.night._place import PlacedNight, in_a_set
from framesort.night._read import table_patterns
from framesort.night._run import NightRun, StageProgress
from framesort.night._stacks import GroupFrames, sign_frames, stack_group
from framesort.records import (
    FrameQuality,
    Note,
    Replacement,
    Stack,
    as_notes,
    column_values,
    unique_notes,
)
from framesort.replacement import (
    ReplacementCheck,
    ReplacementOptions,
    measure_replacement,
    replace_stars,
)
from framesort.settings import Settings
from framesort.workers import Progress, free_memory, worker_count

_LOG = logging.getLogger(__name__)

STACK_BYTES = 10  # of a pixel of a stack: value, weight, number of frames
REPLACEMENT_BYTES = 80  # of a pixel while stars are replaced and the result is measured and written

MERGING_LOOPS = ("stars", "stacking", "replacement")
"""Subpackages whose compiled loops every group needs that is merged."""

__all__ = ["MERGING_LOOPS", "MergedGroup", "merge_groups", "merge_step"]


@dataclass(frozen=True, kw_only=True)
class MergedGroup:
    """What merging gives for one group; what could not be made is None, with a note.

    `fwhm` [pix] and `spike` (share of star light in the spike, excess over the sharp stack) are
    measured on the results, by the names "deep", "sharp" and "final". `check` is what the
    replacement reached, None where stars were replaced in part only. `header` is that of the
    final picture: the deep stack's, with the times of the frames of both stacks.
    """

    label: str
    deep: Stack
    sharp: Stack | None = None
    header: Header | None = None
    replacement: Replacement | None = None
    fwhm: dict[str, float] = field(default_factory=dict)
    spike: dict[str, float] = field(default_factory=dict)
    check: ReplacementCheck | None = None
    notes: tuple[Note, ...] = ()


def merge_groups(
    table: Table,
    qualities: Sequence[FrameQuality],
    placed: PlacedNight,
    *,
    settings: Settings | None = None,
    scratch: Path | None = None,
    kept: KeptStacks | None = None,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> Iterator[MergedGroup]:
    """Stack both sets of each group and replace the stars, one group at a time.

    Parameters
    ----------
    table, qualities
        A sorted night.
    placed : PlacedNight
        From `place_frames`.
    settings, executor, progress
        As for `framesort.night.sort_frames`.
    scratch : path or None
        Folder for temporary files.
    kept : KeptStacks or None
        Stacks of earlier runs; None to make all anew.

    Returns
    -------
    iterator of MergedGroup
        Groups without any frame that can be stacked are left out.
    """
    run = NightRun(
        settings=Settings() if settings is None else settings,
        executor=executor,
        progress=progress,
        scratch=scratch,
        kept=kept,
    )
    return merge_step(run, table, qualities, placed)


def merge_step(
    run: NightRun,
    table: Table,
    qualities: Sequence[FrameQuality],
    placed: PlacedNight,
    *,
    write: Callable[[MergedGroup], None] | None = None,
) -> Iterator[MergedGroup]:
    """Stack, replace and check, group by group: `merge_groups` within a run.

    `write` is called with each group that is complete but for the measurements on its result,
    beside these.
    """
    todo = _group_frames(run, table, qualities, placed)
    colour = ["colour"] if any(table_patterns(table)) else []
    needed = (*MERGING_LOOPS, *colour) if todo else ()
    compile_loops(*needed, executor=run.executor, progress=run.progress)
    stacks = None
    for k, frames in enumerate(todo):
        following = todo[k + 1] if k + 1 < len(todo) else None
        with ThreadPoolExecutor(1) as thread:
            aside = None if run.executor is None else thread
            if stacks is None:
                stacks = stack_group(run, frames, aside)
            finish = partial(_finish_group, run, frames, stacks, aside, write)
            stacks = None
            if aside is None or following is None or not _has_room(run, following):
                group = finish()
            else:
                group, stacks = _stack_beside(run, following, finish)
        yield group


def _stack_beside(
    run: NightRun, following: GroupFrames, finish: Callable[[], MergedGroup]
) -> tuple[MergedGroup, dict[str, Stack]]:
    """Finish a group while the next is stacked; where that fails, stacking is stopped."""
    stop = Event()
    # Filters of warnings are the process's, and both threads change them.
    with warnings.catch_warnings(), ThreadPoolExecutor(1) as other:
        warnings.simplefilter("ignore")
        coming = other.submit(stack_group, _until(run, stop), following, None)
        try:
            return finish(), coming.result()
        except BaseException:
            stop.set()
            raise


def _group_frames(
    run: NightRun, table: Table, qualities: Sequence[FrameQuality], placed: PlacedNight
) -> list[GroupFrames]:
    """What is to be stacked, group by group; groups without a frame on the grid are left out."""
    reader, _ = run.reader(table)
    chosen = in_a_set(table)
    found = []
    for label in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(chosen & (table["group"] == label))
        # Frames that are not on the grid are in `left_out`; the stacker need not name them again.
        rows = rows[np.array([bool(placed.transforms[row]) for row in rows], dtype=bool)]
        weights = {name: column_values(table, f"weight_{name}")[rows] for name in ("sharp", "deep")}
        sets = {name: w for name, w in weights.items() if np.any(w > 0)}
        if "deep" not in sets:  # no frame of the group could be placed
            continue
        frames = GroupFrames(
            label=label,
            rows=table[rows],
            qualities=[qualities[int(row)] for row in rows],
            transforms=[placed.transforms[row] for row in rows],
            sets=sets,
            grid=placed.grid_of(target_of(table, int(rows[0]))),
            reader=reader,
        )
        found.append(frames)
    return found


class _StoppedError(Exception):
    """Stacking is no longer wanted."""


def _until(run: NightRun, stop: Event) -> NightRun:
    """The run, whose stages end early once `stop` is set."""

    def stage(name: str) -> Progress:
        def follow(items: Iterable[Any]) -> Iterator[Any]:
            progress = run.stage(name)
            for item in items if progress is None else progress(items):
                if stop.is_set():
                    raise _StoppedError
                yield item

        return follow

    return replace(run, progress=stage)


def _has_room(run: NightRun, following: GroupFrames) -> bool:
    """Whether the next group's stacks fit into memory beside a replacement of stars."""
    ny, nx = following.grid.shape
    planes = 3 if str(table_patterns(following.rows)[0]) else 1
    stacks = len(following.sets) * planes * STACK_BYTES * ny * nx
    rows = worker_count(run.executor) * run.settings.memory * 1e6
    free = free_memory()
    return free is not None and free > stacks + rows + REPLACEMENT_BYTES * planes * ny * nx


def _finish_group(
    run: NightRun,
    frames: GroupFrames,
    stacks: dict[str, Stack],
    aside: Executor | None,
    write: Callable[[MergedGroup], None] | None,
) -> MergedGroup:
    """Replace the stars, measure and write what came of it.

    `aside` is where stacks are measured and written.
    """
    label = frames.label
    deep, sharp = stacks["deep"], stacks.get("sharp")
    both = list(dict.fromkeys(file for stack in stacks.values() for file in stack.frames))
    header = sign_frames(deep.header, frames.rows, both)
    notes = as_notes(note for stack in stacks.values() for note in stack.notes)
    if sharp is None:
        text = "no sharp stack, so the stars of the deep stack stay as they are"
        notes.append(Note("no sharp stack", text).within(label))
        group = MergedGroup(label=label, deep=deep, header=header, notes=unique_notes(notes))
        _write_beside(group, write, aside)()
        return group

    def measure(pixels: np.ndarray) -> Callable[[], FrameQuality]:
        task = partial(run.star_measurer, green_plane(pixels), saturation=_level(deep.saturation))
        return cache(task) if aside is None else aside.submit(task).result

    measured = {"sharp": measure(sharp.data), "deep": measure(deep.data)}
    try:
        # Both stacks are in the flux scale of one frame already.
        replacement = replace_stars(
            deep,
            sharp,
            options=ReplacementOptions(
                flux_scale=1.0, amount=run.settings.amount, detail=run.settings.detail
            ),
            progress=run.stage(f"{label}: replacing stars"),
        )
    except FramesortError as error:  # the other groups are done all the same
        notes.append(Note("stars not replaced", f"{label}: stars not replaced: {error}"))
        group = MergedGroup(
            label=label, deep=deep, sharp=sharp, header=header, notes=unique_notes(notes)
        )
        _write_beside(group, write, aside)()
        return group
    reasons, counts = np.unique(list(replacement.table["reason"]), return_counts=True)
    for reason, number in zip(reasons, counts, strict=True):
        _LOG.debug("%s: %d detections: %s", label, number, reason or "replaced")
    measured["final"] = measure(replacement.final)
    group = MergedGroup(label=label, deep=deep, sharp=sharp, header=header, replacement=replacement)
    finish_writing = _write_beside(group, write, aside)

    def stack_qualities() -> list[FrameQuality]:
        return [measured[name]() for name in ("deep", "sharp", "final")]

    check = None
    if run.settings.amount == 1:
        check = measure_replacement(replacement, deep, sharp, quality=stack_qualities)
    qualities = {name: result() for name, result in measured.items()}
    notes += [note.within(label) for note in join_notes(replacement.notes, check)]
    spike, _, _ = measure_spike_excess(
        list(qualities.values()), [label] * 3, [name == "sharp" for name in qualities]
    )
    finish_writing()
    return replace(
        group,
        fwhm={name: quality.fwhm for name, quality in qualities.items()},
        spike=dict(zip(qualities, spike.tolist(), strict=True)),
        check=check,
        notes=unique_notes(notes),
    )


def _write_beside(
    group: MergedGroup, write: Callable[[MergedGroup], None] | None, aside: Executor | None
) -> Callable[[], object]:
    """Begin to write a group, after what waits in `aside`; gives what waits for its end."""
    if write is None:
        return lambda: None
    if aside is None:
        return partial(write, group)
    return aside.submit(write, group).result


def _level(saturation: float) -> float | None:
    return saturation if np.isfinite(saturation) else None
