"""A picture in memory, whatever it came from."""

from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import Note

__all__ = ["MOST_PLANES", "Picture"]

MOST_PLANES = 8
"""An array with a first axis longer than this is not taken for a picture of planes."""


@dataclass(frozen=True, kw_only=True)
class Picture:
    """Pixels with what is known of them.

    Attributes
    ----------
    data : (ny, nx) or (planes, ny, nx) float32 ndarray
        In the numbers of the source; NaN where there is no data. The first row is the lowest.
    header : `~astropy.io.fits.Header`
        Cards of the source; empty where it had none.
    weight : (ny, nx) float32 ndarray or None
        Inverse variance, 0 where there is no data; None where the source has none.
    saturation : float
        Level from which a pixel is saturated; +inf where the source has none.
    name : str
        File name or kind of the source, for messages.
    stored : str
        How the source held the numbers: "float32", "uint16" and so on.
    tiff : bool
        The source is a TIFF file.
    profile : bytes
        Colour profile of a TIFF file, handed on as it is.
    notes : tuple of Note
        What had to be interpreted, a sentence each.
    """

    data: NDArray[np.float32]
    header: Header = field(default_factory=Header)
    weight: NDArray[np.float32] | None = None
    saturation: float = np.inf
    name: str = "image"
    stored: str = "float32"
    tiff: bool = False
    profile: bytes = b""
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        shape = self.data.shape
        if len(shape) not in (2, 3) or (len(shape) == 3 and not 1 <= shape[0] <= MOST_PLANES):
            raise InputError(
                f"{self.name}: a picture is [y, x] or [plane, y, x] with up to {MOST_PLANES} "
                f"planes, got the shape {shape}"
            )
        if self.weight is not None and self.weight.shape != shape[-2:]:
            raise InputError(
                f"{self.name}: weight must have the shape {shape[-2:]}, got {self.weight.shape}"
            )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.data.shape[-2], self.data.shape[-1]

    @property
    def planes(self) -> int:
        """1 for one plane, whatever the number of axes."""
        return 1 if self.data.ndim == 2 else self.data.shape[0]
