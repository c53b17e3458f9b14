"""Second half of the walk: both sets on one grid, stacked, stars replaced."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table

from framesort.colour import green_plane
from framesort.errors import FramesortError, InputError, NotEnoughFramesError
from framesort.evidence import measure_spike_excess
from framesort.files import read_image
from framesort.night._crop import crop_transform, cut_grid, find_cut
from framesort.night._fields import forget_places, target_of, target_rows
from framesort.night._given import given_transforms, nearest_identity
from framesort.night._kept import KeptStacks
from framesort.night._notes import join_notes
from framesort.night._read import frame_reader, given_masters
from framesort.night._settings import Settings
from framesort.night._sort import StageProgress, stage
from framesort.night._stacks import sign_frames, stack_group
from framesort.plugins import find_plugin
from framesort.records import FrameQuality, Replacement, Stack, Transform, column_values
from framesort.registration import (
    Grid,
    add_registration_columns,
    choose_reference,
    make_grid,
    make_optimal_grid,
    transform_from_wcs,
)
from framesort.replacement import ReplacementCheck, measure_replacement, replace_stars

__all__ = ["MergedGroup", "PlacedNight", "merge_groups", "place_frames"]

OPTIMAL = "optimal"
"""In place of a file for `Settings.grid`: the smallest grid that covers all frames."""


@dataclass(frozen=True, kw_only=True)
class PlacedNight:
    """Where the frames of both sets land on the target grid.

    Attributes
    ----------
    grid : Grid
        Shape and header of the grid; with several targets that of the first.
    grids : dict of str to Grid
        The grid of each target; empty where all frames share one.
    transforms : tuple of Transform
        One a row of the table; those of frames in no set have a reason.
    left_out : tuple of (str, str)
        File and reason of each frame of a set that could not be placed.
    edges : str
        A sentence where edges are covered by fewer frames, or were cut off.
    """

    grid: Grid
    transforms: tuple[Transform, ...]
    left_out: tuple[tuple[str, str], ...]
    edges: str = ""
    grids: dict[str, Grid] = field(default_factory=dict)

    def grid_of(self, target: str) -> Grid:
        """The grid on which the frames of a target lie."""
        return self.grids.get(target, self.grid)


@dataclass(frozen=True, kw_only=True)
class MergedGroup:
    """What merging gives for one group; what could not be made is None, with a note.

    `fwhm` [pix] and `line` (share of star light in the line, excess over the sharp stack) are
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
    line: dict[str, float] = field(default_factory=dict)
    check: ReplacementCheck | None = None
    notes: tuple[str, ...] = ()


