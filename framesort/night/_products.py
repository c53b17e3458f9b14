"""The files of a result folder: tables, lists, stacks and layers, each whole or not at all."""

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from framesort import __version__
from framesort.files import safe_name, write_table
from framesort.heater import tabulate_trace
from framesort.images import header_unit, is_tiff, write_picture
from framesort.night._folder import PRODUCTS, TABLE, TIFF_PRODUCTS
from framesort.night._kept import KeptStacks
from framesort.night._lists import write_sets
from framesort.night._merge import MergedGroup
from framesort.records import (
    PRODUCT_CARD,
    PRODUCT_TEXT,
    HeaterTrace,
    Note,
    Replacement,
    Stack,
    column_values,
)
from framesort.replacement import MASK_BITS
from framesort.settings import Settings
from framesort.stacking import write_stack

__all__ = [
    "LAYERS",
    "PictureForm",
    "layer_path",
    "measure_difference",
    "remove_products",
    "write_group",
    "write_layers",
    "write_night_tables",
]

LAYERS = ("stars", "background", "mask", "table")
"""What stands beside a final picture."""


def remove_products(folder: Path, labels: Iterable[str]) -> None:
    """Remove what an earlier run made that would not belong to a night sorted anew."""
    for label in labels:
        place = folder / safe_name(label)
        for name in PRODUCTS:
            (place / name).unlink(missing_ok=True)
        with suppress(OSError):  # something else is in it, or it is not there
            place.rmdir()
    for name in ("preview.png", "report.html", "heater.ecsv"):
        (folder / name).unlink(missing_ok=True)


def write_night_tables(
    folder: Path, table: Table, trace: HeaterTrace | None, settings: Settings
) -> None:
    """Write frames.ecsv, the set lists and, where there is a log, heater.ecsv."""
    plain = table.copy(copy_data=False)
    plain.meta = {"framesort": __version__}
    write_table(folder / TABLE, plain)
    write_sets(folder / "sets", table, null=settings.null, link=settings.link)
    if trace is not None:
        write_table(folder / "heater.ecsv", tabulate_trace(trace, *_span_of(table)))


def _span_of(table: Table) -> tuple[float, float]:
    """Begin of the first and end of the last exposure, seconds since 1970; NaN if not known."""
    start: Time = table["start"]
    begin: NDArray[np.float64] = np.ma.filled(np.ma.asarray(start.unix, dtype=float), np.nan)
    end = begin + column_values(table, "exposure")
    known = np.isfinite(begin) & np.isfinite(end)
    return (float(begin[known].min()), float(end[known].max())) if known.any() else (np.nan, np.nan)


def write_group(
    folder: Path,
    group: MergedGroup,
    kept: KeptStacks | None = None,
    *,
    settings: Settings | None = None,
) -> list[Note]:
    """Write the stacks of a group and, where stars were replaced, the picture and its layers.

    Returns a sentence on everything that a TIFF file of 16 bits could not hold.
    """
    settings = Settings() if settings is None else settings
    place = folder / group.label
    for name in TIFF_PRODUCTS:  # of an earlier run
        (place / name).unlink(missing_ok=True)
    written = set()
    for name, stack in (("deep", group.deep), ("sharp", group.sharp)):
        if stack is not None:
            if kept is None or not kept.put(group.label, name):
                write_stack(place / f"{name}.fits", stack)
            written.add(f"{name}.fits")
    if group.sharp is None or group.replacement is None or group.header is None:
        # Pictures of an earlier run would not belong to these stacks.
        for name in set(PRODUCTS) - written:
            (place / name).unlink(missing_ok=True)
        return []
    write_layers(
        place / "final.fits",
        group.replacement,
        group.header,
        residual=measure_difference(group.replacement, group.sharp),
        made_of=f"{len(group.deep.frames)} frames deep, {len(group.sharp.frames)} sharp",
        cards={
            "FSDEEP": (len(group.deep.frames), "frames in the deep stack"),
            "FSSHARP": (len(group.sharp.frames), "frames in the sharp stack"),
        },
    )
    return _write_tiffs(place, group.label, group.replacement, group.header, settings)


def _write_tiffs(
    place: Path,
    label: str,
    replacement: Replacement,
    header: fits.Header,
    settings: Settings,
) -> list[Note]:
    """The picture and its two layers as TIFF, on request."""
    if settings.tiff is None:
        return []
    white = settings.white
    if white is None and settings.tiff == 16 and np.nanmax(replacement.final) <= 1:
        white = 1.0  # as `swap_stars` does: numbers between 0 and 1 would all be 0
    notes = []
    for name, pixels in zip(
        TIFF_PRODUCTS,
        (replacement.final, replacement.stars, replacement.background),
        strict=True,
    ):
        signed = header.copy()
        signed[PRODUCT_CARD] = (name.removesuffix(".tif"), PRODUCT_TEXT)
        said = write_picture(place / name, pixels, signed, bits=settings.tiff, white=white)
        notes += [note.within(label) for note in said]
    return notes


def layer_path(target: Path, prefix: str, name: str) -> Path:
    """Where a layer of a picture stands: beside it, in the picture's own format."""
    if name == "table":
        return target.with_name(f"{prefix}stars.ecsv")
    ending = target.suffix if is_tiff(target) else ".fits"
    return target.with_name(f"{prefix}{name}{ending}")


