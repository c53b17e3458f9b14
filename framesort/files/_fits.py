"""FITS files: opening them, their first image, its pixels."""

import os
import stat
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from io import BufferedIOBase
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning
from numpy.typing import NDArray

from framesort.errors import FrameError
from framesort.files._content import open_content
from framesort.files._plain import find_layout, read_rows
from framesort.files._raw import PACKED_SUFFIXES, is_raw, raw_as_fits
from framesort.files._scan import check_size, check_tiles, goes_on, scan_headers
from framesort.files._text import StrPath
from framesort.files._tiles import BAND, TiledImage

__all__ = [
    "drop_unreadable",
    "image_hdu",
    "in_order",
    "named_hdu",
    "open_fits",
    "read_image",
    "reads_by_rows",
]

MOST_BAD_CARDS = 100
"""So many cards without sense may stand in a header that counts as one."""


def image_hdu(hdus: fits.HDUList) -> fits.hdu.base.ExtensionHDU:
    """The first HDU that holds an image, plain or tile-compressed.

    Raises
    ------
    FrameError
        There is none, or the file does not hold as many pixels as its header promises.
    """
    for hdu in in_order(hdus):
        if (
            isinstance(hdu, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU)
            and hdu.header.get("NAXIS", 0) >= 2
        ):
            drop_unreadable(hdu.header)
            check_size(hdu)
            return hdu
    raise FrameError("no image in the file")


def drop_unreadable(header: fits.Header) -> fits.Header:
    """Take cards whose value or comment cannot be parsed out of a header, and give it back.

    Raises
    ------
    FrameError
        There are so many of them that the header is no header.
    """
    bad = []
    for number, card in enumerate(header.cards):
        try:
            card.value, card.comment  # noqa: B018 - parsed when looked at
        except Exception:  # the parser raises several kinds
            bad.append(number)
            if len(bad) > MOST_BAD_CARDS:
                raise FrameError("the header cannot be understood") from None
    for number in reversed(bad):
        del header[number]
    return header


def named_hdu(hdus: fits.HDUList, name: str) -> Any:
    """The first HDU whose EXTNAME is `name`, None where there is none."""
    for hdu in in_order(hdus):
        if str(hdu.name).upper() == name:
            return hdu
    return None


def in_order(hdus: fits.HDUList) -> Iterator[Any]:
    """HDUs as they lie in the file; damaged sizes must not lead back to one read before."""
    last, number = -1, 0
    while True:
        try:
            hdu = hdus[number]
        except IndexError:
            return
        place = (hdu.fileinfo() or {}).get("hdrLoc", last + 1)
        if place <= last:
            raise FrameError("sizes in the headers lead backwards")
        last, number = place, number + 1
        yield hdu
        if not goes_on(hdu):
            return


@contextmanager
def open_fits(path: StrPath, *, unpack: bool = True) -> Iterator[fits.HDUList]:
    """Open a FITS file for reading; the file is closed whatever its contents do.

    Astropy's remarks on headers that break the standard are not passed on; they are
    looked at where a keyword's value counts.

    Parameters
    ----------
    path : path
        FITS, also gzipped; a camera raw file, see `raw_as_fits`.
    unpack : bool
        Show tile-compressed images as images; if not, as the tables that they are stored in.

    Raises
    ------
    FrameError
        It is no regular file (a pipe might never end), or its headers ask for what cannot be.
    OSError
        It cannot be opened or is no FITS file.
    """
    with _open_both(path, unpack=unpack) as (hdus, _):
        yield hdus


@contextmanager
def _open_both(
    path: StrPath, *, unpack: bool = True
) -> Iterator[tuple[fits.HDUList, BufferedIOBase]]:
    """As `open_fits`, and the stream that astropy reads from."""
    if not stat.S_ISREG(os.stat(path).st_mode):
        raise FrameError(f"{path}: is no regular file")
    # Damaged numbers overflow here and there; what comes of them is looked at by its readers.
    source = raw_as_fits(path) if is_raw(path) else open_content(path)
    with warnings.catch_warnings(), np.errstate(all="ignore"), source as stream:
        warnings.simplefilter("ignore", AstropyWarning)
        scan_headers(stream)
        stream.seek(0)
        with fits.open(
            stream, memmap=False, lazy_load_hdus=True, disable_image_compression=not unpack
        ) as hdus:
            yield hdus, stream


