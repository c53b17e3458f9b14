"""Writing: under its name a file appears only when it is whole."""

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from framesort.errors import OutputError
from framesort.files._text import StrPath

try:
    import fcntl
except ImportError:  # not on every system
    fcntl = None  # type: ignore[assignment]

__all__ = ["open_whole", "remove_leftovers", "write_fits", "write_text"]

_PLAIN = ("u1", "i2", "i4", "i8", "f4", "f8")
"""Kinds of numbers that a FITS image holds as they are."""

_AT_ONCE = 2**20  # pixels


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
        raise OutputError(f"{target}: cannot be written ({_cause(error)})") from error
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
            raise OutputError(f"{target}: cannot be written ({_cause(error)})") from error
        raise


def _cause(error: BaseException) -> str:
    """What the system said, also where a writer has wrapped it in words of its own."""
    first: BaseException | None = error
    while first is not None:
        if isinstance(first, OSError) and first.strerror:
            return first.strerror
        first = first.__cause__ or first.__context__
    said = " ".join(str(error).split())
    # The FITS writer's own sentences on a full disk, several in one.
    return os.strerror(errno.ENOSPC) if "Not enough space on disk" in said else said


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
    images = [data, *(extensions or {}).values()]
    hdus = fits.HDUList([fits.PrimaryHDU(data, cards)])
    for name, pixels in (extensions or {}).items():
        hdus.append(fits.ImageHDU(pixels, name=name))
    with open_whole(path, overwrite=overwrite) as stream:
        if any(image.dtype.str[1:] not in _PLAIN for image in images):
            hdus.writeto(stream, output_verify="silentfix")
            return
        hdus.update_extend()
        hdus.verify("silentfix")
        for hdu, image in zip(hdus, images, strict=True):
            stream.write(hdu.header.tostring().encode("ascii"))
            _write_pixels(stream, image)


def _write_pixels(stream: IO[bytes], image: NDArray[Any]) -> None:
    """Pixels in the byte order of the file, and what fills its last block, a part at a time.

    `astropy.io.fits` turns the bytes of the array itself round and back again: whoever looks at
    it meanwhile, in another thread, would see rubbish.
    """
    flat = np.ascontiguousarray(image).reshape(-1)
    stored = image.dtype.newbyteorder(">")
    for first in range(0, flat.size, _AT_ONCE):
        stream.write(flat[first : first + _AT_ONCE].astype(stored).tobytes())
    stream.write(bytes(-flat.nbytes % 2880))


def write_text(
    path: StrPath, text: str, *, errors: str = "surrogateescape", overwrite: bool = True
) -> None:
    """Write a text as UTF-8, whole or not at all.

    Bytes of file names that are no letters are written as they are, unless `errors` (see
    `codecs`) says otherwise.
    """
    with open_whole(path, overwrite=overwrite) as stream:
        stream.write(text.encode(errors=errors))
