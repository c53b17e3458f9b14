"""Three stacks of one grid as one picture."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.colour._planes import PLANES
from framesort.errors import InputError
from framesort.records import Stack

__all__ = ["PlaneStacks", "green_plane", "join_stacks"]


class PlaneStacks:
    """The stacks of red, green and blue, put together as they come: each is held once."""

    def __init__(self) -> None:
        self._planes: dict[str, Stack] = {}
        self._whole: list[NDArray[Any]] = []

    def add(self, colour: str, stack: Stack) -> None:
        """Take one plane; its pixels are copied.

        Raises
        ------
        InputError
            Its shape is not that of the planes before.
        """
        number = PLANES.index(colour)
        pixels: list[NDArray[Any]] = [stack.data, stack.weight, stack.coverage]
        if not self._whole:
            self._whole = [np.empty((len(PLANES), *p.shape), dtype=p.dtype) for p in pixels]
        for whole, plane in zip(self._whole, pixels, strict=True):
            if whole.shape[1:] != plane.shape:
                raise InputError("stacks must be of one shape")
            whole[number] = plane
        data, weight, coverage = (whole[number] for whole in self._whole)
        self._planes[colour] = replace(stack, data=data, weight=weight, coverage=coverage)

    def joined(self, *, made: str = "") -> Stack:
        """The picture of three planes, see `join_stacks`."""
        if set(self._planes) != set(PLANES):
            named = ", ".join(self._planes) or "none"
            raise InputError(f"stacks must hold R, G and B, got {named}")
        planes = [self._planes[colour] for colour in PLANES]
        green = self._planes["G"]
        # A frame may have been left out of one plane only, if it vanished while they were made.
        rejected = [plane.rejected for plane in planes if plane.frames == green.frames]
        header = green.header.copy()
        header["HISTORY"] = "planes 1, 2, 3 are red, green, blue"
        if made:
            header["HISTORY"] = made
        saturation = min(plane.saturation for plane in planes)
        if np.isfinite(saturation):
            header["SATURATE"] = (saturation, "[adu] pixels above may be saturated")
        data, weight, coverage = self._whole
        return replace(
            green,
            data=data,
            weight=weight,
            coverage=coverage,
            header=header,
            rejected=np.mean(rejected, axis=0),
            saturation=saturation,
            notes=tuple(dict.fromkeys(note for plane in planes for note in plane.notes)),
        )


def join_stacks(stacks: Mapping[str, Stack], *, made: str = "") -> Stack:
    """The stacks of red, green and blue as one of three planes.

    Parameters
    ----------
    stacks : mapping of str to `~framesort.records.Stack`
        "R", "G" and "B", on one grid and of the same frames.
    made : str
        How the planes were made, a sentence for HISTORY.

    Returns
    -------
    `~framesort.records.Stack`
        Pixels, weight and coverage [plane, y, x]; header and frames of green; the share
        rejected is the mean, the saturation the lowest of the three.

    Raises
    ------
    InputError
        A colour is missing or the shapes differ.
    """
    planes = PlaneStacks()
    for colour in PLANES:
        if colour in stacks:
            planes.add(colour, stacks[colour])
    return planes.joined(made=made)


def green_plane(pixels: NDArray[np.floating]) -> NDArray[np.floating]:
    """The plane on which a picture is measured: green of three, itself of one."""
    return pixels if pixels.ndim == 2 else pixels[1]
