"""Three stacks of one grid as one picture."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from framesort.colour._planes import PLANES
from framesort.errors import InputError
from framesort.records import Stack

__all__ = ["green_plane", "join_stacks"]


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
    if set(stacks) != set(PLANES):
        raise InputError(f"stacks must hold R, G and B, got {', '.join(stacks) or 'none'}")
    planes = [stacks[colour] for colour in PLANES]
    if len({plane.data.shape for plane in planes}) > 1:
        raise InputError("stacks must be of one shape")
    green = stacks["G"]
    # A frame may have been left out of one plane only, if it vanished while they were made.
    rejected = [plane.rejected for plane in planes if plane.frames == green.frames]
    header = green.header.copy()
    header["HISTORY"] = "planes 1, 2, 3 are red, green, blue"
    if made:
        header["HISTORY"] = made
    saturation = min(plane.saturation for plane in planes)
    if np.isfinite(saturation):
        header["SATURATE"] = (saturation, "[adu] pixels above may be saturated")
    return replace(
        green,
        data=np.stack([plane.data for plane in planes]),
        weight=np.stack([plane.weight for plane in planes]),
        coverage=np.stack([plane.coverage for plane in planes]),
        header=header,
        rejected=np.mean(rejected, axis=0),
        saturation=saturation,
        notes=tuple(dict.fromkeys(note for plane in planes for note in plane.notes)),
    )


def green_plane(pixels: NDArray[np.floating]) -> NDArray[np.floating]:
    """The plane on which a picture is measured: green of three, itself of one."""
    return pixels if pixels.ndim == 2 else pixels[1]