def place_frames(
    table: Table,
    qualities: Sequence[FrameQuality],
    *,
    transforms: Mapping[Any, Any] | Sequence[Any] | None = None,
    settings: Settings | None = None,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> PlacedNight:
    """Find where each frame of a set lands; all groups of a target share one grid.

    The grid is that of `settings.grid` ("optimal": one that covers all frames of the target, by
    their WCS), else of the target's frame with the best stars; with
    `settings.crop` the part of it that so many frames of every stack cover. A frame whose
    stars cannot be matched is placed by its WCS if it and the grid have one.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A sorted night; gains the columns of registration.
    qualities : sequence of FrameQuality
        One a row.
    transforms : mapping of path to transform, sequence or None
        Found elsewhere, onto one grid: that of `settings.grid`, else of the frame whose
        transform is nearest to the identity. A transform is a `~framesort.records.Transform`,
        a (3, 3) or (2, 3) matrix for (x, y, 1), or an object with it as ``params``. None to
        find them here.
    settings, executor, progress
        As for `framesort.night.sort_frames`.

    Raises
    ------
    InputError
        A transform is none, or of no frame of the night.
    NotEnoughFramesError
        No frame is in a set.
    """
    settings = Settings() if settings is None else settings
    chosen = _in_a_set(table)
    if not chosen.any():
        raise NotEnoughFramesError("no frame is in the sharp-star or the deep-signal set")
    rows = np.flatnonzero(chosen)
    placed = table[rows]
    if transforms is not None:
        known = given_transforms(transforms, table)
        if settings.grid == OPTIMAL:
            raise InputError("transforms found elsewhere name no optimal grid: give its file")
        row = nearest_identity(known, table)
        grid = make_grid(str(table["file"][row]) if settings.grid is None else settings.grid)
        return _placed(table, rows, grid, [known[row] for row in rows], settings, executor)
    targets = target_rows(placed)
    if settings.grid not in (None, OPTIMAL) or len(targets) < 2:
        return _place_field(table, rows, qualities, settings, executor, progress)
    fields = {
        name: _place_field(table, rows[those], qualities, settings, executor, progress)
        for name, those in targets.items()
    }
    transforms_of = [fields.get(target_of(table, row)) for row in range(len(table))]
    return PlacedNight(
        grid=next(iter(fields.values())).grid,
        grids={name: one.grid for name, one in fields.items()},
        transforms=tuple(
            Transform(reason="not matched") if one is None else one.transforms[row]
            for row, one in enumerate(transforms_of)
        ),
        edges=" ".join(f"{name}: {one.edges}" for name, one in fields.items() if one.edges),
        left_out=sum((one.left_out for one in fields.values()), ()),
    )


def _place_field(
    table: Table,
    rows: np.ndarray,
    qualities: Sequence[FrameQuality],
    settings: Settings,
    executor: Executor | None,
    progress: StageProgress | None,
) -> PlacedNight:
    """Place the frames of some rows, which show one field.

    Places of an earlier run are forgotten first: the same frames get the same grid every time,
    also where two of them would serve as well.
    """
    placed = table[rows]
    placed.remove_columns([name for name in ("shift_x", "shift_y") if name in placed.colnames])
    lists = [qualities[int(row)].star_list for row in rows]
    register = partial(
        find_plugin("registration", settings.registration),
        lists,
        groups=[str(group) for group in placed["group"]],
        paths=[str(file) for file in placed["file"]],
        executor=executor,
    )
    grid, reference = _choose_grid(placed, lists, settings)
    found = register(reference=reference, grid=grid, progress=stage(progress, "placing frames"))
    add_registration_columns(placed, found, shape=grid.shape)
    if settings.grid is None and choose_reference(placed) != reference:
        # Now that the dithers are known: the best frame near their middle.
        grid, reference = _choose_grid(placed, lists, settings)
        found = register(
            reference=reference, grid=grid, progress=stage(progress, "placing frames again")
        )
    return _placed(
        table,
        rows,
        grid,
        [
            transform or _by_wcs(str(file), grid) or transform
            for file, transform in zip(placed["file"], found, strict=True)
        ],
        settings,
        executor,
    )


def _placed(
    table: Table,
    rows: np.ndarray,
    grid: Grid,
    known: Sequence[Transform],
    settings: Settings,
    executor: Executor | None,
) -> PlacedNight:
    """Transforms of some rows to the whole night; the table gains its columns, the grid is cut."""
    transforms = [Transform(reason="not matched")] * len(table)
    for row, transform in zip(rows, known, strict=True):
        transforms[row] = transform
    placed = table[rows]
    forget_places(placed)
    add_registration_columns(placed, known, shape=grid.shape)
    _copy_columns(placed, table, rows)
    reader, _ = frame_reader(table, given_masters(settings))
    cut, edges = find_cut(table, tuple(transforms), grid, reader, settings, executor)
    if cut is not None and settings.crop is not None:
        grid = cut_grid(grid, cut, settings.crop)
        transforms = [crop_transform(transform, cut) for transform in transforms]
    return PlacedNight(
        grid=grid,
        transforms=tuple(transforms),
        edges=edges,
        left_out=tuple(
            (str(table["file"][row]), t.reason) for row, t in zip(rows, known, strict=True) if not t
        ),
    )


def _in_a_set(table: Table) -> np.ndarray:
    return np.asarray(table["sharp_set"], dtype=bool) | np.asarray(table["deep_set"], dtype=bool)


def _copy_columns(placed: Table, table: Table, rows: np.ndarray) -> None:
    """Registration's columns of some rows into the whole table; the others stay unknown."""
    for name in ("matched", "residual", "rotation", "scale", "shift_x", "shift_y", "reason"):
        if name not in table.colnames:
            column = placed[name]
            blank = np.full(len(table), 0 if column.dtype.kind in "iu" else np.nan, column.dtype)
            table[name] = blank
            table[name].unit, table[name].info.description = column.unit, column.info.description
        table[name][rows] = placed[name]


def _choose_grid(table: Table, lists: Sequence[Table], settings: Settings) -> tuple[Grid, Any]:
    """The grid, and the reference as registration takes it: a row or a star list."""
    if settings.grid is None:
        row = choose_reference(table)
        return make_grid(str(table["file"][row])), row
    if settings.grid == OPTIMAL:
        frames = [make_grid(str(file)) for file in table["file"]]
        grid = make_optimal_grid(frames)
        placed = np.flatnonzero([frame.has_wcs for frame in frames])
        row = int(placed[choose_reference(table[placed])])
        stars = lists[row].copy()
        onto_grid = transform_from_wcs(frames[row].header, grid.header)
        stars["x"], stars["y"] = onto_grid.map_points(stars["x"], stars["y"])
        return grid, stars
    measure = find_plugin("star_measurer", settings.star_measurer)
    image, _ = read_image(settings.grid)
    return make_grid(settings.grid), measure(green_plane(image)).star_list


def _by_wcs(path: str, grid: Grid) -> Transform | None:
    """The transform of a frame's WCS, None without a good one."""
    if not grid.has_wcs:
        return None
    return transform_from_wcs(make_grid(path).header, grid.header) or None


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

    Yields
    ------
    MergedGroup
        Groups without any frame that can be stacked are left out.
    """
    settings = Settings() if settings is None else settings
    reader, _ = frame_reader(table, given_masters(settings))
    chosen = _in_a_set(table)
    for label in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(chosen & (table["group"] == label))
        # Frames that lie on no grid are told in `left_out`; the stacker need not name them again.
        rows = rows[np.array([bool(placed.transforms[row]) for row in rows], dtype=bool)]
        transforms = [placed.transforms[row] for row in rows]
        weights = {name: column_values(table, f"weight_{name}")[rows] for name in ("sharp", "deep")}
        sets = {name: w for name, w in weights.items() if np.any(w > 0)}
        if "deep" not in sets:  # no frame of the group could be placed
            continue
        grid = placed.grid_of(target_of(table, int(rows[0])))
        with ThreadPoolExecutor(1) as thread:
            aside = None if executor is None else thread
            stacks = stack_group(
                table[rows], [qualities[int(row)] for row in rows], transforms, sets, grid,
                reader, settings, label, scratch, kept, aside, executor, progress,
            )  # fmt: skip
            replacing = stage(progress, f"{label}: replacing stars")
            group = _finish_group(label, stacks, settings, aside, replacing)
        both = list(dict.fromkeys(file for stack in stacks.values() for file in stack.frames))
        yield replace(group, header=sign_frames(group.deep.header, table[rows], both))


def _finish_group(
    label: str,
    stacks: dict[str, Stack],
    settings: Settings,
    aside: Executor | None,
    progress: Any,
) -> MergedGroup:
    """Replace the stars and measure what came of it; `aside` is where stacks are measured."""
    deep, sharp = stacks["deep"], stacks.get("sharp")
    notes = [note for stack in stacks.values() for note in stack.notes]
    if sharp is None:
        notes.append(f"{label}: no sharp stack, so the stars of the deep stack stay as they are")
        return MergedGroup(label=label, deep=deep, notes=tuple(dict.fromkeys(notes)))
    star_measurer = find_plugin("star_measurer", settings.star_measurer)

    def measure(pixels: np.ndarray) -> Callable[[], FrameQuality]:
        task = partial(star_measurer, green_plane(pixels), saturation=_level(deep.saturation))
        return cache(task) if aside is None else aside.submit(task).result

    measured = {"sharp": measure(sharp.data), "deep": measure(deep.data)}
    try:
        # Both stacks are in the flux scale of one frame already.
        replacement = replace_stars(
            deep,
            sharp,
            sharp_weight=sharp.weight if sharp.weight.ndim == 2 else sharp.weight.min(axis=0),
            flux_scale=1.0,
            amount=settings.amount,
            detail=settings.detail,
            progress=progress,
        )
    except FramesortError as error:  # the other groups are done all the same
        notes.append(f"{label}: stars not replaced: {error}")
        return MergedGroup(label=label, deep=deep, sharp=sharp, notes=tuple(dict.fromkeys(notes)))
    measured["final"] = measure(replacement.final)

    def told() -> list[FrameQuality]:
        return [measured[name]() for name in ("deep", "sharp", "final")]

    check = None
    if settings.amount == 1:
        check = measure_replacement(replacement, deep, sharp, quality=told)
    qualities = {name: result() for name, result in measured.items()}
    notes += [f"{label}: {note}" for note in join_notes(replacement.notes, check)]
    line, _, _ = measure_spike_excess(
        list(qualities.values()), [label] * 3, [name == "sharp" for name in qualities]
    )
    return MergedGroup(
        label=label,
        deep=deep,
        sharp=sharp,
        replacement=replacement,
        fwhm={name: quality.fwhm for name, quality in qualities.items()},
        line=dict(zip(qualities, line.tolist(), strict=True)),
        check=check,
        notes=tuple(dict.fromkeys(notes)),
    )


def _level(saturation: float) -> float | None:
    return saturation if np.isfinite(saturation) else None