@dataclass(frozen=True, kw_only=True)
class PictureForm:
    """How pictures are written.

    `bits`, `white` and `profile` are of TIFF files, see `framesort.images.write_picture`;
    `overwrite` replaces existing files.
    """

    bits: int = 32
    white: float | None = None
    profile: bytes = b""
    overwrite: bool = True


def write_layers(
    path: Path,
    replacement: Replacement,
    header: fits.Header,
    *,
    made_of: str,
    cards: Mapping[str, Any] | None = None,
    residual: NDArray[np.float32] | None = None,
    prefix: str = "",
    form: PictureForm | None = None,
) -> tuple[list[Path], list[Note]]:
    """Write the picture to `path`, beside it its two layers, the mask and the table of stars.

    The final picture comes last, so that it stands for the whole.

    Parameters
    ----------
    path : path
        FITS or TIFF by its ending.
    replacement : Replacement
    header : `~astropy.io.fits.Header`
        Of the deep stack; HISTORY and the cards FS... are added to a copy.
    made_of : str
        What of, in words.
    cards : mapping or None
        Further cards, value and comment each.
    residual : (ny, nx) or (planes, ny, nx) ndarray or None
        From `measure_difference`; None to write none.
    prefix : str
        Of the names of the other files.
    form : PictureForm or None
        None for the defaults.

    Returns
    -------
    files : list of path
        The picture first.
    notes : list of Note
        What 16 bits could not hold.
    """
    signed = _sign(header, replacement, made_of, cards or {})
    form = PictureForm() if form is None else form
    table = replacement.table.copy(copy_data=False)
    table.meta = {**table.meta, "framesort": __version__}
    write_table(layer_path(path, prefix, "table"), table, overwrite=form.overwrite)
    notes = []
    layers: list[tuple[str, NDArray[Any], str]] = [
        ("stars", replacement.stars, "star layer; with the background it adds up to the picture"),
        ("background", replacement.background, "deep stack without stars"),
        ("mask", _mask_pixels(replacement, path), "what was done, 0 is untouched"),
    ]
    if residual is not None:
        layers.append(("residual", residual, "the picture less the sharp stack"))
    for name, pixels, text in layers:
        layer = signed.copy()
        layer[PRODUCT_CARD] = (name, PRODUCT_TEXT)
        layer["FSLAYER"] = (name, "which layer this is")
        layer["HISTORY"] = f"this layer: {text}"
        if name == "mask":
            layer.remove("BUNIT", ignore_missing=True)  # bits have none
            for bit, meaning in MASK_BITS.items():
                layer["HISTORY"] = f"{bit * _step(path)}: {meaning}"
        target = layer_path(path, prefix, name)
        notes += write_picture(target, pixels, layer, **vars(form))
    signed[PRODUCT_CARD] = ("final", PRODUCT_TEXT)
    signed["FSLAYER"] = ("final", "which layer this is")
    extensions = {"STARMASK": replacement.mask}
    notes += write_picture(path, replacement.final, signed, extensions=extensions, **vars(form))
    return [path, *(layer_path(path, prefix, name) for name in LAYERS)], notes


def measure_difference(replacement: Replacement, sharp: Stack) -> NDArray[np.float32]:
    """The final picture less the sharp stack at full size, in the numbers of both.

    NaN where either has no data, or where no frame of the sharp stack contributes: beyond the
    edges that its frames cover there is nothing to compare with.
    """
    empty = sharp.weight <= 0
    return np.where(empty, np.float32(np.nan), replacement.final - sharp.data)


def _mask_pixels(replacement: Replacement, path: Path) -> NDArray[np.uint8]:
    return replacement.mask * np.uint8(_step(path))


def _step(path: Path) -> int:
    """The bits as they are; in a TIFF file, which people look at, 8 times as bright."""
    return 8 if is_tiff(path) else 1


def _sign(
    header: fits.Header, replacement: Replacement, made_of: str, cards: Mapping[str, Any]
) -> fits.Header:
    """The deep stack's header with what was done to it."""
    done = int(sum(1 for row in replacement.table if not row["reason"]))
    signed = header.copy()
    for keyword in [key for key in signed if key[:4] in ("FRAM", "NOTE", "REJ0")]:
        del signed[keyword]
    unit, note = header_unit(signed)
    signed["BUNIT"] = (unit, "unit of the pixels")
    if note:
        signed["HISTORY"] = _plain(note)
    signed["FSVERS"] = (__version__, "framesort that replaced the stars")
    for keyword, (value, comment) in cards.items():
        signed[keyword] = (_plain(value) if isinstance(value, str) else value, comment)
    signed["FSSTARS"] = (done, "stars replaced")
    signed["FSLEFT"] = (len(replacement.table) - done, "stars left as they were")
    scale = float(replacement.table.meta.get("flux_scale", np.nan))
    if np.isfinite(scale):
        signed["FSSCALE"] = (scale, "from the sharp stack's flux to the deep one's")
    count = f"{done} stars of {len(replacement.table)}"
    signed["HISTORY"] = _plain(f"framesort {__version__}: stars replaced, {made_of}; {count}")
    for note in replacement.notes:
        signed["HISTORY"] = _plain(note)
    return signed


def _plain(text: str) -> str:
    """What a FITS card can hold."""
    return "".join(c if " " <= c <= "~" else "?" for c in text)
