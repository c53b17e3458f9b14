"""Pixels on demand, calibrated as they are read. Files are never changed."""

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.errors import FrameError, InputError
from framesort.files import image_hdu, open_fits, read_image, reads_by_rows
from framesort.frames._masters import CameraSetup, Master, Masters, saturation_level
from framesort.records import Note
from framesort.stars import guess_saturation

__all__ = ["FrameReader", "Recipe", "make_reader"]

Image = NDArray[np.float32]
Read = Callable[..., tuple[Image, Header]]


BAND = 1024
"""Rows of a frame that are calibrated at a time."""


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """How one frame is calibrated: ``(raw - bias - scale * dark) / (flat / mean of flat)``.

    Attributes
    ----------
    bias, dark, flat : str
        Paths; "" for none.
    scale : float
        Exposure of the frame over that of the dark.
    dark_has_bias, flat_has_bias : bool
        These hold the bias, which is taken off them first.
    norm : (4,) tuple of float
        As `Master.norm`, bias taken off.
    offset : float
        Median of what is subtracted, ADU.
    saturation : float
        Level at which raw pixels saturate; NaN where the header has none.
    digest : str
        Of the masters' contents and what is done with them.
    """

    bias: str = ""
    dark: str = ""
    flat: str = ""
    scale: float = 1.0
    dark_has_bias: bool = False
    flat_has_bias: bool = False
    norm: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)
    offset: float = 0.0
    saturation: float = np.nan
    digest: str = ""

    @property
    def level(self) -> float:
        """Level of the calibrated frame at which pixels count as saturated; NaN if unknown."""
        return self.saturation - self.offset


@dataclass(frozen=True, kw_only=True)
class FrameReader:
    """Reads frames as `framesort.files.read_image` does, calibrated where a recipe is known.

    Call it with a path and, if only some are wanted, ``rows=slice``. It can be sent to another
    process. Saturated pixels have exactly the recipe's `level` afterwards and none has
    more, so that they are recognised although a flat has spread them.
    """

    recipes: dict[str, Recipe] = field(default_factory=dict)

    def __call__(self, path: Any, *, rows: slice | None = None) -> tuple[Image, Header]:
        """Pixels and header.

        Raises
        ------
        FrameError
            The frame or a master cannot be read.
        """
        pixels, header = read_image(path, rows=rows)
        recipe = self.recipes.get(os.fspath(path))
        if recipe is None:
            return pixels, header
        return _calibrate(pixels, recipe, rows), header

    def digest(self, path: Any) -> str:
        """What the pixels depend on besides the frame itself; "" if it is read as it is."""
        recipe = self.recipes.get(os.fspath(path))
        return "" if recipe is None else f"{recipe.digest} {recipe.saturation!r}"

    def level(self, path: Any, header_level: float = np.nan) -> float:
        """Level at which pixels of a frame are saturated as it is read; NaN if unknown."""
        recipe = self.recipes.get(os.fspath(path))
        return header_level if recipe is None else recipe.level

    def files(self, path: Any) -> list[str]:
        """The files that a frame's pixels are read from: its own, then the masters'."""
        name = os.fspath(path)
        recipe = self.recipes.get(name, Recipe())
        return [name, *filter(None, (recipe.bias, recipe.dark, recipe.flat))]

    def only(self, path: Any) -> "FrameReader":
        """The same for one frame, which is less to send to another process."""
        name = os.fspath(path)
        known = {name: self.recipes[name]} if name in self.recipes else {}
        return FrameReader(recipes=known)

    def with_levels(self, levels: dict[str, float]) -> "FrameReader":
        """The same with saturation levels of calibrated frames.

        Parameters
        ----------
        levels : dict of str to float
            By path, ADU; used where no header has it.
        """
        known = {
            path: replace(recipe, saturation=levels[path] + recipe.offset)
            if np.isnan(recipe.saturation) and np.isfinite(levels.get(path, np.nan))
            else recipe
            for path, recipe in self.recipes.items()
        }
        return FrameReader(recipes=known)


def _calibrate(pixels: Image, recipe: Recipe, rows: slice | None) -> Image:
    """Calibrate whole rows of a frame, in place."""
    if pixels.ndim == 3 and len(pixels) == 1:
        pixels = pixels[0]
    if pixels.ndim != 2:
        raise FrameError("has several planes, which masters of one plane cannot calibrate")
    if rows is not None:
        return _calibrate_rows(pixels, recipe, rows, recipe.saturation)
    saturation = recipe.saturation
    if np.isnan(saturation):
        saturation = guess_saturation(pixels)
    for first in range(0, len(pixels), BAND):  # no master need be held whole
        part = slice(first, min(first + BAND, len(pixels)))
        _calibrate_rows(pixels[part], recipe, part, saturation)
    return pixels