def read_image(
    path: StrPath, *, rows: slice | None = None
) -> tuple[NDArray[np.float32], fits.Header]:
    """Pixels and header of the first image of a FITS file.

    Parameters
    ----------
    path : path
        FITS, also tile-compressed (.fz) or gzipped (.gz); a camera raw file.
    rows : slice or None
        Only these rows (axis y) of the image; None for all.

    Returns
    -------
    data : (ny, nx) or (planes, ny, nx) float32 ndarray
        A single plane is (ny, nx) even where the file calls it a cube. BZERO, BSCALE applied;
        BLANK pixels are NaN, and those that an extension MASK marks, as ccdproc leaves it. A
        fresh, native-order copy.
    header : `~astropy.io.fits.Header`

    Raises
    ------
    FrameError
        Unreadable, truncated or without a 2-D or 3-D image. The message names the file.
    """
    try:
        with _open_both(path) as (hdus, stream):
            hdu = image_hdu(hdus)
            header = hdu.header.copy()
            if header["NAXIS"] > 3:
                raise FrameError(f"{path}: image has {header['NAXIS']} axes, 2 or 3 are needed")
            rows = slice(None) if rows is None else rows
            layout = find_layout(hdu)
            if layout is not None:
                data = read_rows(stream, layout, rows)
            else:
                data = _unpacked_rows(path, hdu, rows)
            data = data[0] if data.ndim == 3 and len(data) == 1 else data
            mask = named_hdu(hdus, "MASK")
            if mask is not None and mask.shape == (header["NAXIS2"], header["NAXIS1"]):
                bad = np.asarray(mask.data[rows]) != 0
                data[..., bad] = np.nan
            return data, header
    except FrameError as error:
        raise FrameError(str(error) if str(path) in str(error) else f"{path}: {error}") from error
    except FileNotFoundError as error:
        raise FrameError(f"{path}: no such file") from error
    except MemoryError:
        raise
    except Exception as error:  # any damage to a file surfaces here as some exception of the reader
        raise FrameError(
            f"{path}: cannot be read as FITS ({type(error).__name__}: {error})"
        ) from error


def _unpacked_rows(path: StrPath, hdu: Any, rows: slice) -> NDArray[np.float32]:
    """Rows of an image that is scaled, packed or has planes."""
    cut = (..., rows, slice(None))
    if isinstance(hdu, fits.CompImageHDU):
        place = hdu.fileinfo()["hdrLoc"]
        with open_fits(path, unpack=False) as tables:
            if hdu.header["NAXIS"] == 2:
                table = _table_at(tables, place)
                return TiledImage(path, table.fileinfo()["file"], table).read_rows(rows)
            check_tiles(path, tables, place)
    # An uncompressed file is read row-wise from disk; others must be unpacked anyway.
    by_rows = rows != slice(None) and hdu.header["NAXIS"] == 2
    return np.array(hdu.section[cut] if by_rows else hdu.data[cut], dtype=np.float32)


def _table_at(tables: fits.HDUList, place: int) -> Any:
    """The HDU whose header lies at a place in the file."""
    (table,) = (hdu for hdu in in_order(tables) if (hdu.fileinfo() or {}).get("hdrLoc") == place)
    return table


def reads_by_rows(path: StrPath) -> bool:
    """Whether rows of an image can be read without unpacking much more of it.

    So it is for files that are not packed, and for images compressed in tiles that are not high.
    """
    name = os.fspath(path).lower()
    if not name.endswith(".fz"):
        return not name.endswith(PACKED_SUFFIXES)
    try:
        with open_fits(path) as hdus, open_fits(path, unpack=False) as tables:
            hdu = image_hdu(hdus)
            if not isinstance(hdu, fits.CompImageHDU):
                return True
            header = _table_at(tables, hdu.fileinfo()["hdrLoc"]).header
            return bool(header["ZNAXIS"] == 2 and header.get("ZTILE2", 1) <= BAND)
    except Exception:  # any damage; whoever reads the pixels will name it
        return False
