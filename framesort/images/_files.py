"""Pictures from files and to files: FITS and TIFF."""

import os
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import FrameError, InputError
from framesort.files import StrPath, image_hdu, named_hdu, open_fits, write_fits
from framesort.images._picture import Picture
from framesort.images._tiff import is_tiff, read_tiff, write_tiff
from framesort.records import Note

__all__ = ["check_name", "read_picture", "write_picture"]


def read_picture(path: StrPath) -> Picture:
    """Read a picture of one plane or several from a FITS or TIFF file.

    Parameters
    ----------
    path : path
        TIFF by its ending (.tif, .tiff), anything else is taken for FITS, also packed
        (.fz, .gz). Of a FITS file the first image counts; its extensions WEIGHT and MASK are
        followed where they are there. Of a TIFF file the first page counts.

    Returns
    -------
    Picture
        The first row is the lowest: rows of a TIFF file, which begins at the top, are turned
        over. Integers come as they are, without scaling.

    Raises
    ------
    InputError
        The file is not there, damaged, or holds no picture; one line that names it.
    """
    if is_tiff(path):
        return read_tiff(path)
    try:
        with open_fits(path) as hdus:
            hdu = image_hdu(hdus)
            header = hdu.header.copy()
            stored = f"int{header['BITPIX']}" if header["BITPIX"] > 0 else "float32"
            data = np.array(hdu.data, dtype=np.float32)
            weight = _extension(hdus, "WEIGHT", data.shape)
            bad = _extension(hdus, "MASK", data.shape)
    except FrameError as error:
        text = str(error).removeprefix(f"{path}: ")
        raise InputError(f"{path}: {text}") from error
    except FileNotFoundError:
        raise InputError(f"{path}: no such file") from None
    except Exception as error:  # any damage to a file surfaces as some exception of the reader
        raise InputError(
            f"{path}: cannot be read as FITS ({type(error).__name__}: {error})"
        ) from error
    if bad is not None:
        data[np.broadcast_to(bad != 0, data.shape)] = np.nan
    level = header.get("SATURATE")
    return Picture(
        data=data[0] if data.ndim == 3 and len(data) == 1 else data,
        header=header,
        weight=weight,
        saturation=float(level) if isinstance(level, int | float) and level > 0 else np.inf,
        name=Path(path).name,
        stored=stored,
    )


def _extension(hdus: Any, name: str, shape: tuple[int, ...]) -> NDArray[np.float32] | None:
    """An extension that fits the image's rows and columns, else None."""
    hdu = named_hdu(hdus, name)
    if hdu is None or hdu.data is None:
        return None
    values = np.array(hdu.data, dtype=np.float32)
    return values if values.shape in (shape, shape[-2:]) else None


def check_name(path: StrPath) -> None:
    """Refuse a name under which no picture can be written.

    Raises
    ------
    InputError
        Its ending is that of neither FITS nor TIFF.
    """
    if not os.fspath(path).lower().endswith((".fits", ".fit", ".fts", ".tif", ".tiff")):
        raise InputError(f"{path}: a picture's name ends in .fits, .fit, .fts, .tif or .tiff")


def write_picture(
    path: StrPath,
    data: NDArray[Any],
    header: Header | None = None,
    *,
    bits: int = 32,
    white: float | None = None,
    profile: bytes = b"",
    extensions: dict[str, NDArray[Any]] | None = None,
    overwrite: bool = True,
) -> list[Note]:
    """Write a picture as FITS or TIFF by the ending of its name, whole or not at all.

    Parameters
    ----------
    path : path
        .tif and .tiff are TIFF; .fits, .fit and .fts FITS.
    data : (ny, nx) or (planes, ny, nx) ndarray
        The first row is the lowest.
    header : `~astropy.io.fits.Header` or None
        Kept in a FITS file as cards, in a TIFF file as text in its description.
    bits : {32, 16}
        Of a TIFF file: 32 bit float as they are, or 16 bit integers, see `white`. FITS files
        are always 32 bit float; integer arrays (masks) keep their kind in both.
    white : float or None
        The number that becomes 65535 in 16 bits, or 1.0 in 32 bits. None leaves the numbers
        alone; in 16 bits they are rounded, and what is below 0 or above 65535 is cut off.
    profile : bytes
        Colour profile of a TIFF file.
    extensions : dict of str to ndarray or None
        Further images of a FITS file; a TIFF file has none.
    overwrite : bool
        Replace an existing file.

    Returns
    -------
    list of Note
        One for everything that was lost.

    Raises
    ------
    OutputError
        As `framesort.files.open_whole`.
    InputError
        An option is out of range.
    """
    if is_tiff(path):
        return write_tiff(
            path, data, header, bits=bits, white=white, profile=profile, overwrite=overwrite
        )
    check_name(path)
    write_fits(path, data, header, extensions=extensions, overwrite=overwrite)
    return []
