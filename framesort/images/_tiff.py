"""TIFF files: which row is first, how numbers are stored, and where a header survives."""

import json
import logging
import os
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort import __version__
from framesort.errors import InputError
from framesort.files import StrPath, open_whole
from framesort.images._picture import MOST_PLANES, Picture
from framesort.records import Note

__all__ = ["is_tiff", "read_tiff", "write_tiff"]

# Errors are reported in one line of our own, not by the reader's log messages.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

_WHITE = 65535
_PROFILE_TAG = 34675  # InterColorProfile, ICC specification annex B.4
_KINDS = {"uint8", "uint16", "uint32", "int16", "int32", "float16", "float32", "float64"}


def is_tiff(path: StrPath) -> bool:
    """Whether a file is taken for TIFF: by the ending of its name."""
    return os.fspath(path).lower().endswith((".tif", ".tiff"))


def read_tiff(path: StrPath) -> Picture:
    """Read the first page of a TIFF file as a picture; see `read_picture`.

    Raises
    ------
    InputError
        One line that names the file.
    """
    import tifffile  # here, since only calls with a TIFF file need it

    name = Path(path).name
    try:
        with tifffile.TiffFile(path) as file:
            if not len(file.pages):
                raise ValueError("it has no page")
            page: Any = file.pages[0]
            kind, pages = page.photometric.name, len(file.pages)
            _refuse(page, kind)
            if page.dataoffsets and max(
                np.add(page.dataoffsets, page.databytecounts), default=0
            ) > os.path.getsize(path):
                raise ValueError("the file ends before its pixels do")
            pixels, axes = page.asarray(), page.axes
            tag = page.tags.get("Orientation")
            orientation = 1 if tag is None else int(tag.value)
            text = page.description or ""
            tag = page.tags.get(_PROFILE_TAG)
            profile = b"" if tag is None else bytes(tag.value)
            alpha = [int(v) for v in page.extrasamples] if page.extrasamples else []
    except FileNotFoundError:
        raise InputError(f"{path}: no such file") from None
    except Exception as error:  # any damage to a file surfaces as some exception of the reader
        raise InputError(f"{path}: cannot be read as TIFF ({_cause(error)})") from error
    notes = []
    if pages > 1:
        notes.append(Note("several pages", f"{name}: the first of {pages} pages was taken."))
    stored = pixels.dtype.name
    if stored == "uint8":
        text = f"{name}: 8 bits a pixel are too coarse for faint light."
        notes.append(Note("coarse pixels", text))
    if kind == "MINISWHITE":
        pixels = np.invert(pixels) if pixels.dtype.kind == "u" else -pixels
    with np.errstate(all="ignore"):  # damaged numbers
        data = _planes_first(np.asarray(pixels, dtype=np.float32), axes)
    if data.ndim != 3 or not data.size:
        raise InputError(f"{path}: cannot be read as TIFF (its pixels have the shape {data.shape})")
    if alpha and data.shape[0] > len(alpha):
        data = _without_alpha(data, len(alpha))
    data, header = _turn(data, orientation), _header_of(text)
    if _top_down(header):
        data = data[:, ::-1]
    return Picture(
        data=np.ascontiguousarray(data[0] if len(data) == 1 else data),
        header=header,
        name=name,
        stored=stored,
        tiff=True,
        profile=profile,
        notes=tuple(notes),
    )


def _refuse(page: Any, kind: str) -> None:
    """What is no picture of light."""
    if kind not in ("MINISBLACK", "MINISWHITE", "RGB"):
        raise ValueError(f"its colours are {kind}; save it as grey or RGB")
    if page.dtype is None or page.dtype.name not in _KINDS:
        raise ValueError(f"numbers of the kind {page.dtype}; save it in 16 or 32 bits")


def _cause(error: Exception) -> str:
    text = " ".join(str(error).split())
    if "imagecodecs" in text:
        return (
            "its compression needs the package imagecodecs: pip install imagecodecs, "
            "or save it without compression"
        )
    return text or type(error).__name__


def _planes_first(pixels: NDArray[np.float32], axes: str) -> NDArray[np.float32]:
    """[plane, y, x] from what a page holds; colour last is the usual order."""
    if axes == "YX":
        return pixels[None]
    if axes == "YXS":
        return np.moveaxis(pixels, -1, 0)
    if axes == "SYX":
        return pixels
    raise InputError(f"axes {axes}, a flat picture is needed")


