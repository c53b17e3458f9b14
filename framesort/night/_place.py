"""Where the frames of both sets are on the target grid."""

import logging
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.colour import green_plane
from framesort.errors import InputError, NotEnoughFramesError
from framesort.files import read_image
from framesort.night._crop import crop_transform, cut_grid, find_cut
from framesort.night._fields import forget_places, target_of, target_rows
from framesort.night._given import given_transforms, nearest_identity
from framesort.night._run import NightRun, StageProgress
from framesort.plugins import find_plugin
from framesort.records import FrameQuality, Transform
from framesort.registration import (
    Grid,
    add_registration_columns,
    choose_reference,
    make_grid,
    make_optimal_grid,
    transform_from_wcs,
)
from framesort.settings import Settings

_LOG = logging.getLogger(__name__)

__all__ = ["PlacedNight", "in_a_set", "place_frames", "place_step"]

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
    run = NightRun(settings=settings, executor=executor, progress=progress)
    return place_step(run, table, qualities, transforms=transforms)


def place_step(
    run: NightRun,
    table: Table,
    qualities: Sequence[FrameQuality],
    *,
    transforms: Mapping[Any, Any] | Sequence[Any] | None,
) -> PlacedNight:
    """Register the frames of both sets: `place_frames` within a run."""
    settings = run.settings
    chosen = in_a_set(table)
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
        return _placed(run, table, rows, grid, [known[row] for row in rows])
    targets = target_rows(placed)
    if settings.grid not in (None, OPTIMAL) or len(targets) < 2:
        return _place_field(run, table, rows, qualities)
    fields = {
        name: _place_field(run, table, rows[those], qualities) for name, those in targets.items()
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
    run: NightRun, table: Table, rows: np.ndarray, qualities: Sequence[FrameQuality]
) -> PlacedNight:
    """Place the frames of some rows, which show one field.

    Places of an earlier run are forgotten first: the same frames get the same grid every time,
    also where two of them would serve as well.
    """
    placed = table[rows]
    placed.remove_columns([name for name in ("shift_x", "shift_y") if name in placed.colnames])
    lists = [qualities[int(row)].star_list for row in rows]
    register = partial(
        find_plugin("registration", run.settings.registration),
        lists,
        groups=[str(group) for group in placed["group"]],
        paths=[str(file) for file in placed["file"]],
        executor=run.executor,
    )
    grid, reference = _choose_grid(run, placed, lists)
    found = register(reference=reference, grid=grid, progress=run.stage("placing frames"))
    add_registration_columns(placed, found, shape=grid.shape)
    if run.settings.grid is None and choose_reference(placed) != reference:
        # Now that the dithers are known: the best frame near their middle.
        grid, reference = _choose_grid(run, placed, lists)
        found = register(reference=reference, grid=grid, progress=run.stage("placing frames again"))
    known = [
        transform or _by_wcs(str(file), grid) or transform
        for file, transform in zip(placed["file"], found, strict=True)
    ]
    return _placed(run, table, rows, grid, known)


def _placed(
    run: NightRun, table: Table, rows: np.ndarray, grid: Grid, known: Sequence[Transform]
) -> PlacedNight:
    """Transforms of some rows to the whole night; the table gains its columns, the grid is cut."""
    transforms = [Transform(reason="not matched")] * len(table)
    for row, transform in zip(rows, known, strict=True):
        transforms[row] = transform
        name = os.path.basename(str(table["file"][row]))
        how = f"{transform.matched} stars matched, residual {transform.residual:.2f} px"
        _LOG.debug("%s: %s", name, how if transform else transform.reason)
    placed = table[rows]
    forget_places(placed)
    add_registration_columns(placed, known, shape=grid.shape)
    _copy_columns(placed, table, rows)
    reader, _ = run.reader(table)
    cut, edges = find_cut(table, tuple(transforms), grid, reader, run)
    if cut is not None and run.settings.crop is not None:
        grid = cut_grid(grid, cut, run.settings.crop)
        transforms = [crop_transform(transform, cut) for transform in transforms]
    return PlacedNight(
        grid=grid,
        transforms=tuple(transforms),
        edges=edges,
        left_out=tuple(
            (str(table["file"][row]), t.reason) for row, t in zip(rows, known, strict=True) if not t
        ),
    )


def in_a_set(table: Table) -> NDArray[np.bool_]:
    """Rows of frames in either set."""
    either: NDArray[np.bool_] = np.asarray(table["sharp_set"], dtype=bool) | np.asarray(
        table["deep_set"], dtype=bool
    )
    return either


def _copy_columns(placed: Table, table: Table, rows: np.ndarray) -> None:
    """Registration's columns of some rows into the whole table; the others stay unknown."""
    for name in ("matched", "residual", "rotation", "scale", "shift_x", "shift_y", "reason"):
        if name not in table.colnames:
            column = placed[name]
            blank = np.full(len(table), 0 if column.dtype.kind in "iu" else np.nan, column.dtype)
            table[name] = blank
            table[name].unit, table[name].info.description = column.unit, column.info.description
        table[name][rows] = placed[name]


def _choose_grid(run: NightRun, table: Table, lists: Sequence[Table]) -> tuple[Grid, Any]:
    """The grid, and the reference as registration takes it: a row or a star list."""
    settings = run.settings
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
    image, _ = read_image(settings.grid)
    return make_grid(settings.grid), run.star_measurer(green_plane(image)).star_list


def _by_wcs(path: str, grid: Grid) -> Transform | None:
    """The transform of a frame's WCS, None without a good one."""
    if not grid.has_wcs:
        return None
    return transform_from_wcs(make_grid(path).header, grid.header) or None
