"""Star replacement on two stacks made elsewhere."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np

from framesort.errors import InputError, NotEnoughFramesError, OutputError
from framesort.files import StrPath
from framesort.night._products import write_layers
from framesort.records import Replacement, Stack, Transform
from framesort.replacement import read_places, replace_stars
from framesort.stacking import read_stack, resample_image
from framesort.stars import find_stars, match_star_lists
from framesort.workers import Progress

__all__ = ["swap_stars"]

_STILL = 0.02
"""Pixels: two stacks whose corners agree so well are on one grid and are not resampled."""


def swap_stars(
    deep: StrPath,
    sharp: StrPath,
    *,
    out: StrPath,
    aligned: bool = False,
    keep: StrPath | None = None,
    force: StrPath | None = None,
    amount: float = 1.0,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Replacement:
    """Replace the stars of one stack by those of another and write the picture.

    Parameters
    ----------
    deep, sharp : path
        FITS images of one plane. They need not be on one grid: the sharp one is brought onto
        the deep one's by its stars, half a turn included.
    out : path
        The picture to write; star layer, background and star table are put beside it, their
        names beginning with the picture's.
    aligned : bool
        Both are on one grid; do not look.
    keep, force : path or None
        Tables x, y, radius of places to leave alone, or to treat as stars.
    amount : float
        In part: 0 none, 1 whole.
    overwrite : bool
        Replace existing files.
    progress : callable or None
        Wraps the iteration over steps.

    Raises
    ------
    InputError
        A file cannot be used, or the two do not fit.
    OutputError
        A result exists already or cannot be written.
    NotEnoughFramesError
        The stars of the two cannot be matched.
    """
    target = Path(out)
    prefix = f"{target.name.split('.')[0]}-"
    for name in ("stars.fits", "background.fits", "stars.ecsv"):
        _check_free(target.with_name(prefix + name), overwrite)
    _check_free(target, overwrite)
    for given in (deep, sharp):
        if target.exists() and os.path.samefile(target, given):
            raise OutputError(f"{target}: is an input; choose another name, originals are kept")
    below, above = read_stack(deep), read_stack(sharp)
    if not aligned:
        above = _align(below, above, f"{sharp}")
    elif below.data.shape != above.data.shape:
        raise InputError(
            f"{deep} is {below.data.shape}, {sharp} is {above.data.shape} (rows, columns): "
            "leave out --aligned to register them by their stars"
        )
    result = replace_stars(
        below,
        above,
        keep=None if keep is None else read_places(keep),
        force=None if force is None else read_places(force),
        amount=amount,
        progress=progress,
    )
    made_of = f"of {Path(deep).name} with those of {Path(sharp).name}"
    write_layers(target, result, below.header, made_of=made_of, prefix=prefix, overwrite=overwrite)
    return result


def _check_free(path: Path, overwrite: bool) -> None:
    """Refuse before the work, not after it."""
    if path.exists() and not overwrite:
        raise OutputError(f"{path} exists already; give --overwrite to replace it")


def _align(deep: Stack, sharp: Stack, name: str) -> Stack:
    """The sharp stack on the deep one's grid, resampled only if it has to be."""
    transform = match_star_lists(find_stars(sharp.data), find_stars(deep.data))
    if not transform:
        raise NotEnoughFramesError(
            f"{name}: its stars cannot be matched with those of the deep stack ({transform.reason})"
        )
    if deep.data.shape == sharp.data.shape and _is_still(transform, deep.data.shape):
        return sharp
    shape = deep.data.shape
    data = resample_image(sharp.data, transform, (shape[0], shape[1]))
    coverage = np.isfinite(data)
    return replace(
        sharp,
        data=data,
        weight=coverage.astype(np.float32) * np.float32(np.median(sharp.weight[sharp.weight > 0])),
        coverage=coverage.astype(np.int16),
    )


def _is_still(transform: Transform, shape: tuple[int, ...]) -> bool:
    x, y = (
        np.array([0, shape[1] - 1, 0, shape[1] - 1]),
        np.array([0, 0, shape[0] - 1, shape[0] - 1]),
    )
    to_x, to_y = transform.map_points(x, y)
    limit = max(_STILL, 3 * transform.residual / np.sqrt(max(transform.matched, 1)))
    return bool(np.hypot(to_x - x, to_y - y).max() < limit)
