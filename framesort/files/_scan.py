"""What headers promise, checked against the file before memory or time is spent on it."""

import gzip
import math
import os
import re
import zipfile
import zlib
from typing import IO, Any, NamedTuple, cast

import numpy as np
from astropy.io import fits

from framesort.errors import FrameError
from framesort.files._text import StrPath

__all__ = [
    "PromisedSize",
    "check_size",
    "check_tiles",
    "goes_on",
    "promised_size",
    "scan_headers",
    "unpacked",
]

LARGEST_RATIO = 2000
"""An image cannot be this much larger than its packed file; gzip ends at 1032 to 1."""

MOST_UNPACKED = 1 << 32
"""Bytes of a packed file beyond which nothing more is looked for in it."""

SMALL_TILE = 1 << 28
"""Bytes to which a compressed tile may grow unasked."""

BLOCK = 2880
LONGEST_HEADER = 1 << 26  # bytes
MOST_SCANNED = 1 << 22  # bytes of a header in a file that is looked at again and again
MOST_HDUS = 1000
MOST_AXES = 999  # FITS standard 4.0, section 4.4.1; of the fields of a table section 7.3.1
_CARD = re.compile(rb"(NAXIS\d{0,3}|BITPIX|PCOUNT|GCOUNT|TFIELDS|ZNAXIS) *= *([+-]?\d+)")
_OTHERWISE_PACKED = (b"BZh", b"PK", b"\xfd7zXZ", b"\x1f\x9d")
_END = b"END" + b" " * 77


def unpacked(stream: IO[bytes]) -> IO[bytes]:
    """The stream, from its beginning; what a gzipped one holds."""
    stream.seek(0)
    packed = stream.read(2) == b"\x1f\x8b"
    stream.seek(0)
    return cast(IO[bytes], gzip.GzipFile(fileobj=stream)) if packed else stream