def _without_alpha(data: NDArray[np.float32], count: int) -> NDArray[np.float32]:
    """Colour planes only; where the first extra plane is 0, there is no data."""
    colour, alpha = data[:-count], data[-count]
    if (alpha == 0).any() and not (alpha == 0).all():
        colour = np.where(alpha == 0, np.float32(np.nan), colour)
    return colour


def _turn(data: NDArray[np.float32], orientation: int) -> NDArray[np.float32]:
    """Lowest row first, left column first; values of the tag as in TIFF 6.0, page 36."""
    if orientation >= 5:  # rows of the file are columns of the picture
        data = np.swapaxes(data, 1, 2)
        orientation = {5: 1, 6: 2, 7: 3, 8: 4}.get(orientation, 1)
    if orientation in (1, 2):  # the file begins at the top
        data = data[:, ::-1]
    if orientation in (2, 3):  # and at the right
        data = data[:, :, ::-1]
    return data


def _top_down(header: Header) -> bool:
    """Whether a FITS header has its first row at the top."""
    return str(header.get("ROWORDER", "")).strip().upper() == "TOP-DOWN"


def _header_of(text: str) -> Header:
    """Cards that `write_tiff` left in a description; empty for any other text."""
    try:
        description = json.loads(text)
        return Header.fromstring(description["fits_header"], sep="\n")
    except (ValueError, TypeError, KeyError):
        return Header()


def write_tiff(
    path: StrPath,
    data: NDArray[Any],
    header: Header | None = None,
    *,
    bits: int = 32,
    white: float | None = None,
    profile: bytes = b"",
    overwrite: bool = True,
) -> list[Note]:
    """Write a TIFF file, top row first, colour last; see `write_picture`."""
    import tifffile

    if bits not in (16, 32):
        raise InputError(f"bits must be 16 or 32, got {bits}")
    if white is not None and not white > 0:
        raise InputError(f"white must be above 0, got {white}")
    planes = data[None] if data.ndim == 2 else data
    if planes.ndim != 3 or not 1 <= len(planes) <= MOST_PLANES:
        raise InputError(f"{path}: a picture has one to {MOST_PLANES} planes, got {data.shape}")
    factor = 1.0
    notes: list[Note] = []
    if planes.dtype.kind == "f":
        factor = 1.0 if white is None else (_WHITE if bits == 16 else 1.0) / white
        planes, notes = _stored(planes, factor, bits, Path(path).name)
    description: dict[str, Any] = {"software": f"framesort {__version__}", "factor": factor}
    if header is not None and len(header):
        description["fits_header"] = _cards(header)
    upright = planes if header is not None and _top_down(header) else planes[:, ::-1]
    pixels = np.ascontiguousarray(np.moveaxis(upright, 0, -1))
    colour = len(planes) >= 3
    options: dict[str, Any] = {
        "photometric": "rgb" if colour else "minisblack",
        "planarconfig": "contig" if len(planes) > 1 else None,
        "description": json.dumps(description),
        "software": f"framesort {__version__}",
        "metadata": None,
    }
    if profile and colour:  # a colour profile does not apply to a grey picture
        options["iccprofile"] = profile
    with open_whole(path, overwrite=overwrite) as stream:
        tifffile.imwrite(stream, pixels if colour or len(planes) > 1 else pixels[..., 0], **options)
    return notes


def _stored(
    planes: NDArray[Any], factor: float, bits: int, name: str
) -> tuple[NDArray[Any], list[Note]]:
    """Numbers as the file holds them, and a note on what is lost."""
    values = planes if factor == 1.0 else planes * np.float32(factor)
    if bits == 32:
        return values.astype(np.float32, copy=False), []
    rounded = np.rint(values)
    low, high = int(np.sum(rounded < 0)), int(np.sum(rounded > _WHITE))
    empty = int(np.sum(np.isnan(rounded)))
    notes = [
        Note("coarse pixels", f"{name}: {count} of {rounded.size} values {what} in 16 bits.")
        for count, what in (
            (low, "below 0 are 0"),
            (high, f"above {_WHITE} are {_WHITE}"),
            (empty, "without data are 0"),
        )
        if count
    ]
    return np.clip(np.nan_to_num(rounded, nan=0.0), 0, _WHITE).astype(np.uint16), notes


def _cards(header: Header) -> str:
    """A header as text of one card a line, plain ASCII."""
    text: str = header.tostring(sep="\n", endcard=False, padding=False)
    return text.encode("ascii", "replace").decode()
