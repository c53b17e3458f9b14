"""Rows of plain FITS images straight from the file; one that was changed meanwhile is refused.

A memory map would be a copy less, but a file cut short while it is mapped ends the process.
"""

import os
from dataclasses import dataclass

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import FrameError
from framesort.files._fits import image_hdu, named_hdu, open_fits
from framesort.files._plain import Decode, Layout, find_layout, read_rows

__all__ = ["PlainImage", "find_plain_image", "read_plain_rows"]


@dataclass(frozen=True, kw_only=True)
class PlainImage:
    """Where the pixels of a file lie, and what the file looked like at that time.

    Attributes
    ----------
    path : str
        The file.
    layout : Layout
        Of its pixels.
    size, changed : int
        Bytes of the file and time of its last change, ns.
    """

    path: str
    layout: Layout
    size: int
    changed: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.layout.shape


def find_plain_image(path: str) -> tuple[PlainImage | None, Header | None]:
    """The first image of a file and its header, or None if it needs more than to be read.

    Anything that is not plain, damaged files as well, is left to `read_image`.
    """
    try:
        state = os.stat(path)
        with open(path, "rb") as stream:
            if stream.read(9) != b"SIMPLE  =":
                return None, None
        with open_fits(path) as hdus:
            hdu = image_hdu(hdus)
            header = hdu.header.copy()
            layout = find_layout(hdu)
            if layout is None or named_hdu(hdus, "MASK") is not None:
                return None, None
        pixels = layout.shape[0] * layout.shape[1]
        if layout.offset + pixels * abs(layout.bits) // 8 > state.st_size:
            return None, None
    except Exception:  # any damage to a file surfaces here as some exception of the reader
        return None, None
    found = PlainImage(path=path, layout=layout, size=state.st_size, changed=state.st_mtime_ns)
    return found, header


def read_plain_rows(
    image: PlainImage, rows: slice, *, decode: Decode | None = None
) -> NDArray[np.float32]:
    """Rows of an image as float32; a step above 1 reads single rows.

    Parameters
    ----------
    image : PlainImage
    rows : slice
    decode : callable or None
        Turns 16-bit numbers, in place of numpy: takes them as they are in the file, (n, columns)
        uint16, BZERO, BLANK, and float32 to be filled.

    Raises
    ------
    FrameError
        The file is gone, was changed since `find_plain_image`, or cannot be read.
    """
    try:
        with open(image.path, "rb") as stream:
            state = os.fstat(stream.fileno())
            if (state.st_size, state.st_mtime_ns) != (image.size, image.changed):
                raise FrameError("was changed while it was used")
            return read_rows(stream, image.layout, rows, decode=decode)
    except OSError as error:
        raise FrameError(f"{image.path}: cannot be read ({error.strerror})") from error
    except FrameError as error:
        raise FrameError(f"{image.path}: {error}") from error
