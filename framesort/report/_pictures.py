"""Pictures of a group reduced for the page, and preview.png."""

import base64
import io
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from framesort.errors import FrameError, InputError
from framesort.files import StrPath, open_whole, read_image
from framesort.records import column_values
from framesort.report._columns import column_texts
from framesort.report._read import GroupResults, read_results
from framesort.report._stretch import Stretch, measure_stretch, shrink_image, stretch_image
from framesort.report._style import plain_text

__all__ = [
    "Comparison",
    "compare_pictures",
    "draw_picture",
    "encode_picture",
    "read_stack",
    "write_preview",
]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two pictures of the same part of the sky with the same stretch, as data URIs."""

    before: str
    after: str
    width: int
    height: int
    caption: str


def _channels_last(shown: NDArray[np.float32]) -> NDArray[np.float32]:
    """Axes in the order of image writers: [y, x] or [y, x, colour]; three planes are colours."""
    if shown.ndim == 2:
        return shown
    return np.moveaxis(shown, 0, -1) if len(shown) == 3 else shown.mean(axis=0)


def encode_picture(shown: NDArray[Any], *, quality: int = 80) -> str:
    """A JPEG of brightness 0..1, [y, x] or [y, x, RGB], as a data URI."""
    stream = io.BytesIO()
    _as_bytes(shown).save(stream, format="jpeg", quality=quality, optimize=True)
    return "data:image/jpeg;base64," + base64.b64encode(stream.getvalue()).decode()


def _as_bytes(shown: NDArray[Any]) -> Image.Image:
    """Brightness 0..1, [y, x] or [y, x, RGB], in bytes, the first row at the bottom."""
    if shown.ndim == 2:  # one channel: a quarter of what a grey picture in colours takes
        return Image.fromarray(np.minimum(shown[::-1] * 256, 255).astype(np.uint8))
    return Image.fromarray((shown[::-1] * 255).astype(np.uint8))


def read_stack(group: GroupResults, name: str) -> NDArray[np.float32] | None:
    """Pixels of a stack of a group; None where it is missing or cannot be read."""
    path = group.stack(name)
    if path is None:
        return None
    try:
        return read_image(path)[0]
    except FrameError:
        return None


def _busiest_window(
    shape: tuple[int, ...], stars: Table | None, size: tuple[int, int]
) -> tuple[slice, slice]:
    """Window of (height, width) with the largest sum of the square roots of replaced stars' fluxes.

    The square root keeps a single very bright star from dominating.
    """
    height, width = size
    ny, nx = shape[-2:]
    best, place = -1.0, ((ny - height) // 2, (nx - width) // 2)
    if stars is not None and len(stars):
        x, y = column_values(stars, "x"), column_values(stars, "y")
        light = np.sqrt(np.clip(np.nan_to_num(column_values(stars, "flux_deep")), 0, None))
        light = np.where(column_texts(stars, "reason") == "", light, 0)
        for bottom in np.linspace(0, ny - height, 9).astype(int):
            for left in np.linspace(0, nx - width, 9).astype(int):
                inside = (x >= left) & (x < left + width) & (y >= bottom) & (y < bottom + height)
                if light[inside].sum() > best:
                    best, place = float(light[inside].sum()), (int(bottom), int(left))
    return slice(place[0], place[0] + height), slice(place[1], place[1] + width)


def compare_pictures(
    deep: NDArray[np.float32],
    final: NDArray[np.float32],
    *,
    stars: Table | None = None,
    longest: int = 1400,
    window: tuple[int, int] = (440, 700),
) -> tuple[Comparison, ...]:
    """The deep stack and the final picture for comparison: the whole field, and a part unbinned.

    Parameters
    ----------
    deep, final : (ny, nx) or (planes, ny, nx) ndarray
        Of the same shape, ADU.
    stars : `~astropy.table.Table` or None
        stars.ecsv, to choose the part with the most replaced stars.
    longest : int
        Longer side of the whole field on the page, pixels.
    window : tuple of int
        Height and width of the part, pixels.

    Returns
    -------
    comparisons : tuple of Comparison
        Without the part where the whole field is unbinned already.

    Raises
    ------
    InputError
        The shapes differ.
    """
    if deep.shape != final.shape:
        raise InputError(f"deep and final must have one shape, got {deep.shape} and {final.shape}")
    small_deep = shrink_image(deep, longest=longest)
    small_final = shrink_image(final, longest=longest)
    step = -(-max(deep.shape[-2:]) // longest)
    found = [_compare(small_deep, small_final, _scale_caption(step))]
    ny, nx = deep.shape[-2:]
    size = min(window[0], ny), min(window[1], nx)
    # A second picture is useful only at a larger scale than the first.
    if step > 1 or nx > 1.5 * window[1]:
        part = (..., *_busiest_window(deep.shape, stars, size))
        found.append(_compare(deep[part], final[part], "Part of the field, unbinned."))
    return tuple(found)


def _scale_caption(step: int) -> str:
    return "Whole field." if step <= 1 else f"Whole field, binned {step} x {step}."


def _compare(deep: NDArray[np.float32], final: NDArray[np.float32], caption: str) -> Comparison:
    curve = measure_stretch(final)
    return Comparison(
        before=encode_picture(_channels_last(stretch_image(deep, like=curve))),
        after=encode_picture(_channels_last(stretch_image(final, like=curve))),
        width=deep.shape[-1],
        height=deep.shape[-2],
        caption=caption,
    )


def draw_picture(axes: Axes, image: ArrayLike, *, like: Stretch | None = None) -> None:
    """Draw a linear picture with a stretch that shows both nebulosity and stars.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
    image : (ny, nx) or (planes, ny, nx) array_like
        ADU; NaN is black.
    like : Stretch or None
        Stretch of another picture.
    """
    shown = _channels_last(stretch_image(image, like=like))
    axes.imshow(shown, cmap="gray", vmin=0, vmax=1, origin="lower", interpolation="antialiased")
    axes.set_axis_off()


def _final_pictures(folder: Path, longest: int) -> list[tuple[str, NDArray[np.float32]]]:
    """Label and small picture of each group that has one, the final stack before the deep one."""
    found = []
    for group in read_results(folder).groups:
        for name in ("final", "deep"):
            image = read_stack(group, name)
            if image is not None:
                found.append((group.label, shrink_image(image, longest=longest)))
                break
    return found


def _layout(number: int, aspect: float) -> tuple[int, int]:
    """Rows and columns: wide pictures in one column, others side by side, up to three."""
    columns = min(number, 1 if number == 2 and aspect > 1.9 else 2 if number in (2, 4) else 3)
    return math.ceil(number / columns), columns


def write_preview(
    source: StrPath | ArrayLike, path: StrPath, *, longest: int = 1600, overwrite: bool = True
) -> Path:
    """Write the final picture (one for each filter) as a PNG.

    Parameters
    ----------
    source : path or array_like
        A result folder, a FITS file, or an image [y, x] or [plane, y, x].
    path : path
        The PNG.
    longest : int
        Longer side of one picture, pixels; larger ones are binned.
    overwrite : bool
        Replace an existing file.

    Returns
    -------
    path : `~pathlib.Path`

    Raises
    ------
    InputError
        The folder holds no final or deep stack, or the array is no image.
    FrameError
        The FITS file cannot be read.
    OutputError
        The file exists and `overwrite` is false, or it cannot be written.
    """
    pictures: list[tuple[str, NDArray[np.float32]]]
    if isinstance(source, str | os.PathLike):
        place = Path(source)
        if place.is_dir():
            pictures = _final_pictures(place, longest)
        else:
            pictures = [("", shrink_image(read_image(place)[0], longest=longest))]
    else:
        pictures = [("", shrink_image(np.asarray(source, dtype=np.float32), longest=longest))]
    if not pictures:
        raise InputError(f"{source!s}: no final.fits or deep.fits in its folders; run merge first")
    stream = io.BytesIO()
    if len(pictures) == 1:
        shown = _channels_last(stretch_image(pictures[0][1]))
        _as_bytes(shown).save(stream, format="png")
    else:
        _draw_pictures(pictures, stream)
    with open_whole(path, overwrite=overwrite) as target:
        target.write(stream.getvalue())
    return Path(path)


def _draw_pictures(pictures: Sequence[tuple[str, Any]], stream: io.BytesIO) -> None:
    """Several pictures on one dark page, each with the name of its filter."""
    ny, nx = pictures[0][1].shape[-2:]
    rows, columns = _layout(len(pictures), nx / ny)
    dpi, gap, title = 100, 12, 26
    width, height = columns * (nx + gap) + gap, rows * (ny + gap + title) + gap
    figure = Figure(figsize=(width / dpi, height / dpi), dpi=dpi, facecolor="#101417")
    FigureCanvasAgg(figure)
    for i, (label, image) in enumerate(pictures):
        left = gap + (i % columns) * (nx + gap)
        bottom = height - (i // columns + 1) * (ny + gap + title)
        axes = figure.add_axes((left / width, bottom / height, nx / width, ny / height))
        draw_picture(axes, image)
        figure.text(
            left / width,
            (bottom + ny + 6) / height,
            plain_text(label),
            color="#d8d4c8",
            fontsize=11,
            va="bottom",
        )
    figure.savefig(stream, format="png", dpi=dpi, facecolor=figure.get_facecolor())
