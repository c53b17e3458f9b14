"""Rows of plain FITS images straight from the file: no temporary of full size, no conversion twice.

A memory map would be a copy less, but a file cut short while it is mapped ends the process.
"""

import os
import sys
from dataclasses import dataclass

import numba
import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import FrameError
from framesort.files import image_hdu, named_hdu, open_fits

__all__ = ["PlainImage", "find_plain_image", "read_plain_rows"]

Image = NDArray[np.float32]

NO_BLANK = 1 << 20  # no 16-bit number


@dataclass(frozen=True, kw_only=True)
class PlainImage:
    """Where the pixels of a file lie, and what the file looked like at that time.

    Attributes
    ----------
    path : str
        The file.
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
    size, changed : int
        Bytes of the file and time of its last change, ns.
    """

    path: str
    shape: tuple[int, int]
    offset: int
    bits: int
    zero: float
    blank: int
    size: int
    changed: int


def find_plain_image(path: str) -> tuple[PlainImage | None, Header | None]:
    """The first image of a file and its header, or None if it needs more than to be read.

    Plain are 2-D images of 16-bit whole numbers, whose BZERO may be one too, and of float32.
    Anything else, damaged files as well, is left to `framesort.files.read_image`.
    """
    try:
        state = os.stat(path)
        with open(path, "rb") as stream:
            if stream.read(9) != b"SIMPLE  =":
                return None, None
        with open_fits(path) as hdus:
            hdu = image_hdu(hdus)
            header = hdu.header.copy()
            offset = int(hdu.fileinfo()["datLoc"])
            if named_hdu(hdus, "MASK") is not None:
                return None, None
        bits, zero = int(header["BITPIX"]), float(header.get("BZERO", 0))
        shape = (int(header["NAXIS2"]), int(header["NAXIS1"])) if header["NAXIS"] == 2 else (0, 0)
        plain = (
            sys.byteorder == "little"
            and "ZIMAGE" not in header
            and min(shape) > 0
            and float(header.get("BSCALE", 1)) == 1
            and ((bits == 16 and zero == int(zero)) or (bits == -32 and zero == 0))
            # Of whole numbers without sign read_image has no BLANK.
            and ("BLANK" not in header or zero != 32768)
            and offset + shape[0] * shape[1] * abs(bits) // 8 <= state.st_size
        )
        if not plain:
            return None, None
        blank = int(header.get("BLANK", NO_BLANK)) if bits == 16 else NO_BLANK
    except Exception:  # any damage to a file surfaces here as some exception of the reader
        return None, None
    image = PlainImage(
        path=path, shape=shape, offset=offset, bits=bits, zero=zero, blank=blank,
        size=state.st_size, changed=state.st_mtime_ns,
    )  # fmt: skip
    return image, header


def read_plain_rows(image: PlainImage, rows: slice) -> Image:
    """Rows of an image as float32; a step above 1 reads single rows.

    Raises
    ------
    FrameError
        The file is gone, was changed since `find_plain_image`, or cannot be read.
    """
    picked = range(image.shape[0])[rows]
    width = image.shape[1] * abs(image.bits) // 8
    raw = np.empty((len(picked), width), dtype=np.uint8)
    try:
        with open(image.path, "rb", buffering=0) as stream:
            state = os.fstat(stream.fileno())
            if (state.st_size, state.st_mtime_ns) != (image.size, image.changed):
                raise FrameError(f"{image.path}: was changed while it was stacked")
            runs = [(0, len(picked))] if picked.step == 1 else [(k, 1) for k in range(len(picked))]
            for first, count in runs:
                stream.seek(image.offset + (picked.start + first * picked.step) * width)
                view = raw[first : first + count].data.cast("B")
                while len(view):
                    got = stream.readinto(view)
                    if not got:
                        raise FrameError(f"{image.path}: ends before its last pixel")
                    view = view[got:]
    except OSError as error:
        raise FrameError(f"{image.path}: cannot be read ({error.strerror})") from error
    if image.bits == 16:
        out = np.empty((len(picked), image.shape[1]), dtype=np.float32)
        _decode(raw.view(np.uint16), image.zero, image.blank, out)
        return out
    return raw.view(">f4").astype(np.float32)


@numba.njit(cache=True, nogil=True)
def _decode(
    raw: NDArray[np.uint16], zero: float, blank: int, out: Image
) -> None:  # pragma: no cover
    """Numbers with the high byte first to float32."""
    add = np.float32(zero)
    for r in range(raw.shape[0]):
        one, line = raw[r], out[r]
        for c in range(len(line)):
            v = one[c]
            number = np.int16(np.uint16((v << 8) | (v >> 8)))
            line[c] = np.float32(number) + add
        if blank != NO_BLANK:
            for c in range(len(line)):
                v = one[c]
                if np.int16(np.uint16((v << 8) | (v >> 8))) == blank:
                    line[c] = np.nan
