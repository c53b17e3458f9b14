"""Reading pixels and writing results: whole or not at all, and only where they belong."""

import gzip
import io
import math
import os
import re
import stat
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.utils.exceptions import AstropyWarning
from numpy.typing import NDArray

from framesort.errors import FrameError, OutputError

try:
    import fcntl
except ImportError:  # not on every system
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "drop_unreadable",
    "image_hdu",
    "json_ready",
    "open_fits",
    "open_whole",
    "read_image",
    "remove_leftovers",
    "safe_name",
    "verify_sums",
    "write_fits",
    "write_table",
    "write_text",
]

StrPath = str | os.PathLike[str]

MOST_BAD_CARDS = 100
"""So many cards without sense may stand in a header that counts as one."""

LARGEST_RATIO = 2000
"""An image cannot be this much larger than its packed file; gzip ends at 1032 to 1."""


def safe_name(text: str, *, fallback: str = "none") -> str:
    """A file or folder name made of a header's text; it cannot lead elsewhere.

    >>> safe_name("../../Ha 3nm")
    'Ha-3nm'
    """
    name = re.sub(r"[^\w.+-]+", "-", text.strip()).strip("-.")
    # Bytes, since file systems count them, and room for an ending.
    return name.encode(errors="ignore")[:64].decode(errors="ignore").strip("-.") or fallback


def image_hdu(hdus: fits.HDUList) -> fits.hdu.base.ExtensionHDU:
    """The first HDU that holds an image, plain or tile-compressed.

    Raises
    ------
    FrameError
        There is none, or the file does not hold as many pixels as its header promises.
    """
    for hdu in hdus:
        if (
            isinstance(hdu, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU)
            and hdu.header.get("NAXIS", 0) >= 2
        ):
            drop_unreadable(hdu.header)
            _check_size(hdu)
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


def _check_size(hdu: fits.hdu.base.ExtensionHDU) -> None:
    """Hold what a header promises against the file, before memory is asked for."""
    sides = [int(hdu.header[f"NAXIS{k}"]) for k in range(1, int(hdu.header["NAXIS"]) + 1)]
    if min(sides) < 1:
        raise FrameError(f"an image of {' x '.join(map(str, sides))} pixels")
    size = math.prod(sides) * abs(int(hdu.header["BITPIX"])) // 8
    where = hdu.fileinfo()
    stream = where["file"]
    packed = stream.compression is not None or isinstance(hdu, fits.CompImageHDU)
    there = os.stat(stream.name).st_size if packed else stream.size - where["datLoc"]
    if packed and size > LARGEST_RATIO * there:
        raise FrameError(f"an image of {size} bytes cannot come of {there} packed ones")
    if not packed and size > there:
        raise FrameError(f"truncated: the image needs {size} bytes, {max(there, 0)} are there")


@contextmanager
def open_fits(path: StrPath) -> Iterator[fits.HDUList]:
    """Open a FITS file for reading; the file is closed whatever its contents do.

    Astropy's remarks on headers that break the standard are not passed on; they are
    looked at where a keyword's value counts.

    Raises
    ------
    FrameError
        It is no regular file; a pipe might never end.
    OSError
        It cannot be opened or is no FITS file.
    """
    if not stat.S_ISREG(os.stat(path).st_mode):
        raise FrameError(f"{path}: is no regular file")
    # Damaged numbers overflow here and there; what comes of them is looked at by its readers.
    with warnings.catch_warnings(), np.errstate(all="ignore"), open(path, "rb") as stream:
        warnings.simplefilter("ignore", AstropyWarning)
        with fits.open(stream, memmap=False, lazy_load_hdus=True) as hdus:
            yield hdus


def read_image(
    path: StrPath, *, rows: slice | None = None
) -> tuple[NDArray[np.float32], fits.Header]:
    """Pixels and header of the first image of a FITS file.

    Parameters
    ----------
    path : path
        FITS, also tile-compressed (.fz) or gzipped (.gz).
    rows : slice or None
        Only these rows (axis y) of the image; None for all.

    Returns
    -------
    data : (ny, nx) or (planes, ny, nx) float32 ndarray
        BZERO, BSCALE applied; BLANK pixels are NaN. A fresh, native-order copy.
    header : `~astropy.io.fits.Header`

    Raises
    ------
    FrameError
        Unreadable, truncated or without a 2-D or 3-D image. The message names the file.
    """
    try:
        with open_fits(path) as hdus:
            hdu = image_hdu(hdus)
            header = hdu.header.copy()
            if header["NAXIS"] > 3:
                raise FrameError(f"{path}: image has {header['NAXIS']} axes, 2 or 3 are needed")
            cut = (..., slice(None) if rows is None else rows, slice(None))
            # An uncompressed file is read row-wise from disk; others must be unpacked anyway.
            pixels = (
                hdu.section[cut] if rows is not None and header["NAXIS"] == 2 else hdu.data[cut]
            )
            return np.array(pixels, dtype=np.float32), header
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


