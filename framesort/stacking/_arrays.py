"""Stacks of images in memory."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Stack, Transform
from framesort.stacking._memory import MemoryReader, check_units
from framesort.stacking._options import Execution, FrameValues, StackMethod
from framesort.stacking._stack import stack_frames

__all__ = ["stack_arrays"]


def stack_arrays(
    images: Sequence[Any],
    transforms: Sequence[Transform] | None = None,
    *,
    sets: Mapping[str, ArrayLike] | None = None,
    shape: tuple[int, int] | None = None,
    names: Sequence[str] | None = None,
    values: FrameValues | None = None,
    method: StackMethod | None = None,
    execution: Execution | None = None,
) -> dict[str, Stack]:
    """Stack images that are in memory, for example registered elsewhere.

    Parameters
    ----------
    images : sequence of (ny, nx) array_like or `~astropy.nddata.CCDData`
        NaN is missing, as is what a CCDData's mask marks. A CCDData's header is kept.
    transforms : sequence of `~framesort.records.Transform` or None
        None for images on the grid already.
    sets : mapping or None
        As for `stack_frames`; None for one set "all" with weight 1.
    shape : (int, int) or None
        Of the grid; None for that of the first image.
    names : sequence of str or None
        Names in the result; sums are made in their order.
    values, method, execution
        As for `stack_frames`; `read` of the execution is not used. An executor of processes
        would copy the images; use threads.

    Returns
    -------
    dict of str to `~framesort.records.Stack`

    Raises
    ------
    InputError, NotEnoughFramesError
        As `stack_frames`.
    """
    if not len(images):
        raise NotEnoughFramesError("no image to stack")
    if names is None:
        names = [f"image {k + 1:06d}" for k in range(len(images))]
    if len(set(names)) != len(images):
        raise InputError(f"names must be {len(images)} different names, got {len(set(names))}")
    check_units(images)
    reader = MemoryReader(dict(zip(names, images, strict=True)))
    if transforms is None:
        transforms = [Transform(matrix=np.eye(3), residual=0.0)] * len(images)
    if shape is None:
        shape = np.shape(getattr(images[0], "data", images[0]))[-2:]
    return stack_frames(
        names,
        transforms,
        sets={"all": np.ones(len(images))} if sets is None else sets,
        shape=shape,
        values=values,
        method=method,
        execution=replace(execution or Execution(), read=reader),
    )
