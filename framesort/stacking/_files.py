"""Stacks to FITS and back."""

import os
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
from astropy.io.fits import Header

from framesort.errors import InputError
from framesort.files import image_hdu, named_hdu, open_fits, write_fits
from framesort.images import header_unit
from framesort.records import NOTES, PRODUCT_CARD, PRODUCT_TEXT, Note, Stack, as_notes

__all__ = ["read_stack", "write_stack"]

StrPath = str | os.PathLike[str]


def write_stack(path: StrPath, stack: Stack, *, overwrite: bool = True) -> None:
    """Write a stack with its extensions WEIGHT and COVERAGE, whole or not at all.

    Parameters
    ----------
    path : path
        Target.
    stack : `~framesort.records.Stack`
    overwrite : bool
        Replace an existing file.

    Raises
    ------
    OutputError
        As `framesort.files.open_whole`.
    """
    header = stack.header.copy()
    for k, (name, share) in enumerate(zip(stack.frames, stack.rejected, strict=True), start=1):
        header[f"FRAM{k:04d}"] = _quote(name)
        if np.isfinite(share):
            header[f"REJ{k:05d}"] = float(share)
    for k, note in enumerate(as_notes(stack.notes), start=1):
        header[f"NOTE{k:04d}"] = _quote(f"[{note.code}] {note}")
    header[PRODUCT_CARD] = ("stack", PRODUCT_TEXT)
    if header_unit(header)[0] != header.get("BUNIT"):  # a stack made without a night's table
        header["BUNIT"] = (header_unit(header)[0], "unit of the pixels")
    if np.isfinite(stack.saturation):
        header["SATURATE"] = stack.saturation
    write_fits(
        path,
        stack.data,
        header,
        extensions={"WEIGHT": stack.weight, "COVERAGE": stack.coverage},
        overwrite=overwrite,
    )


def read_stack(path: StrPath) -> Stack:
    """Read what `write_stack` wrote, or the first image of any FITS file as a stack.

    Parameters
    ----------
    path : path
        FITS; without the extensions the weight is 1 and the coverage 1 where the image is
        finite.

    Raises
    ------
    InputError
        The file cannot be read or its images do not fit one another.
    """
    try:
        with open_fits(path) as hdus:
            image = image_hdu(hdus)
            header = image.header.copy()
            data: Any = np.array(image.data, dtype=np.float32)
            finite = np.isfinite(data)
            weight, coverage = finite.astype(np.float32), finite.astype(np.int16)
            if (hdu := named_hdu(hdus, "WEIGHT")) is not None:
                weight = np.array(hdu.data, dtype=np.float32)
            if (hdu := named_hdu(hdus, "COVERAGE")) is not None:
                coverage = np.array(hdu.data, dtype=np.int16)
    except Exception as error:  # any damage to a file surfaces as some exception of the reader
        raise InputError(f"{path}: cannot be read as a stack ({error})") from error
    if data.ndim not in (2, 3) or weight.shape != data.shape or coverage.shape != data.shape:
        raise InputError(
            f"{path}: image, WEIGHT and COVERAGE must be of one shape, 2-D or 3-D, got "
            f"{data.shape}, {weight.shape} and {coverage.shape}"
        )
    frames: list[str] = []
    rejected: list[float] = []
    notes: list[Note] = []
    while f"FRAM{len(frames) + 1:04d}" in header:
        k = len(frames) + 1
        frames.append(_unquote(str(header[f"FRAM{k:04d}"])))
        rejected.append(_number(header, f"REJ{k:05d}", np.nan))
    while f"NOTE{len(notes) + 1:04d}" in header:
        notes.append(_note_of(_unquote(str(header[f"NOTE{len(notes) + 1:04d}"]))))
    for k in range(1, len(frames) + 1):
        del header[f"FRAM{k:04d}"]
        header.remove(f"REJ{k:05d}", ignore_missing=True)
    for k in range(1, len(notes) + 1):
        del header[f"NOTE{k:04d}"]
    header.remove(PRODUCT_CARD, ignore_missing=True)  # of the file, not of the stack
    return Stack(
        data=data,
        weight=weight,
        coverage=coverage,
        header=header,
        frames=tuple(frames),
        rejected=np.array(rejected),
        saturation=_number(header, "SATURATE", np.inf),
        notes=tuple(notes),
    )


def _number(header: Header, keyword: str, otherwise: float) -> float:
    """A card's number, or what stands for a card that is not there or holds none."""
    value = header.get(keyword)
    return float(value) if isinstance(value, int | float) else otherwise


def _quote(text: str) -> str:
    """Letters that a header cannot hold, and bytes that are no letters, as %XX."""
    return quote(text, safe="/ ~()[]{}!@$^&*+=,;:#<>|`'\"?\\", errors="surrogateescape")


def _unquote(text: str) -> str:
    return unquote(text, errors="surrogateescape")


def _note_of(card: str) -> Note:
    """A note as `write_stack` wrote it: its code in brackets before the text."""
    code, _, text = card.removeprefix("[").partition("] ")
    return Note(code, text) if code in NOTES else Note("plug-in", card)