def verify_sums(path: StrPath) -> bool:
    """Whether the image's HDU agrees with the CHECKSUM and DATASUM in its header.

    True also where there are none. Sums in ones' complement of 32-bit words: FITS standard 4.0,
    section 4.4.2.7 and appendix J. For a tile-compressed image they are those of the packed
    bytes.

    Raises
    ------
    FrameError
        The file cannot be read.
    """
    try:
        with warnings.catch_warnings(), open(path, "rb") as stream:
            warnings.simplefilter("ignore", AstropyWarning)
            with fits.open(stream, memmap=False, disable_image_compression=True) as hdus:
                for hdu in hdus:
                    header = hdu.header
                    if header.get("NAXIS", 0) >= 2 and (hdu.is_image or "ZIMAGE" in header):
                        break
                else:
                    return True
                told = {key: str(header.get(key, "")).strip() for key in ("CHECKSUM", "DATASUM")}
                place = hdu.fileinfo()
        # All noughts stand for a sum that was never worked out.
        told = {key: text for key, text in told.items() if text.strip("0") or text == "0"}
        if not told:
            return True
        with open(path, "rb") as plain:
            packed = plain.read(2) == b"\x1f\x8b"
        with cast(IO[bytes], gzip.open(path) if packed else open(path, "rb")) as stream:
            stream.seek(place["hdrLoc"])
            of_header = _sum_words(stream, place["datLoc"] - place["hdrLoc"])
            of_data = _sum_words(stream, place["datSpan"])
        if "DATASUM" in told and int(told["DATASUM"]) != of_data:
            return False
        return "CHECKSUM" not in told or _fold(of_header + of_data) in (0, 0xFFFFFFFF)
    except ValueError:  # DATASUM is no number
        return False
    except Exception as error:  # any damage to a file surfaces here
        raise FrameError(f"{path}: cannot be read as FITS ({error})") from error


def _sum_words(stream: IO[bytes], size: int) -> int:
    total = 0
    while size > 0:
        block = stream.read(min(size, 1 << 23))
        if not block:
            raise FrameError("truncated")
        size -= len(block)
        words = np.frombuffer(block[: len(block) // 4 * 4], dtype=">u4")
        total = _fold(total + int(words.sum(dtype=np.uint64)))
    return total


def _fold(total: int) -> int:
    """Carry what is above 32 bits around, as sums in ones' complement do."""
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


@contextmanager
def open_whole(path: StrPath, *, overwrite: bool = True) -> Iterator[IO[bytes]]:
    """Open a file that appears under its name only when written to the end.

    Writes to a temporary file in the same folder, flushes it to disk, then renames. What a
    killed run leaves of it, `remove_leftovers` finds.

    Raises
    ------
    OutputError
        The file exists and `overwrite` is false, or the folder cannot be written.
    """
    target = Path(path)
    if target.exists() and not overwrite:
        raise OutputError(f"{target} exists already; give --overwrite to replace it")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(
            dir=target.parent, prefix=f".{target.name}.", suffix=".part"
        )
    except OSError as error:
        raise OutputError(f"{target}: cannot be written ({error.strerror or error})") from error
    try:
        os.close(handle)  # opened anew, so that the stream knows its name, as TIFF writers want
        with open(name, "wb") as stream:
            _lock(stream)
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o644)
        os.replace(name, target)
        _flush_folder(target.parent)
    except BaseException as error:
        Path(name).unlink(missing_ok=True)
        if isinstance(error, OSError) and not isinstance(error, OutputError):
            raise OutputError(f"{target}: cannot be written ({error.strerror or error})") from error
        raise


def _lock(stream: IO[bytes]) -> bool:
    """Mark a temporary file as in use; false if another process has it. The mark dies with it."""
    if fcntl is None:
        return True
    try:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:  # a file system without locks
        return True
    return True


def _flush_folder(folder: Path) -> None:
    """Bring a rename to disk, so that it outlasts a pulled plug; not every system can."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def remove_leftovers(folder: StrPath, name: str = "*") -> None:
    """Remove the temporary files that killed runs left in a folder (not below it).

    Parameters
    ----------
    folder : path
        Where to look; what cannot be removed stays.
    name : str
        Only those of the file of this name; a pattern.
    """
    for path in Path(folder).glob(f".{name}.????????.part"):
        try:
            with open(path, "r+b") as stream:
                if _lock(stream):
                    path.unlink()
        except OSError:
            continue


def write_fits(
    path: StrPath,
    data: NDArray[Any],
    header: fits.Header | None = None,
    *,
    extensions: dict[str, NDArray[Any]] | None = None,
    overwrite: bool = True,
) -> None:
    """Write an image and named extensions, whole or not at all.

    Parameters
    ----------
    path : path
        Target.
    data : ndarray
        Primary image, [y, x] or [plane, y, x].
    header : `~astropy.io.fits.Header` or None
        Cards of the primary image; those that describe the data's form are set anew.
    extensions : dict of str to ndarray
        EXTNAME and image of each extension.
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `open_whole`.
    """
    cards = fits.Header() if header is None else header.copy()
    for keyword in (
        "BZERO",
        "BSCALE",
        "BLANK",
        "CHECKSUM",
        "DATASUM",
        "XTENSION",
        "EXTNAME",
        "PCOUNT",
        "GCOUNT",
    ):
        cards.remove(keyword, ignore_missing=True, remove_all=True)
    hdus = fits.HDUList([fits.PrimaryHDU(data, cards)])
    for name, pixels in (extensions or {}).items():
        hdus.append(fits.ImageHDU(pixels, name=name))
    with open_whole(path, overwrite=overwrite) as stream:
        hdus.writeto(stream, output_verify="silentfix")


def write_table(path: StrPath, table: Table, *, overwrite: bool = True) -> None:
    """Write a table as ECSV, whole or not at all."""
    text = io.StringIO()
    table.write(text, format="ascii.ecsv")
    write_text(path, text.getvalue(), overwrite=overwrite)


def json_ready(value: Any) -> Any:
    """Plain values for JSON: NaN and infinities become null, arrays lists, times text."""
    if isinstance(value, Mapping):
        return {str(key): json_ready(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [json_ready(item) for item in value]
    if isinstance(value, np.generic):
        return json_ready(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, Path):
        return str(value)
    return value


def write_text(path: StrPath, text: str, *, overwrite: bool = True) -> None:
    """Write a text as UTF-8, whole or not at all."""
    with open_whole(path, overwrite=overwrite) as stream:
        stream.write(text.encode())
