"""Pixels of plain FITS images, turned into float32 block by block as they are read."""

from collections.abc import Callable
from dataclasses import dataclass
from io import BufferedIOBase
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from framesort.errors import FrameError

__all__ = ["Decode", "Layout", "find_layout", "read_rows"]

_BLOCK = 1 << 18  # bytes: what is read stays in a processor's cache until it is turned

_UNSIGNED = 32768
"""BZERO of 16-bit numbers without sign (FITS standard 4.0, section 4.4.2.5)."""

_NO_BLANK = 1 << 20
"""In place of BLANK where there is none: no 16-bit number."""

Decode = Callable[[NDArray[np.uint16], float, int, NDArray[np.float32]], object]
"""Turns 16-bit numbers as they are in the file; BZERO, BLANK, and where the result goes."""


@dataclass(frozen=True, kw_only=True)
class Layout:
    """Where the pixels of a plain image lie in its file.

    Attributes
    ----------
    shape : (int, int)
        Rows and columns.
    offset : int
        Byte of the first pixel.
    bits : int
        BITPIX: 16 or -32.
    zero : float
        BZERO.
    blank : int
        BLANK, or a number that no pixel has.
    """

    shape: tuple[int, int]
    offset: int
    bits: int
    zero: float
    blank: int


def find_layout(hdu: Any) -> Layout | None:
    """The layout of an image's HDU; None where its pixels need more than to be turned into float32.

    Plain are 2-D images of 16-bit whole numbers, whose BZERO may be one too, and of float32, that
    are neither packed nor scaled.
    """
    header, where = hdu.header, hdu.fileinfo() or {}
    packed = isinstance(hdu, fits.CompImageHDU) or "ZIMAGE" in header
    if packed or where.get("file") is None or where["file"].compression is not None:
        return None
    bits, zero, blank = header["BITPIX"], header.get("BZERO", 0), header.get("BLANK", _NO_BLANK)
    plain = (
        header["NAXIS"] == 2
        and min(header["NAXIS1"], header["NAXIS2"]) > 0
        and header.get("BSCALE", 1) == 1
        and isinstance(zero, int | float)
        and isinstance(blank, int)
        and ((bits == 16 and zero == np.trunc(zero)) or (bits == -32 and zero == 0))
        # Of whole numbers without sign and of floats BLANK is not looked at.
        and (blank == _NO_BLANK or (bits == 16 and zero != _UNSIGNED))
    )
    if not plain:
        return None
    return Layout(
        shape=(int(header["NAXIS2"]), int(header["NAXIS1"])),
        offset=int(where["datLoc"]), bits=int(bits), zero=float(zero), blank=int(blank),
    )  # fmt: skip


def read_rows(
    stream: BufferedIOBase, layout: Layout, rows: slice, *, decode: Decode | None = None
) -> NDArray[np.float32]:
    """Rows of a plain image; a step above 1 reads single rows.

    Parameters
    ----------
    stream : `~io.BufferedIOBase`
        Of the file.
    layout : Layout
    rows : slice
    decode : callable or None
        Turns 16-bit numbers; None for one that needs no compiled code.

    Raises
    ------
    FrameError
        The file ends before them.
    """
    picked = range(layout.shape[0])[rows]
    columns, size = layout.shape[1], abs(layout.bits) // 8
    many = max(1, _BLOCK // (columns * size)) if picked.step == 1 else 1
    out = np.empty((len(picked), columns), np.float32)
    buffer = np.empty((min(many, len(picked)), columns), np.uint16 if size == 2 else ">f4")
    for first in range(0, len(picked), many):
        part = out[first : first + many]
        raw = buffer[: len(part)]
        if first == 0 or picked.step != 1:
            stream.seek(layout.offset + picked[first] * columns * size)
        if stream.readinto(raw.view(np.uint8).data) < raw.nbytes:
            raise FrameError("truncated: the file ends before its last pixel")
        if size == 2:
            (decode or _decode)(raw, layout.zero, layout.blank, part)
        else:
            part[:] = raw
    return out


def _decode(raw: NDArray[np.uint16], zero: float, blank: int, out: NDArray[np.float32]) -> None:
    numbers = raw.view(">i2")
    out[:] = numbers
    if zero:
        out += np.float32(zero)  # exact: float32 holds whole numbers up to 2^24
    if blank != _NO_BLANK:
        out[numbers == blank] = np.nan