def _calibrate_rows(pixels: Image, recipe: Recipe, rows: slice, saturation: float) -> Image:
    saturated = pixels >= saturation if np.isfinite(saturation) else None
    bias = _rows_of(recipe.bias, rows) if recipe.bias else None
    if bias is not None:
        pixels -= bias
    if recipe.dark:
        dark = _rows_of(recipe.dark, rows)
        if recipe.dark_has_bias and bias is not None:
            dark = dark - bias
        pixels -= np.float32(recipe.scale) * dark if recipe.scale != 1 else dark
    if recipe.flat:
        flat = _rows_of(recipe.flat, rows)
        if recipe.flat_has_bias and bias is not None:
            flat = flat - bias
        pixels /= _normalise(flat, recipe.norm, rows)
    if saturated is not None:
        level = np.float32(saturation - recipe.offset)
        np.minimum(pixels, level, out=pixels)
        pixels[saturated] = level
    return pixels


def _normalise(flat: Image, norm: Sequence[float], rows: slice) -> Image:
    """The flat over its mean; where it is not above zero the pixel is unknown."""
    start, _, step = rows.indices(2**40)
    mean = np.asarray(norm, dtype=np.float32).reshape(2, 2)
    parity = (start + step * np.arange(len(flat))) % 2
    result = np.empty_like(flat)
    for x in (0, 1):
        result[:, x::2] = flat[:, x::2] / mean[parity, x][:, None]
    result[~(flat > 0)] = np.nan
    return result


def _rows_of(path: str, rows: slice) -> Image:
    """Rows of a master."""
    if not reads_by_rows(path):
        return _unpacked(path)[rows]
    return read_image(path, rows=rows)[0]


@lru_cache(maxsize=3)
def _unpacked(path: str) -> Image:
    """A packed master, which cannot be read row by row."""
    return read_image(path)[0]


def make_reader(
    paths: Iterable[str | os.PathLike[str]], masters: Masters
) -> tuple[FrameReader, list[Note]]:
    """The reader that calibrates frames with masters.

    Parameters
    ----------
    paths : iterable of path
        Frames; those that cannot be read get no recipe, what is wrong with them shows later.
    masters : Masters
        From `read_masters`.

    Returns
    -------
    reader : FrameReader
    notes : list of Note
        What was assumed of the masters.

    Raises
    ------
    InputError
        A master does not fit a frame in size, binning, gain, temperature, exposure or filter.
    """
    recipes: dict[str, Recipe] = {}
    notes: dict[Note, None] = {}
    if masters:
        for path in paths:
            try:
                with open_fits(path) as hdus:
                    cards = [hdus[0].header, image_hdu(hdus).header]
                    header = {key: part[key] for part in cards for key in part if key}
            except Exception:  # any damage; measuring the frame will name it
                continue
            camera = CameraSetup.of_header(header)
            if camera.pattern == "RGB":
                raise InputError(
                    f"{path}: has three planes; masters apply to frames of one plane only"
                )
            recipe, assumed = _recipe(camera, masters, str(path), saturation_level(header))
            recipes[os.fspath(path)] = recipe
            notes |= dict.fromkeys(assumed)
    return FrameReader(recipes=recipes), list(notes)


def _recipe(
    camera: CameraSetup, masters: Masters, name: str, saturation: float
) -> tuple[Recipe, list[Note]]:
    bias, dark, flat = masters.choose(camera, name)
    notes, offset, scale, dark_has_bias = [], 0.0, 1.0, False
    if bias is not None:
        offset = bias.level
    if dark is not None:
        scale = _scale(camera, dark)
        dark_has_bias = bias is not None and _holds_bias(dark, bias)
        base = bias.level if bias is not None and dark_has_bias else 0.0
        offset += scale * (dark.level - base)
        if dark_has_bias:
            notes.append(
                Note(
                    "calibration assumed",
                    f"{dark.path}: holds the bias by its level; it is subtracted",
                )
            )
        if scale != 1:
            notes.append(
                Note(
                    "calibration assumed",
                    f"{dark.path}: {dark.camera.exposure:g} s, scaled by {scale:.3g} for frames of "
                    f"{camera.exposure:g} s",
                )
            )
    norm = (1.0, 1.0, 1.0, 1.0)
    if flat is not None:
        less = bias.level if bias is not None and masters.flat_has_bias else 0.0
        one, two, three, four = (mean - less for mean in flat.norm)
        norm = (one, two, three, four)
        if min(norm) <= 0:
            raise InputError(f"{flat.path}: no light remains after its bias is subtracted")
    return (
        Recipe(
            bias="" if bias is None else bias.path,
            dark="" if dark is None else dark.path,
            flat="" if flat is None else flat.path,
            scale=scale,
            dark_has_bias=dark_has_bias,
            flat_has_bias=masters.flat_has_bias,
            norm=norm,
            offset=offset,
            saturation=saturation,
            digest=" ".join(
                [*("-" if m is None else m.digest for m in (bias, dark, flat)), f"{scale!r}",
                 str(masters.flat_has_bias)]
            ),
        ),
        notes,
    )  # fmt: skip


def _scale(camera: CameraSetup, dark: Master) -> float:
    """Exposure over that of the dark; 1 where they are one exposure."""
    ratio = camera.exposure / dark.camera.exposure
    return 1.0 if abs(ratio - 1) <= 0.02 else float(ratio)


def _holds_bias(dark: Master, bias: Master) -> bool:
    """Whether a dark still holds the bias: dark current alone is far below the bias level."""
    return dark.level > 0.5 * bias.level
