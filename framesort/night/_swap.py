"""Star replacement on two stacks made elsewhere."""

import os
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError, NotEnoughFramesError, OutputError
from framesort.files import StrPath
from framesort.images import Picture, check_name, is_tiff
from framesort.night._notes import join_notes
from framesort.night._pair import (
    FEWEST_STARS,
    align_picture,
    coarse_steps,
    gather_picture,
    in_same_units,
    in_units,
    mean_plane,
    place_table,
    places_outside,
)
from framesort.night._products import LAYERS, PictureForm, layer_path, write_layers
from framesort.records import Note, Replacement, unique_notes
from framesort.replacement import (
    PairCheck,
    ReplacementCheck,
    ReplacementOptions,
    check_pair,
    measure_replacement,
    replace_stars,
    scale_check,
    scale_replacement,
)
from framesort.stars import find_stars
from framesort.workers import Progress

__all__ = ["SwapOptions", "SwapResult", "swap_images", "swap_stars"]


@dataclass(frozen=True, kw_only=True)
class SwapOptions(ReplacementOptions):
    """What a caller of `swap_images` can choose, beside the options of the replacement.

    Attributes
    ----------
    aligned : bool
        Both are on one grid; they are not registered.
    mono : bool
        Of a colour sharp picture use the mean of its planes, where the deep one has one plane.
    check : bool
        Measure what was reached.
    """

    aligned: bool = False
    mono: bool = False
    check: bool = True


@dataclass(frozen=True, kw_only=True)
class SwapResult:
    """What swapping the stars of two pictures gives.

    Attributes
    ----------
    replacement : Replacement
        Final picture, layers, mask and star table.
    header : `~astropy.io.fits.Header`
        Of the deep stack; WCS where it has one.
    check : ReplacementCheck or None
        The self-check, measured on the result; None if it was not requested or stars were
        replaced in part only.
    notes : tuple of Note
        Warnings; those of `pair` first.
    pair : PairCheck or None
        How the two stacks suit one another; its notes say why the result should not be used.
    files : tuple of `~pathlib.Path`
        What was written, the final picture first.
    """

    replacement: Replacement
    header: Header = field(default_factory=Header, repr=False)
    check: ReplacementCheck | None = None
    notes: tuple[Note, ...] = ()
    pair: PairCheck | None = None
    files: tuple[Path, ...] = ()

    @property
    def status(self) -> int:
        """0 done, 1 the two stacks do not suit one another: see the notes of `pair`."""
        return 1 if self.pair is not None and self.pair.notes else 0

    @property
    def final(self) -> NDArray[np.float32]:
        """The final picture, [y, x] or [plane, y, x]."""
        return self.replacement.final

    @property
    def table(self) -> Table:
        """Every star and what was done with it."""
        return self.replacement.table


