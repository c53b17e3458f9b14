"""Images in memory, masks and units respected, in place of files."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.nddata import NDData
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.files import read_image
from framesort.stacking._options import Reader

__all__ = ["MemoryReader", "check_units", "name_images"]


def name_images(paths: Sequence[Any], read: Reader) -> tuple[list[str], Reader]:
    """Names of frames, and what reads them: `CCDData` among them from memory."""
    held = {k: path for k, path in enumerate(paths) if isinstance(path, NDData)}
    if not held:
        return [str(path) for path in paths], read
    check_units(list(held.values()))
    names = [f"image {k + 1:06d}" if k in held else str(path) for k, path in enumerate(paths)]
    return names, MemoryReader({names[k]: image for k, image in held.items()}, read)


def check_units(images: Sequence[Any]) -> None:
    """Raise InputError where images of different units are to be averaged."""
    units = {str(unit) for image in images if (unit := getattr(image, "unit", None)) is not None}
    if len(units) > 1:
        raise InputError(
            f"images have different units ({', '.join(sorted(units))}): convert them to one"
        )


class MemoryReader:
    """Gives rows of images in memory as `read_image` gives those of files; others from files."""

    def __init__(self, images: dict[str, Any], read: Reader = read_image) -> None:
        self._images, self._read = images, read

    def __call__(self, path: str, *, rows: slice) -> tuple[NDArray[np.float32], Header]:
        if path not in self._images:
            part, header = self._read(path, rows=rows)
            return part, header
        image = self._images[path]
        plain = isinstance(image, np.ndarray) or not hasattr(image, "data")
        pixels: Any = np.asarray(image if plain else image.data)
        header = Header() if plain else Header(getattr(image, "header", {}))
        if getattr(image, "unit", None) is not None:
            header["BUNIT"] = str(image.unit)
        header["NAXIS2"] = len(pixels)
        part = np.array(pixels[rows], dtype=np.float32)
        mask = None if plain else getattr(image, "mask", None)
        if mask is not None:
            part[np.broadcast_to(mask, pixels.shape)[rows]] = np.nan
        return part, header
