"""Tile-compressed images unpacked in bands of tiles, never whole (FITS standard 4.0, chapter 10).

Each band is handed to the library as a small file of its own: the rows of the table that describe
its tiles, and the part of the heap that holds them.
"""

import math
import re
from collections.abc import Iterator
from io import BytesIO
from typing import IO, Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from framesort.errors import FrameError
from framesort.files._scan import BLOCK, check_tiles
from framesort.files._text import StrPath

__all__ = ["BAND", "TiledImage"]

BAND = 256
"""Rows of an image that are unpacked at a time, where tiles are not higher."""

_SIZES = {"L": 1, "B": 1, "I": 2, "J": 4, "K": 8, "E": 4, "D": 8}  # bytes of kinds of elements

_SEEDS = 10000  # of the dithering: FITS standard 4.0, section 10.2.1


_FORM = re.compile(
    r"XTENSION|BITPIX|[PG]COUNT|TFIELDS|BZERO|BSCALE|BLANK|NAXIS\d?|(TTYPE|TFORM)\d+|Z\w+"
)
"""Keywords that say how an image is stored."""


class TiledImage:
    """A compressed image of two axes in an open file.

    Parameters
    ----------
    path : path
        Named in errors.
    stream : binary stream
        The file.
    hdu : `~astropy.io.fits.BinTableHDU`
        The image as the table that it is stored in.

    Raises
    ------
    FrameError
        The file ends before the table does, or the table describes no tiles of the image.
    """

    def __init__(self, path: StrPath, stream: IO[bytes], hdu: Any) -> None:
        self._path, self._stream, self._header = path, stream, hdu.header
        header = hdu.header
        self.shape = int(header["ZNAXIS2"]), int(header["ZNAXIS1"])
        self._height = int(header.get("ZTILE2", 1))
        wide = int(header.get("ZTILE1", self.shape[1]))
        width, rows = int(header["NAXIS1"]), int(header["NAXIS2"])
        if min(wide, self._height, width, *self.shape) < 1:
            raise FrameError("tiles without pixels")
        self._across = math.ceil(self.shape[1] / wide)
        if rows != self._across * math.ceil(self.shape[0] / self._height):
            raise FrameError(f"{rows} tiles do not make the image")
        begin = hdu.fileinfo()["datLoc"]
        self._heap = begin + int(header.get("THEAP", width * rows))
        self._table = np.frombuffer(self._read(begin, width * rows), np.uint8).reshape(rows, width)
        self._pointers = list(_pointers(hdu.columns))

    def _read(self, begin: int, size: int) -> bytes:
        self._stream.seek(begin)
        data = self._stream.read(size)
        if len(data) < size:
            raise FrameError("truncated: the file ends before its last tile")
        return data

    def read_rows(self, rows: slice) -> NDArray[np.float32]:
        """Rows of the image as float32; any step above 0."""
        picked = range(self.shape[0])[rows]
        out = np.empty((len(picked), self.shape[1]), np.float32)
        band = max(BAND // self._height, 1) * self._height
        done = 0
        while done < len(picked):
            first = picked[done] // self._height * self._height
            last = min(first + band, self.shape[0])
            here = picked[done : done + len(range(picked[done], last, picked.step))]
            last = min(math.ceil((here[-1] + 1) / self._height) * self._height, self.shape[0])
            part = self._unpack(first, last)
            out[done : done + len(here)] = part[here.start - first : here.stop - first : here.step]
            done += len(here)
        return out

    def _unpack(self, first: int, last: int) -> NDArray[Any]:
        """Some rows of the image, which begin and end with a tile."""
        begin = first // self._height * self._across
        end = math.ceil(last / self._height) * self._across
        table = self._table[begin:end].copy()
        heap = self._move_heap(table)
        cards = (card for card in self._header.cards if _FORM.fullmatch(card.keyword))
        header = fits.Header([(card.keyword, card.value) for card in cards])
        header["NAXIS2"], header["PCOUNT"], header["ZNAXIS2"] = len(table), len(heap), last - first
        if "ZDITHER0" in header:  # tiles are counted from it
            header["ZDITHER0"] = (int(header["ZDITHER0"]) - 1 + begin) % _SEEDS + 1
        content = b"".join(
            [fits.PrimaryHDU().header.tostring().encode(), header.tostring().encode("ascii"),
             table.tobytes(), heap]
        )  # fmt: skip
        content += bytes(-len(content) % BLOCK)
        with fits.open(BytesIO(content), memmap=False, disable_image_compression=True) as hdus:
            check_tiles(self._path, hdus, hdus[1].fileinfo()["hdrLoc"])
        with fits.open(BytesIO(content), memmap=False) as hdus:
            return np.asarray(hdus[1].data)

    def _move_heap(self, table: NDArray[np.uint8]) -> bytes:
        """The part of the heap to which rows of the table point, which then point into it."""
        views = [
            (table[:, at : at + 2 * size].copy().view(f">i{size}"), at, 2 * size, unit)
            for at, size, unit in self._pointers
        ]
        low, high = 1 << 62, 0
        for numbers, _, _, unit in views:
            used = numbers[numbers[:, 0] != 0].astype(np.int64)
            if len(used):
                low = min(low, int(used[:, 1].min()))
                high = max(high, int((used[:, 0] * unit + used[:, 1]).max()))
        if not 0 <= low <= high <= int(self._header["PCOUNT"]):
            raise FrameError("tiles lie outside of their table")
        for numbers, at, size, _ in views:
            numbers[:, 1] = np.where(numbers[:, 0] != 0, numbers[:, 1] - low, 0)
            table[:, at : at + size] = numbers.view(np.uint8)
        return self._read(self._heap + low, high - low)


def _pointers(columns: Any) -> Iterator[tuple[int, int, int]]:
    """Byte, size of a number in it and size of an element of columns that point into the heap."""
    for name, format in zip(columns.names, columns.formats, strict=True):
        kind = str(format).lstrip("01")
        if kind[:1] in ("P", "Q"):
            yield columns.dtype.fields[name][1], 4 if kind[0] == "P" else 8, _SIZES[kind[1]]
