"""Pixels of plain FITS images, turned into float32 block by block as they are read."""

from typing import IO, Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from framesort.errors import FrameError

__all__ = ["is_plain", "read_rows"]

_BLOCK = 1 << 18  # bytes: what is read stays in a processor's cache until it is turned

_UNSIGNED = 32768
"""BZERO of 16-bit numbers without sign (FITS standard 4.0, section 4.4.2.5)."""


def is_plain(hdu: Any) -> bool:
    """Whether the pixels of an image's HDU need nothing but to be turned into float32.

    Plain are 2-D images of 16-bit whole numbers, with or without sign, and of float32, that are
    neither packed nor scaled.
    """
    header, where = hdu.header, hdu.fileinfo() or {}
    if isinstance(hdu, fits.CompImageHDU) or where.get("file") is None:
        return False
    kind = header.get("BITPIX"), header.get("BZERO", 0)
    return (
        where["file"].compression is None
        and header["NAXIS"] == 2
        and header.get("BSCALE", 1) == 1
        and "BLANK" not in header
        and kind in ((16, 0), (16, _UNSIGNED), (-32, 0))
    )


def read_rows(stream: IO[bytes], hdu: Any, rows: slice) -> NDArray[np.float32]:
    """Rows of an image for which `is_plain` holds; their step must be 1.

    Raises
    ------
    FrameError
        The file ends before them.
    """
    header = hdu.header
    nx, bits = int(header["NAXIS1"]), int(header["BITPIX"])
    zero = np.float32(header.get("BZERO", 0))
    picked = range(int(header["NAXIS2"]))[rows]
    out = np.empty((len(picked), nx), np.float32)
    flat, done = out.reshape(-1), 0
    size = abs(bits) // 8
    stream.seek(hdu.fileinfo()["datLoc"] + picked.start * nx * size)
    while done < flat.size:
        wanted = min(_BLOCK, (flat.size - done) * size)
        block = stream.read(wanted)
        if len(block) < wanted:
            raise FrameError("truncated: the file ends before its last pixel")
        part = flat[done : done + wanted // size]
        part[:] = np.frombuffer(block, ">i2" if bits == 16 else ">f4")
        if zero:
            part += zero  # exact: float32 holds whole numbers up to 2^24
        done += part.size
    return out
