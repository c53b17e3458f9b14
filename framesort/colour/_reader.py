"""Readers that give one plane of a colour frame, whatever the frame's form."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.colour._lattice import green_lattice
from framesort.colour._planes import PLANES, REACH, colour_place, pick_colour
from framesort.errors import FrameError
from framesort.files import files_read, read_image, reader_of

__all__ = ["GreenReader", "PlaneReader"]

Image = NDArray[np.float32]
Read = Callable[..., tuple[Image, Header]]


@dataclass(frozen=True, kw_only=True)
class GreenReader:
    """Reads what a colour frame is measured on.

    Attributes
    ----------
    pattern : str
        "RGB" for three planes, else as for `framesort.colour.green_lattice`.
    read : callable
        ``read(path, rows=slice)`` gives pixels and header, for example calibrated ones.
    """

    pattern: str
    read: Read = read_image

    def __call__(self, path: Any) -> tuple[Image, Header]:
        """The green plane, or the green pixels on their lattice."""
        pixels, header = self.read(path)
        if self.pattern == "RGB":
            return _plane(pixels, 1), header
        return green_lattice(_mosaic(pixels), self.pattern), header

    def files(self, path: Any) -> list[str]:
        """The files that a frame's pixels are read from."""
        return files_read(self.read, path)

    def only(self, path: Any) -> "GreenReader":
        """The same for one frame."""
        return replace(self, read=reader_of(self.read, path))

    def digest(self, path: Any) -> str:
        """What the pixels depend on besides the frame itself."""
        known = getattr(self.read, "digest", None)
        return f"green of {self.pattern} {'' if known is None else known(path)}"


@dataclass(frozen=True, kw_only=True)
class PlaneReader:
    """Reads one plane of colour frames, whole or by rows.

    Attributes
    ----------
    pattern : str
        "RGB" for three planes, else the filter array's.
    colour : str
        "R", "G" or "B".
    fill : bool
        With a filter array: interpolate the other pixels; else they are NaN.
    saturation : dict of str to float
        Level at which a frame's pixels saturate, by path, where it is known.
    read : callable
        As for `GreenReader`.
    """

    pattern: str
    colour: str
    fill: bool = True
    saturation: dict[str, float] = field(default_factory=dict)
    read: Read = read_image

    def __call__(self, path: Any, *, rows: slice | None = None) -> tuple[Image, Header]:
        """Pixels (rows, columns) and the header, with the frame's NAXIS2."""
        if self.pattern == "RGB":
            pixels, header = self.read(path, rows=rows)
            return _plane(pixels, PLANES.index(self.colour)), header
        if rows is not None and (rows.step or 1) > 1:
            return self._sample(path, rows)
        start = 0 if rows is None or rows.start is None else max(rows.start, 0)
        first = max(start - REACH, 0)
        last = None if rows is None or rows.stop is None else rows.stop + REACH
        pixels, header = self.read(path, rows=slice(first, last))
        height = int(header["NAXIS2"])
        stop = height if rows is None or rows.stop is None else min(rows.stop, height)
        pixels = _mosaic(pixels)
        if len(pixels) < 12:  # a few rows at an edge: more of the frame for the interpolation
            first = max(min(first, height - 16), 0)
            pixels = _mosaic(self.read(path, rows=slice(first, first + 16))[0])
        level = self.saturation.get(str(path), np.inf)
        plane = pick_colour(
            pixels,
            self._pattern_from(first),
            self.colour,
            fill=self.fill,
            saturation=np.inf if np.isnan(level) else level,
        )
        return plane[start - first : stop - first], header

    def _pattern_from(self, row: int) -> str:
        """The pattern as it begins at a row."""
        return self.pattern[2:] + self.pattern[:2] if row % 2 else self.pattern

    def _sample(self, path: Any, rows: slice) -> tuple[Image, Header]:
        """Single rows, each pixel the next one of the colour: for levels and noise."""
        header = self.read(path, rows=slice(0, 1))[1]
        height = int(header["NAXIS2"])
        start, stop, step = rows.indices(height)
        wanted = np.arange(start, stop, step)
        row, column = (0, 0) if self.colour == "G" else colour_place(self.pattern, self.colour)
        if self.colour != "G":  # the next row with this colour, at the end the one before
            wanted = wanted + (wanted + row) % 2
            wanted[wanted >= height] -= 2
        sample = np.empty((len(wanted), int(header["NAXIS1"])), dtype=np.float32)
        for part in (slice(0, None, 2), slice(1, None, 2)):  # each a fixed step apart
            if len(wanted[part]):
                sample[part] = self._rows(path, wanted[part])
        for k, y in enumerate(wanted):
            if self.colour == "G":
                column = self._pattern_from(int(y)).index("G") % 2
            row_sample = sample[k]
            own = row_sample[column::2]
            other = row_sample[1 - column :: 2]
            other[:] = own[: len(other)] if len(own) >= len(other) else np.r_[own, own[-1:]]
        return sample, header

    def _rows(self, path: Any, wanted: NDArray[np.int_]) -> Image:
        """Rows of the mosaic, in one go where they are evenly spaced."""
        apart = np.diff(wanted)
        if len(apart) and (apart != apart[0]).any():
            return np.concatenate([self._rows(path, part) for part in (wanted[:-1], wanted[-1:])])
        step = int(apart[0]) if len(apart) else 1
        rows = slice(int(wanted[0]), int(wanted[-1]) + 1, step)
        return _mosaic(self.read(path, rows=rows)[0])


def _mosaic(pixels: Image) -> Image:
    if pixels.ndim == 3 and len(pixels) == 1:
        pixels = pixels[0]
    if pixels.ndim != 2:
        raise FrameError(f"has {pixels.ndim} axes, a colour filter array has two")
    return pixels


def _plane(pixels: Image, number: int) -> Image:
    if pixels.ndim != 3 or len(pixels) != 3:
        raise FrameError(f"has the shape {pixels.shape}, three planes were expected")
    return np.ascontiguousarray(pixels[number])
