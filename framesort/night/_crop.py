"""Which part of the grid enough frames cover: cropped to on request, else reported."""

import re
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import NotEnoughFramesError
from framesort.frames import FrameReader
from framesort.night._run import NightRun
from framesort.records import Transform, column_values
from framesort.registration import Grid
from framesort.stacking import (
    common_cover,
    count_cover,
    find_bad_edges,
    largest_common_rectangle,
    largest_rectangle,
)
from framesort.workers import run_tasks

__all__ = ["crop_transform", "cut_grid", "find_cut"]

Edges = tuple[int, int, int, int]

_WORTH_TELLING = 0.002
"""Share of the grid: where fewer frames cover less than this, nothing is said."""


def find_cut(
    table: Table,
    transforms: tuple[Transform, ...],
    grid: Grid,
    reader: FrameReader,
    run: NightRun,
) -> tuple[tuple[slice, slice] | None, str]:
    """Where to cut, and a sentence on the edges.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A sorted night.
    transforms : tuple of Transform
        One a row.
    grid : Grid
        The uncut grid.
    reader : FrameReader
        Of the night's frames.
    run : NightRun
        `settings.crop` is the share of each stack's frames that must cover a pixel; None not to
        cut. Bad edges are searched in every frame then, else in each group's first.

    Returns
    -------
    cut : (slice, slice) or None
        Rows and columns of the largest rectangle that so many frames of every stack cover.
    sentence : str
        "" where all frames cover nearly all.

    Raises
    ------
    NotEnoughFramesError
        No pixel is covered by as many frames as `crop` asks for.
    """
    settings = run.settings
    share = 1.0 if settings.crop is None else settings.crop
    edges = _bad_edges(table, transforms, reader, settings.crop is not None, run.executor)
    if share == 1:
        first, stop = _common(table, transforms, grid, edges)
        where, covered = largest_common_rectangle(first, stop), int((stop - first).sum())
    else:
        inside = _covered(table, transforms, grid, edges, share)
        where, covered = largest_rectangle(inside), int(inside.sum())
    ny, nx = grid.shape
    frames = "all frames" if share == 1 else f"{100 * share:.0f} % of the frames"
    if where is None:
        if settings.crop is not None:
            raise NotEnoughFramesError(
                f"no part of the picture is covered by {frames} of every stack; "
                "give --crop a smaller share, or leave it out"
            )
        return None, (
            "No part of the picture is covered by all frames of every stack: --crop 0.8 cuts it to "
            "what 80 % of them cover."
        )
    size = f"{where[1].stop - where[1].start} x {where[0].stop - where[0].start}"
    if settings.crop is not None:
        return (
            where,
            f"The pictures were cut from {nx} x {ny} to {size} pixels, which {frames} "
            "of every stack cover.",
        )
    less = 1 - covered / (ny * nx)
    if less < _WORTH_TELLING:
        return None, ""
    return None, (
        f"Edges: {100 * less:.1f} % of the picture is covered by fewer frames than the rest; "
        f"--crop cuts it from {nx} x {ny} to the {size} pixels that all cover."
    )


def _covered(
    table: Table,
    transforms: tuple[Transform, ...],
    grid: Grid,
    edges: list[Edges],
    share: float,
) -> NDArray[np.bool_]:
    """Pixels of the grid that enough frames of every stack cover."""
    inside = np.ones(grid.shape, dtype=bool)
    for stack in _stacks_of(table, transforms, edges):
        inside &= count_cover(
            stack.transforms, stack.sizes, grid.shape, edges=stack.edges
        ) >= np.ceil(share * len(stack.sizes) - 1e-9)
    return inside


def _common(
    table: Table, transforms: tuple[Transform, ...], grid: Grid, edges: list[Edges]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """What all frames of every stack cover: of each row first column, and that after the last."""
    stacks = list(_stacks_of(table, transforms, edges))
    return common_cover(
        [one for stack in stacks for one in stack.transforms],
        [one for stack in stacks for one in stack.sizes],
        grid.shape,
        edges=[one for stack in stacks for one in stack.edges],
    )


class _Members(NamedTuple):
    """The frames of one stack."""

    transforms: list[Transform]
    sizes: list[tuple[int, int]]
    edges: list[Edges]


def _stacks_of(
    table: Table, transforms: tuple[Transform, ...], edges: list[Edges]
) -> Iterator[_Members]:
    """Both stacks of every group, without those that have no frame."""
    good = np.array([bool(transform) for transform in transforms])
    height, width = (np.asarray(table[name], dtype=int) for name in ("height", "width"))
    for label in sorted(set(table["group"]) - {""}):
        here = good & (np.asarray(table["group"], dtype=object) == label)
        for name in ("sharp", "deep"):
            weight = column_values(table, f"weight_{name}")
            rows = np.flatnonzero(here & (weight > 0))
            if not rows.size:
                continue
            yield _Members(
                transforms=[transforms[row] for row in rows],
                sizes=[(int(height[row]), int(width[row])) for row in rows],
                edges=[edges[row] for row in rows],
            )


def _bad_edges(
    table: Table,
    transforms: tuple[Transform, ...],
    reader: FrameReader,
    each: bool,
    executor: Executor | None,
) -> list[Edges]:
    """Lines that are no part of the picture, of each frame, or of each group's first for all."""
    groups = [str(group) for group in table["group"]]
    rows = [row for row, transform in enumerate(transforms) if transform and groups[row]]
    if not each:
        rows = list({groups[row]: row for row in reversed(rows)}.values())
    files = [str(table["file"][row]) for row in rows]
    look = partial(find_bad_edges, read=reader)
    found = dict(zip(rows, run_tasks(look, files, executor=executor), strict=True))
    usual = {groups[row]: edges for row, edges in found.items()}
    return [found.get(row, usual.get(groups[row], (0, 0, 0, 0))) for row in range(len(transforms))]


def cut_grid(grid: Grid, cut: tuple[slice, slice], share: float) -> Grid:
    """The part of a grid; its WCS, also alternate ones, moves along.

    The cards FSCROP (section of the uncut grid, from 1, as FITS counts), FSCOVER (share of the
    frames that cover each pixel) and LTV1, LTV2 (uncut to cut pixels) record it.
    """
    header: Header = grid.header.copy()
    rows, columns = cut
    for axis, part in ((1, columns), (2, rows)):
        header[f"NAXIS{axis}"] = part.stop - part.start
        for keyword in [key for key in header if re.fullmatch(f"CRPIX{axis}[A-Z]?", key)]:
            header[keyword] = _number(header[keyword]) - part.start
        header[f"LTV{axis}"] = (
            _number(header.get(f"LTV{axis}", 0)) - part.start,
            "pixel of the uncut picture to pixel here",
        )
    header["FSCROP"] = (
        f"[{columns.start + 1}:{columns.stop},{rows.start + 1}:{rows.stop}]",
        "cut from the uncut picture",
    )
    header["FSCOVER"] = (share, "share of the frames that cover each pixel")
    return replace(
        grid, shape=(rows.stop - rows.start, columns.stop - columns.start), header=header
    )


def crop_transform(transform: Transform, cut: tuple[slice, slice]) -> Transform:
    """A transform onto the grid as one onto its part."""
    if not transform:
        return transform
    rows, columns = cut
    move = np.array([[1.0, 0, -columns.start], [0, 1, -rows.start], [0, 0, 1]])
    return transform.followed_by(move)


def _number(value: Any) -> float:
    return float(value) if isinstance(value, int | float) else 0.0
