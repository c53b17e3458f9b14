"""Registration that was done elsewhere: frames on one grid already, or placed by their WCS.

Both have the form of a registration step and are chosen by name, as a user's own is.
"""

import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from framesort.errors import InputError
from framesort.records import Transform
from framesort.registration._grid import Grid, make_grid, transform_from_wcs

__all__ = ["place_aligned", "place_by_wcs"]


def place_aligned(
    star_lists: Sequence[Any],
    *,
    paths: Sequence[str | os.PathLike[str]] | None = None,
    grid: Grid | None = None,
) -> list[Transform]:
    """Take frames as lying on the grid already.

    Parameters
    ----------
    star_lists : sequence
        One a frame; only their number counts.
    paths : sequence of path or None
        The frames; with `grid` their sizes are compared.
    grid : Grid or None
        The target.

    Returns
    -------
    list of `~framesort.records.Transform`
        The identity; "not matched" for a frame of another size.
    """
    here = Transform(matrix=np.eye(3), residual=0.0)
    if paths is None or grid is None:
        return [here] * len(star_lists)
    fits = [_size(path) == grid.shape for path in paths]
    return [here if fit else Transform(reason="not matched") for fit in fits]


def _size(path: str | os.PathLike[str]) -> tuple[int, int] | None:
    try:
        return make_grid(path).shape
    except InputError:
        return None


def place_by_wcs(
    star_lists: Sequence[Any],
    *,
    paths: Sequence[str | os.PathLike[str]],
    grid: Grid,
) -> list[Transform]:
    """Place frames by the WCS of their headers alone.

    Parameters
    ----------
    star_lists : sequence
        One a frame; only their number counts.
    paths : sequence of path
        The frames.
    grid : Grid
        The target, with a WCS.

    Returns
    -------
    list of `~framesort.records.Transform`
        As `transform_from_wcs` gives them.

    Raises
    ------
    InputError
        The grid has no WCS.
    """
    if not grid.has_wcs:
        raise InputError("the frame that gives the grid has no WCS; name one that has with --grid")
    transforms = []
    for path in paths:
        try:
            transforms.append(transform_from_wcs(make_grid(path).header, grid.header))
        except InputError:
            transforms.append(Transform(reason="not matched"))
    return transforms
