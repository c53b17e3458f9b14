"""Pixels of an image in bands of rows: what is no float32 becomes it as it is looked at."""

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop

__all__ = ["BAND", "Pixels"]

BAND = 128
"""Rows that are worked on at a time: few enough to stay in a processor's cache."""

_LANES = 16


@loop()
def _row_maxima(image: Any, out: Any) -> Any:
    """Highest value of each row; -inf where there is none but NaN."""
    best = np.empty(_LANES, np.float32)
    for y in range(image.shape[0]):
        row = image[y]
        best[:] = -np.inf
        whole = len(row) // _LANES * _LANES
        for x in range(0, whole, _LANES):
            for k in range(_LANES):
                best[k] = row[x + k] if row[x + k] > best[k] else best[k]
        top = best.max()
        for x in range(whole, len(row)):
            if row[x] > top:
                top = row[x]
        out[y] = top


class Pixels:
    """An image that is read in bands of rows, as float32 with NaN where there are no data.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU, of any kind of number; `~astropy.nddata.CCDData` and masked arrays bring their own
        mask. No copy is made of it.
    mask : (ny, nx) bool array_like or None
        True where a pixel must not be used.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or the mask has another shape.
    """

    def __init__(self, image: Any, mask: Any = None) -> None:
        own = getattr(image, "mask", None)
        pixels = np.asarray(getattr(image, "data", image) if own is not None else image)
        if pixels.ndim != 2:
            raise ValueError(f"image must have two axes, got shape {pixels.shape}")
        self._pixels = pixels
        self.shape: tuple[int, int] = (pixels.shape[0], pixels.shape[1])
        self._masks: list[NDArray[np.bool_]] = []
        for bad in (own, mask):
            if bad is None or bad is np.ma.nomask:
                continue
            bad = np.asarray(bad, dtype=bool)
            if bad.shape != self.shape:
                raise ValueError(f"mask must have the image's shape {self.shape}, got {bad.shape}")
            if bad.any():
                self._masks.append(bad)

    def part(self, *cut: Any) -> NDArray[np.float32]:
        """What indices of the whole image give; contiguous. A view where none need be changed."""
        part = np.ascontiguousarray(self._pixels[cut], dtype=np.float32)
        for bad in self._masks:
            part = np.where(bad[cut], np.float32(np.nan), part)
        return part

    def rows(self, first: int, last: int) -> NDArray[np.float32]:
        """Some rows."""
        return self.part(slice(first, last))

    @cached_property
    def tops(self) -> NDArray[np.float32]:
        """Highest value of each row; -inf where there is none."""
        out = np.empty(self.shape[0], np.float32)
        for first in range(0, len(out), BAND):
            _row_maxima(self.rows(first, first + BAND), out[first : first + BAND])
        return out

    def above(self, level: float) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """Places (x, y) and values of all pixels at or above a level, row by row."""
        places, values = [np.empty((0, 2), np.int64)], [np.empty(0, np.float32)]
        for y in np.flatnonzero(self.tops >= np.float32(level)).tolist():
            row = self.rows(y, y + 1)[0]
            x = np.flatnonzero(row >= np.float32(level))
            places.append(np.column_stack([x, np.full(len(x), y)]))
            values.append(row[x])
        return np.concatenate(places), np.concatenate(values)