def swap_images(
    deep: Any,
    sharp: Any,
    *,
    options: SwapOptions | None = None,
    keep: Any = None,
    force: Any = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> SwapResult:
    """Replace the stars of one picture by those of another. Writes nothing.

    Parameters
    ----------
    deep : path, array_like, `~astropy.nddata.CCDData`, `~framesort.records.Stack` or Picture
        The picture whose faint light is kept, [y, x] or [plane, y, x]; a mask or NaN where there
        is no data.
    sharp : the same, or a sequence of them
        The picture whose stars are kept. Several of one plane each become the planes of one.
    options : SwapOptions or None
        None for the defaults. The saturation levels of the two pictures are their own.
    keep, force : path, `~astropy.table.Table`, SkyCoord, array_like or None
        Places to leave alone, or to treat as stars: x, y in pixels of `deep` or ra, dec, and
        radius.
    executor : `~concurrent.futures.Executor` or None
        Runs the planes of a colour picture.
    progress : callable or None
        Wraps the iteration over planes.

    Returns
    -------
    SwapResult

    Raises
    ------
    InputError
        A picture cannot be used, or the two do not fit.
    NotEnoughFramesError
        The stars of the two cannot be matched, or are too few.

    Notes
    -----
    One plane and several: where `deep` has one plane and `sharp` has colour, the result has
    colour, the deep light the same in every plane, and one scale for all planes, so that the
    colours of the stars stay. Where only `deep` has colour, `sharp` serves every plane.
    """
    options = SwapOptions() if options is None else options
    below, *others = gather_picture(deep, name="deep")
    if others:
        raise InputError("deep must be one picture; planes go into one array [plane, y, x]")
    above = gather_picture(sharp, name="sharp")
    notes = [note for picture in (below, *above) for note in picture.notes]
    for picture in (below, *above):
        notes += coarse_steps(picture)
    places = {n: place_table(p, below.header) for n, p in (("keep", keep), ("force", force))}
    for name, table in places.items():
        notes += places_outside(table, below.shape, name)
    below, unit = in_units(below)
    above, own = in_same_units(above)
    top, pair, found = _match(below, above, options)
    result = _replace(
        below, top, _in_units(options, own, unit), **places, executor=executor, progress=progress
    )
    checked = None
    if options.check and options.amount == 1:
        checked = measure_replacement(result, below.data, top.data)
    notes += [*found, *join_notes(result.notes, checked)]
    return SwapResult(
        replacement=scale_replacement(result, unit, own),
        header=below.header.copy(),
        check=None if checked is None else scale_check(checked, unit),
        notes=unique_notes([*pair.notes, *notes]),
        pair=pair,
    )


def _in_units(options: SwapOptions, own: float, unit: float) -> SwapOptions:
    """Limits and a known flux scale in the units that the pictures are worked on in."""
    scale = options.flux_scale
    return replace(
        options,
        brightest=None if options.brightest is None else options.brightest / unit,
        faintest=None if options.faintest is None else options.faintest / unit,
        flux_scale=scale * own / unit if isinstance(scale, int | float) else scale,
    )


def _match(
    below: Picture, above: list[Picture], options: SwapOptions
) -> tuple[Picture, PairCheck, list[Note]]:
    """The sharp picture on the deep one's grid, how the two suit one another, and notes."""
    stars, notes = None, []
    if not options.aligned:
        stars = find_stars(mean_plane(below), limit=3000)
        if len(stars) < FEWEST_STARS:
            raise NotEnoughFramesError(
                f"{below.name}: {len(stars)} stars found; a linear stack with stars is needed"
            )
        for k, picture in enumerate(above):
            above[k], found = align_picture(picture, below.shape, stars, name=picture.name)
            notes += found
    top = _join(above, below)
    pair = check_pair(
        mean_plane(below), mean_plane(top), stars_deep=stars, names=_names(below, above),
        registered=not options.aligned,
    )  # fmt: skip
    if options.mono and top.planes > 1 and below.planes == 1:
        top = replace(top, data=mean_plane(top))
    if below.planes != top.planes and min(below.planes, top.planes) != 1:
        raise InputError(
            f"{below.name} has {below.planes} planes, {top.name} {top.planes}: they do not fit"
        )
    return top, pair, notes


def _replace(below: Picture, top: Picture, options: SwapOptions, **others: Any) -> Replacement:
    """Replace the stars; an error says what to look at."""
    options = replace(options, saturation_deep=below.saturation, saturation_sharp=top.saturation)
    try:
        result = replace_stars(below.data, top.data, options=options, **others)
    except NotEnoughFramesError as error:
        hint = "are they linear, not stretched?"
        if options.brightest is not None or options.faintest is not None:
            hint = "do the limits of brightness leave any?"
        raise NotEnoughFramesError(f"{error}; {hint}") from error
    if below.planes == 1 and result.final.ndim == 3:
        # The light behind the stars has no colour; what the planes' fits differ by is the stars'.
        ground = np.broadcast_to(result.background.mean(axis=0), result.final.shape).copy()
        result = replace(result, background=ground, stars=result.final - ground)
    return result


def _names(deep: Picture, sharp: Sequence[Picture]) -> tuple[str, str]:
    """Names of the two for messages; general ones if the file names are the same."""
    names = deep.name, ", ".join(picture.name for picture in sharp)
    return names if names[0] != names[1] else ("the deep stack", "the sharp stack")


def _join(pictures: list[Picture], deep: Picture) -> Picture:
    """The sharp pictures as one, on the deep one's grid; pixels of weight 0 are NaN."""
    for picture in pictures:
        if picture.shape != deep.shape:
            raise InputError(
                f"{deep.name} is {deep.shape}, {picture.name} is {picture.shape} "
                "(rows, columns): leave out --aligned to register them by their stars"
            )
    data = [
        p.data if p.weight is None else np.where(p.weight > 0, p.data, np.float32(np.nan))
        for p in pictures
    ]
    joined = data[0] if len(data) == 1 else np.stack(data)
    level = min(picture.saturation for picture in pictures)
    return replace(pictures[0], data=joined, weight=None, saturation=level)


def swap_stars(
    deep: StrPath,
    sharp: StrPath | Sequence[StrPath],
    *,
    out: StrPath,
    bits: int | None = None,
    white: float | None = None,
    overwrite: bool = False,
    options: SwapOptions | None = None,
    **others: Any,
) -> SwapResult:
    """Replace the stars of one stack by those of another and write the picture.

    Parameters
    ----------
    deep : path
        FITS or TIFF, one plane or three; see `framesort.images.read_picture`.
    sharp : path or sequence of path
        The same; or several files of one plane that become the planes red, green, blue. They
        need not be on one grid: they are brought onto the deep one's by their stars.
    out : path
        The picture to write, FITS or TIFF by its ending; star layer, background, mask and star
        table are put beside it, their names beginning with the picture's.
    bits : {32, 16} or None
        Of a TIFF file; None for 16 where the deep stack is a TIFF of 16 bits, else 32.
    white : float or None
        See `framesort.images.write_picture`; None leaves the numbers alone, but takes 1 where
        16 bits are requested for a deep stack that lies between 0 and 1.
    overwrite : bool
        Replace existing files.
    options, **others
        As for `swap_images`.

    Returns
    -------
    SwapResult

    Raises
    ------
    InputError
        A file cannot be used, or the two do not fit.
    OutputError
        A result exists already or cannot be written.
    NotEnoughFramesError
        The stars of the two cannot be matched.
    """
    target = Path(out)
    check_name(target)
    tops = [sharp] if isinstance(sharp, str | os.PathLike) else list(sharp)
    inputs = [deep, *tops]
    prefix = f"{_stem(target)}-"
    for path in (target, *(layer_path(target, prefix, name) for name in LAYERS)):
        # Refused before the work, not after it.
        if path.exists() and any(
            Path(given).exists() and os.path.samefile(path, given) for given in inputs
        ):
            raise OutputError(f"{path}: is an input; choose another name, originals are kept")
        if path.exists() and not overwrite:
            raise OutputError(f"{path} exists already; give --overwrite to replace it")
    if not is_tiff(target) and (bits is not None or white is not None):
        raise InputError(f"{target}: bits and white are those of a TIFF file; FITS is 32 bit float")
    below = gather_picture(deep, name="deep")[0]
    bits, white = _tiff_form(target, below, bits, white)
    options = SwapOptions() if options is None else options
    result = swap_images(below, tops if len(tops) > 1 else tops[0], options=options, **others)
    names = ", ".join(Path(name).name for name in tops)
    files, lost = write_layers(
        target,
        result.replacement,
        result.header,
        made_of=f"of {Path(deep).name} with those of {names}",
        cards={
            "FSDEEP": (Path(deep).name, "deep stack"),
            "FSSHARP": (names, "sharp stack"),
            "FSAMOUNT": (options.amount, "replaced in part, 1 is wholly"),
            "FSDETAIL": (options.detail, "nebulae and galaxies sharpened too"),
        },
        prefix=prefix,
        form=PictureForm(bits=bits, white=white, profile=below.profile, overwrite=overwrite),
    )
    return replace(result, files=tuple(files), notes=(*result.notes, *lost))


def _stem(path: Path) -> str:
    """The name without its endings: m42.final.fits is m42.final, m42.fits.gz is m42."""
    name = path.name
    for ending in (".gz", ".fz", ".fits", ".fit", ".fts", ".tif", ".tiff"):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    return name


def _tiff_form(
    target: Path, deep: Picture, bits: int | None, white: float | None
) -> tuple[int, float | None]:
    if white is not None and not white > 0:
        raise InputError(f"white must be above 0, got {white:g}")
    if bits is None:
        bits = 16 if deep.tiff and deep.stored == "uint16" else 32
    if is_tiff(target) and bits == 16 and white is None and np.nanmax(deep.data) <= 1:
        white = 1.0
    return bits, white