def scan_headers(stream: IO[bytes]) -> None:
    """Refuse headers over which a reader would spend all memory or never end.

    A gzipped file is looked at as far as the first data in it.

    Raises
    ------
    FrameError
        It is no FITS file at all, its header has a number of axes or fields beyond the standard,
        or holds a keyword of the data's form twice.
    """
    plain = unpacked(stream)
    begin = plain.read(9)
    if begin != b"SIMPLE  =" and not begin.startswith(_OTHERWISE_PACKED):
        raise FrameError("is no FITS file" if begin else "is empty")
    if begin.startswith(b"PK") and any(  # a reader unpacks all of it
        entry.file_size > MOST_UNPACKED for entry in zipfile.ZipFile(stream).infolist()
    ):
        raise FrameError("the archive holds more than 4 GiB")
    offset = 0
    for _ in range(MOST_HDUS):
        plain.seek(offset)
        header = _read_header(plain)
        if not header:
            return
        size = _data_size(_check_form(header))
        if size < 0 or (size and plain is not stream):
            return
        offset += len(header) + -(-size // BLOCK) * BLOCK


def _data_size(sizes: dict[str, int]) -> int:
    """Bytes of the data that a header describes."""
    sides = [sizes.get(f"NAXIS{k}", 0) for k in range(1, sizes.get("NAXIS", 0) + 1)]
    size = math.prod(sides) if sides else 0
    return (
        (size + sizes.get("PCOUNT", 0)) * sizes.get("GCOUNT", 1) * abs(sizes.get("BITPIX", 8)) // 8
    )


class PromisedSize(NamedTuple):
    """Bytes of a FITS file by its headers, as far as they are written.

    Attributes
    ----------
    data : int
        As far as the end of the data of the last HDU.
    blocks : int
        With what fills the last block.
    """

    data: int
    blocks: int


def promised_size(stream: IO[bytes]) -> PromisedSize:
    """How long a FITS file must be by its headers, to tell whether it is still being written.

    Parameters
    ----------
    stream : binary stream
        A plain FITS file, perhaps half-written.

    Returns
    -------
    PromisedSize
        More than is there while a header has no end, while there is no data at all, and while
        data are missing. Bytes after the last HDU that are no extension do not count.

    Raises
    ------
    FrameError
        It is no plain FITS file, or headers break the standard so that no size follows.
    """
    there = stream.seek(0, os.SEEK_END)
    offset, some, ends = 0, False, PromisedSize(0, 0)
    for _ in range(MOST_HDUS):
        stream.seek(offset)
        begin, first = (b"XTENSION=" if offset else b"SIMPLE  ="), stream.read(9)
        begun = first == begin or (begin.startswith(first) and first != b"")
        if not begun and offset and some:
            return ends
        if not begun and not offset and first.strip(b"\0"):
            raise FrameError("is no plain FITS file")
        stream.seek(offset)
        header = _read_header(stream, most=MOST_SCANNED) if first == begin else b""
        if not header:
            if there - offset > MOST_SCANNED:
                raise FrameError("the header has no end")
            missing = (there - offset) // BLOCK * BLOCK + BLOCK
            return PromisedSize(offset + missing, offset + missing)
        size = _data_size(_check_form(header))
        if size < 0:
            raise FrameError("the header asks for less than no data")
        some = some or size > 0
        offset += len(header)
        ends = PromisedSize(offset + size, offset - (-size // BLOCK) * BLOCK)
        offset = ends.blocks
        if offset > there:
            return ends
    return ends


def goes_on(hdu: Any) -> bool:
    """Whether another HDU follows in the file; what is no extension is cut off, unread.

    Packed files may hold a thousand times what they take on disk, and a reader that looks for a
    header there would gather all of it.
    """
    where = hdu.fileinfo() or {}
    if "datSpan" not in where:
        return True
    stream, end = where["file"], where["datLoc"] + where["datSpan"]
    if stream.compression is None:  # scan_headers has been there
        return bool(end < stream.size)
    if end > MOST_UNPACKED:
        return False
    stream.seek(end)
    header = _read_header(stream, b"XTENSION=")
    if not header:
        return False
    _check_form(header)
    return True


def _check_form(header: bytes) -> dict[str, int]:
    """What a header says of the data's form, if there can be such data."""
    sizes = _numbers(header)
    if max(sizes.get(name, 0) for name in ("NAXIS", "ZNAXIS", "TFIELDS")) > MOST_AXES:
        raise FrameError("the header asks for more axes or fields than there can be")
    return sizes


def check_tiles(path: StrPath, hdus: fits.HDUList, place: int) -> None:
    """Refuse tiles of a compressed image that unpack to more than a tile can hold.

    Those packed by gzip may be a thousand times as large; the other kinds are unpacked into
    the place that a tile has.

    Parameters
    ----------
    path : path
        The file.
    hdus : `~astropy.io.fits.HDUList`
        The file, with compressed images as the tables that they are stored in.
    place : int
        Where the header of the image's HDU lies in the file.
    """
    (hdu,) = (one for one in hdus if (one.fileinfo() or {}).get("hdrLoc") == place)
    cards, axes = hdu.header, range(1, int(hdu.header["ZNAXIS"]) + 1)
    sides = [int(cards[f"ZNAXIS{k}"]) for k in axes]
    tile = [int(cards.get(f"ZTILE{k}", sides[0] if k == 1 else 1)) for k in axes]
    limit = 8 * math.prod(min(pair) for pair in zip(sides, tile, strict=True))
    columns = ["GZIP_COMPRESSED_DATA"]
    if str(cards.get("ZCMPTYPE", "")).startswith("GZIP"):
        columns.append("COMPRESSED_DATA")
    for name in set(columns) & set(hdu.columns.names):
        for cells in hdu.data[name]:
            packed = np.asarray(cells).tobytes()
            if len(packed) * LARGEST_RATIO > max(limit, SMALL_TILE) and _swells(packed, limit):
                raise FrameError(f"{path}: a compressed tile holds more than a tile's pixels")


def _swells(packed: bytes, limit: int) -> bool:
    """Whether gzipped bytes, of several members perhaps, unpack to more than `limit`."""
    while packed[:2] == b"\x1f\x8b" and limit >= 0:
        member = zlib.decompressobj(wbits=31)
        limit -= len(member.decompress(packed, limit + 1))
        packed = member.unused_data
    return limit < 0


def _read_header(stream: IO[bytes], begin: bytes = b"", *, most: int = LONGEST_HEADER) -> bytes:
    """Blocks as far as the END card; nothing where there is none, or it begins otherwise."""
    blocks: list[bytes] = []
    for _ in range(most // BLOCK):
        block = stream.read(BLOCK)
        if len(block) < BLOCK or not (blocks or block.startswith(begin)):
            return b""
        blocks.append(block)
        if any(
            block[at : at + 80] == _END for at in range(block.find(b"END") // 80 * 80, BLOCK, 80)
        ):
            return b"".join(blocks)
    return b""


def _numbers(header: bytes) -> dict[str, int]:
    """Whole numbers of the keywords that say what form the data have."""
    sizes: dict[str, int] = {}
    for at in range(0, len(header), 80):
        found = _CARD.match(header, at, at + 80)
        if found is not None:
            name = found[1].decode()
            if name in sizes:
                raise FrameError(f"the header holds {name} twice")
            sizes[name] = int(found[2])
    return sizes


def check_size(hdu: fits.hdu.base.ExtensionHDU) -> None:
    """Compare the sizes in a header with the file, before memory is allocated."""
    sides = [int(hdu.header[f"NAXIS{k}"]) for k in range(1, int(hdu.header["NAXIS"]) + 1)]
    if min(sides) < 1:
        raise FrameError(f"an image of {' x '.join(map(str, sides))} pixels")
    size = math.prod(sides) * abs(int(hdu.header["BITPIX"])) // 8
    where = hdu.fileinfo()
    stream = where["file"]
    gzipped = stream.compression is not None
    packed = gzipped or isinstance(hdu, fits.CompImageHDU)
    there = os.stat(stream.name).st_size if gzipped else stream.size
    there = there if packed else there - where["datLoc"]
    if packed and size > LARGEST_RATIO * there:
        raise FrameError(f"an image of {size} bytes cannot come of {there} packed ones")
    if not packed and size > there:
        raise FrameError(f"truncated: the image needs {size} bytes, {max(there, 0)} are there")
