"""What a caller measured or registered elsewhere, in whatever form he has it."""

import os
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.errors import InputError
from framesort.quality import adopt_star_list
from framesort.records import FrameQuality, Transform

__all__ = ["given_qualities", "given_transforms", "nearest_identity"]


def given_qualities(
    given: Mapping[Any, Any] | Sequence[Any], table: Table, order: Sequence[Any]
) -> list[FrameQuality]:
    """One measurement a row of the table.

    Parameters
    ----------
    given : mapping of path to star list, or sequence of them
        By path or bare file name, or one a frame in `order`. A star list is a table or a
        FrameQuality. A frame without a list has the reason "few stars".
    table : `~astropy.table.Table`
        The night.
    order : sequence of path
        The frames as they were named.

    Raises
    ------
    InputError
        Not as many as frames, a path that is no frame of the night, or no star list.
    """
    files = [os.path.abspath(str(file)) for file in table["file"]]
    if not isinstance(given, Mapping):
        if len(given) != len(order):
            raise InputError(f"stars must be one list a frame, {len(order)}, got {len(given)}")
        given = dict(zip(order, given, strict=True))
        given = {path: value for path, value in given.items() if os.path.abspath(path) in files}
    made = [FrameQuality(reason="few stars")] * len(files)
    for key, value in given.items():
        row = _row(key, files, "stars")
        if isinstance(value, FrameQuality):
            made[row] = value
        elif isinstance(value, Table):
            sky, noise = (float(value.meta.get(n, np.nan)) for n in ("sky", "noise"))
            level = float(value.meta.get("saturation", np.inf))
            made[row] = adopt_star_list(value, sky=sky, noise=noise, saturation=level)
        else:
            raise InputError(f"stars: {key}: a table is needed, got {type(value).__name__}")
    return made


def _row(key: Any, files: Sequence[str], name: str) -> int:
    """The row that a path, or a bare file name, stands for."""
    path = os.path.abspath(os.fspath(key))
    rows = [k for k, file in enumerate(files) if file == path]
    rows = rows or [k for k, file in enumerate(files) if os.path.basename(file) == os.fspath(key)]
    if len(rows) != 1:
        raise InputError(f"{name}: {key} names {len(rows)} frames of the night, one is needed")
    return rows[0]


def given_transforms(given: Mapping[Any, Any] | Sequence[Any], table: Table) -> list[Transform]:
    """One transform a row of the table.

    Parameters
    ----------
    given : mapping of path to transform, or sequence of them
        By path (a bare file name will do where it is the only one), or one a row. A transform is
        a `~framesort.records.Transform`, a (3, 3) or (2, 3) matrix that takes (x, y, 1) of the
        frame to the grid, or an object with such a matrix as ``params`` (scikit-image,
        astroalign). None, and a path that is not there: the frame is not placed.
    table : `~astropy.table.Table`
        The night.

    Raises
    ------
    InputError
        Not as many as rows, a path that is no frame of the night, or no matrix.
    """
    files = [os.path.abspath(str(file)) for file in table["file"]]
    if not isinstance(given, Mapping):
        if len(given) != len(files):
            raise InputError(f"transforms must be one a frame, {len(files)}, got {len(given)}")
        return [_transform(value, name) for value, name in zip(given, files, strict=True)]
    made = [Transform(reason="not matched")] * len(files)
    for key, value in given.items():
        made[_row(key, files, "transforms")] = _transform(value, str(key))
    return made


def _transform(value: Any, name: str) -> Transform:
    if value is None:
        return Transform(reason="not matched")
    if isinstance(value, Transform):
        return value
    try:
        matrix = np.asarray(getattr(value, "params", value), dtype=float)
    except (TypeError, ValueError):
        matrix = np.empty(0)
    if matrix.shape == (2, 3):
        matrix = np.vstack([matrix, [0, 0, 1]])
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all() or not np.linalg.det(matrix):
        raise InputError(
            f"transforms: {name}: a matrix (3, 3) or (2, 3) that can be inverted is needed, "
            f"got {value!r}"
        )
    return Transform(matrix=matrix / matrix[2, 2])


def nearest_identity(transforms: Sequence[Transform], table: Table) -> int:
    """The row whose pixels lie nearest to the grid's."""
    apart = np.full(len(table), np.inf)
    for row, transform in enumerate(transforms):
        if not transform:
            continue
        x, y = float(table["width"][row]) - 1, float(table["height"][row]) - 1
        corners = np.array([[0, x, 0, x], [0, 0, y, y]])
        apart[row] = np.abs(np.subtract(transform.map_points(*corners), corners)).max()
    return int(np.argmin(apart))
