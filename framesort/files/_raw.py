"""Camera raw files (CR2, NEF, ARW, DNG ...) as FITS, by rawpy where it is installed."""

import os
from functools import lru_cache
from importlib.util import find_spec
from io import BytesIO
from typing import Any

import numpy as np
from astropy.io import fits

from framesort.errors import FrameError, InputError
from framesort.files._text import StrPath

__all__ = ["PACKED_SUFFIXES", "RAW_SUFFIXES", "check_rawpy", "is_raw", "raw_as_fits"]

RAW_SUFFIXES = (
    ".3fr", ".arw", ".cr2", ".cr3", ".dng", ".erf", ".kdc", ".mrw", ".nef", ".nrw", ".orf", ".pef",
    ".raf", ".raw", ".rw2", ".srw",
)  # fmt: skip
"""Endings of camera raw files, lower case."""

PACKED_SUFFIXES = (".fz", ".gz", ".bz2", ".xz", ".zip", ".z", *RAW_SUFFIXES)
"""Endings of files that cannot be read row by row."""

_MISSING = "camera raw files need the package rawpy: pip install 'framesort[raw]'"


def is_raw(path: StrPath) -> bool:
    """Whether a file is a camera raw file, by the ending of its name."""
    return os.fspath(path).lower().endswith(RAW_SUFFIXES)


def check_rawpy(path: StrPath) -> None:
    """Refuse a raw file where rawpy is not installed.

    Raises
    ------
    InputError
        One line with what to install.
    """
    if is_raw(path) and find_spec("rawpy") is None:
        raise InputError(f"{path}: {_MISSING}")


def raw_as_fits(path: StrPath) -> BytesIO:
    """A raw file's mosaic and metadata as a FITS file in memory.

    The numbers are those of the sensor, black level included, rows from the bottom up. Cards:
    BAYERPAT, BLKLEVEL, SATURATE, EXPTIME, GAIN (the ISO speed) and DATE-LOC, the camera's clock.

    Raises
    ------
    FrameError
        rawpy is not installed, or the file cannot be read.
    """
    state = os.stat(path)
    return BytesIO(_converted(os.fspath(path), state.st_mtime_ns, state.st_size))


@lru_cache(maxsize=2)
def _converted(path: str, changed: int, size: int) -> bytes:
    try:
        import rawpy
    except ImportError:
        raise FrameError(_MISSING) from None
    try:
        with rawpy.imread(path) as raw:
            pixels = np.ascontiguousarray(raw.raw_image_visible[::-1])
            header = _header(raw)
    except Exception as error:  # any damage to a file surfaces as some exception of the reader
        text = f"{type(error).__name__}: {error}"
        raise FrameError(f"cannot be read as a camera raw file ({text})") from error
    stream = BytesIO()
    fits.PrimaryHDU(pixels, header).writeto(stream)
    return stream.getvalue()


def _header(raw: Any) -> fits.Header:
    header = fits.Header()
    header["BUNIT"] = "adu"
    pattern = _pattern(raw)
    if pattern:
        header["BAYERPAT"] = (pattern, "colours from the first pixel along x, then up")
    header["BLKLEVEL"] = (float(np.mean(raw.black_level_per_channel)), "[adu] black level")
    if raw.white_level:
        header["SATURATE"] = (float(raw.white_level), "[adu] level at which pixels saturate")
    other = raw.other
    if other.shutter_speed > 0:
        header["EXPTIME"] = (round(float(other.shutter_speed), 6), "[s] exposure time")
    if other.iso_speed > 0:
        header["GAIN"] = (round(float(other.iso_speed)), "ISO speed")
    if other.timestamp is not None and other.timestamp.year > 1971:
        moment = other.timestamp.replace(tzinfo=None).isoformat()
        header["DATE-LOC"] = (moment, "start of the exposure by the camera's clock")
    return header


def _pattern(raw: Any) -> str:
    """Colours of the first two pixels of the lowest two rows; "" without a filter array."""
    if raw.num_colors == 1 or raw.raw_pattern is None:
        return ""
    if raw.raw_pattern.shape != (2, 2):
        return "OTHER"  # 6 x 6, say
    names = raw.color_desc.decode()
    colours = raw.raw_colors_visible
    return "".join(names[colours[-1 - row, column]] for row in (0, 1) for column in (0, 1))
