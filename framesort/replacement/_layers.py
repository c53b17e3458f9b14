"""What is to change in the picture, and the layers that this makes."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from framesort.replacement._arrays import Array, Image

__all__ = ["MASK_BITS", "Change", "Layers"]

MASK_BITS = {
    1: "light of the deep stack's star subtracted",
    2: "light of the sharp stack's star added by its profile",
    4: "pixels of the sharp stack used",
    8: "deep stack saturated here, only the sharp stack used",
    16: "detail of extended light restored",
}


@dataclass
class Change:
    """What is to be done to the picture, besides the pixels themselves.

    Attributes
    ----------
    taken, given : float32 ndarray
        Star light to take away and to give, deep flux scale.
    share : float32 ndarray
        Share of sharp pixels in the result, 0..1.
    detail : float32 ndarray or None
        Detail of extended light to add.
    """

    taken: Array
    given: Array
    share: Array
    detail: Array | None = None


class Layers(NamedTuple):
    """Final picture, star layer, background, mask of one plane; see `Replacement`."""

    final: Image
    stars: Image
    background: Image
    mask: NDArray[np.uint8]
