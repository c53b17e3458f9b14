"""Stacks of several sets of frames in one pass, band by band."""

import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError, NotEnoughFramesError
from framesort.files import read_image
from framesort.records import Stack, Transform
from framesort.stacking._bands import MARGIN, FramePlan, FrameVanishedError, Plan, Reader, run_band
from framesort.stacking._collect import Collector
from framesort.stacking._normalise import fit_surface
from framesort.stacking._prepare import Look, LookTask, look_at_frame
from framesort.stacking._resample import inverse_matrix, kernel_table
from framesort.workers import Progress, run_tasks

__all__ = ["stack_arrays", "stack_frames"]

Floats = NDArray[np.float64]

MEMORY = 512 * 2**20  # bytes a band may take
FEWEST_BANDS = 8  # so that several workers have something to do
SMALLEST_BAND = 16  # rows
LEAST_SLACK, LARGEST_SLACK = 0.2, 1.2


def stack_frames(
    paths: Sequence[Any],
    transforms: Sequence[Transform],
    *,
    sets: Mapping[str, ArrayLike],
    shape: tuple[int, int],
    header: Header | None = None,
    reference: int | None = None,
    scales: ArrayLike | None = None,
    noise: ArrayLike | None = None,
    gain: ArrayLike | None = None,
    saturation: ArrayLike | None = None,
    fwhm: ArrayLike | None = None,
    clip: float = 3.0,
    kernel: str = "lanczos3",
    background_order: int = 1,
    memory: int = MEMORY,
    read: Reader | None = None,
    scratch: Any = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> dict[str, Stack]:
    """Stack frames into one or several sets on one grid, each frame's pixels read once.

    Parameters
    ----------
    paths : sequence of path
        The frames. Sums are made in the order of the sorted paths, so that the order given
        does not matter.
    transforms : sequence of `~framesort.records.Transform`
        Onto the grid, one a frame; a frame whose transform is not good is left out.
    sets : mapping of str to (n,) array_like
        Name of each set and the weight of every frame in it: 0 or NaN is not in the set. The
        weight multiplies the inverse of the frame's background variance.
    shape : (int, int)
        Rows and columns of the grid.
    header : `~astropy.io.fits.Header` or None
        Of the grid; None takes the reference frame's.
    reference : int or None
        Frame whose background and noise scale are those of the stacks; None takes the one
        whose transform is nearest to the identity.
    scales : (n,) array_like or None
        Factors that bring the frames' fluxes to the reference's, see `measure_flux_scales`;
        None for 1. A frame with NaN takes 1, with a note.
    noise : (n,) array_like or None
        Standard deviation of a background pixel, ADU of the frame; None or NaN: measured.
    gain : float, (n,) array_like or None
        Electrons per ADU, for the photon noise of stars; None or NaN: not counted.
    saturation : float, (n,) array_like or None
        Level from which pixels are full, ADU of the frame; None or NaN: not known.
    fwhm : (n,) array_like or None
        Star widths, pixels of the frame. A frame whose stars are as wide as the median
        frame's may differ little from the median image at a star before it is an outlier;
        None or NaN: as much as stars half as wide again would.
    clip : float
        Outliers are further than this many standard deviations from the median, plus a
        share of the local contrast of the median image; `inf` keeps all.
    kernel : {"linear", "cubic", "lanczos3"}
        Interpolation, see `resample_image`.
    background_order : int
        Order of the surface (0 to 2) that brings a frame's background to the reference's;
        -1 leaves backgrounds alone.
    memory : int
        Bytes that one band may take; every worker holds one band at a time.
    read : callable or None
        ``read(path, rows=slice)`` gives the rows of a frame as (rows, columns) and its
        header (with NAXIS2, the rows of the whole frame). Here a caller calibrates. None for
        `framesort.files.read_image`.
    scratch : path or None
        Folder for frames that cannot be read row by row (packed files) or lie across the
        grid: they are stored on the grid until the end, 5 bytes a pixel. None for the
        system's folder for temporary files.
    executor : `~concurrent.futures.Executor` or None
        Where bands are made; None for this process.
    progress : callable or None
        Wraps the iteration over frames looked at, then over bands.

    Returns
    -------
    dict of str to `~framesort.records.Stack`
        One a set. The bits do not depend on the order of the frames, on `memory` or on the
        executor.

    Raises
    ------
    InputError
        Lengths or options do not fit.
    NotEnoughFramesError
        A set has no frame that can be used.

    Notes
    -----
    Fluxes are conserved: where a frame pixel covers A grid pixels, values are divided by A, so
    that a star's total stays and the scales from star fluxes hold. See docs/stacking.md for
    the methods.
    """
    names = [str(path) for path in paths]
    weights = _check(names, transforms, sets, shape, clip, background_order, memory)
    kernel_table(kernel)
    n = len(names)
    per_frame = {
        "scales": _per_frame(scales, n, "scales"),
        "noise": _per_frame(noise, n, "noise"),
        "gain": _per_frame(gain, n, "gain"),
        "saturation": _per_frame(saturation, n, "saturation"),
        "fwhm": _per_frame(fwhm, n, "fwhm"),
    }
    reader = partial(read_image) if read is None else read
    usable = [k for k in range(n) if transforms[k] and (weights[:, k] > 0).any()]
    usable.sort(key=lambda k: (names[k], k))
    notes = [f"{names[k]}: left out, {t.reason}" for k, t in enumerate(transforms) if not t]
    with ExitStack() as stack:
        folder = Path(
            stack.enter_context(tempfile.TemporaryDirectory(prefix="framesort-", dir=scratch))
        )
        looks = _look(
            names, transforms, usable, shape, kernel, per_frame, reader, folder, executor, progress
        )
        gone: dict[int, str] = {k: look.error for k, look in looks.items() if look.error}
        while True:
            used = [k for k in usable if k not in gone]
            for s, name in enumerate(sets):
                if not any(weights[s, k] > 0 for k in used):
                    raise NotEnoughFramesError(f"set {name!r} has no frame that can be stacked")
            home = _home(reference, used, transforms)
            plan, remarks = _plan(
                names, transforms, used, home, looks, weights, per_frame, shape, clip, kernel,
                background_order, reader,
            )  # fmt: skip
            collector = Collector(list(sets), plan, used)
            try:
                bands = _bands(shape, len(used), len(sets), memory)
                for result in run_tasks(
                    partial(run_band, plan), bands, executor=executor, progress=progress
                ):
                    collector.add(result)
                break
            except FrameVanishedError as error:
                # Start again without it: a frame in some bands only would leave a seam.
                number, cause = error.args
                gone[used[number]] = cause
    notes += [f"{names[k]}: left out, {cause}" for k, cause in sorted(gone.items())]
    base = header if header is not None else looks[home].header
    return collector.stacks(base or Header(), tuple([*notes, *remarks]))


def stack_arrays(
    images: Sequence[Any],
    transforms: Sequence[Transform] | None = None,
    *,
    sets: Mapping[str, ArrayLike] | None = None,
    shape: tuple[int, int] | None = None,
    names: Sequence[str] | None = None,
    **options: Any,
) -> dict[str, Stack]:
    """Stack images that are in memory, for example registered elsewhere.

    Parameters
    ----------
    images : sequence of (ny, nx) array_like or `~astropy.nddata.CCDData`
        NaN is missing, as is what a CCDData's mask marks. A CCDData's header is kept.
    transforms : sequence of `~framesort.records.Transform` or None
        None for images on the grid already.
    sets : mapping or None
        As for `stack_frames`; None for one set "all" with weight 1.
    shape : (int, int) or None
        Of the grid; None for that of the first image.
    names : sequence of str or None
        Names in the result; sums are made in their order.
    **options
        All others of `stack_frames` but `read`. An executor of processes would copy the
        images; use threads.

    Returns
    -------
    dict of str to `~framesort.records.Stack`

    Raises
    ------
    InputError, NotEnoughFramesError
        As `stack_frames`.
    """
    if not len(images):
        raise NotEnoughFramesError("no image to stack")
    if names is None:
        names = [f"image {k + 1:06d}" for k in range(len(images))]
    if len(set(names)) != len(images):
        raise InputError(f"names must be {len(images)} different names, got {len(set(names))}")
    reader = _ArrayReader(dict(zip(names, images, strict=True)))
    if transforms is None:
        transforms = [Transform(matrix=np.eye(3), residual=0.0)] * len(images)
    if shape is None:
        shape = np.shape(getattr(images[0], "data", images[0]))[-2:]
    return stack_frames(
        names,
        transforms,
        sets={"all": np.ones(len(images))} if sets is None else sets,
        shape=shape,
        read=reader,
        **options,
    )


class _ArrayReader:
    """Gives rows of images in memory as `read_image` gives those of files."""

    def __init__(self, images: dict[str, Any]) -> None:
        self._images = images

    def __call__(self, path: str, *, rows: slice) -> tuple[NDArray[np.float32], Header]:
        image = self._images[path]
        plain = isinstance(image, np.ndarray) or not hasattr(image, "data")
        pixels = np.asarray(image if plain else image.data)
        header = Header() if plain else Header(getattr(image, "header", {}))
        header["NAXIS2"] = len(pixels)
        part = np.array(pixels[rows], dtype=np.float32)
        mask = None if plain else getattr(image, "mask", None)
        if mask is not None:
            part[np.broadcast_to(mask, pixels.shape)[rows]] = np.nan
        return part, header


def _check(
    names: list[str],
    transforms: Sequence[Transform],
    sets: Mapping[str, ArrayLike],
    shape: tuple[int, int],
    clip: float,
    background_order: int,
    memory: int,
) -> Floats:
    """Weights (sets, n); NaN and negative ones 0."""
    if len(transforms) != len(names):
        raise InputError(f"transforms must have {len(names)} values, got {len(transforms)}")
    if not sets:
        raise InputError("sets must name at least one set of frames")
    if len(shape) != 2 or min(shape) < 1:
        raise InputError(f"shape must be (rows, columns) of 1 or more, got {tuple(shape)}")
    if not clip > 0:
        raise InputError(f"clip must be above 0, got {clip}")
    if background_order not in (-1, 0, 1, 2):
        raise InputError(f"background_order must be -1, 0, 1 or 2, got {background_order}")
    if memory < 2**20:
        raise InputError(f"memory must be at least 1 MiB, got {memory} bytes")
    rows = []
    for name, values in sets.items():
        weight: Floats = np.ma.filled(np.ma.asarray(values, dtype=float), np.nan)
        if weight.shape != (len(names),):
            raise InputError(
                f"set {name!r} must have {len(names)} weights, got the shape {weight.shape}"
            )
        rows.append(np.where(weight > 0, weight, 0.0))
    return np.array(rows)


def _per_frame(values: ArrayLike | None, count: int, name: str) -> Floats:
    """One value a frame; NaN where not known."""
    if values is None:
        return np.full(count, np.nan)
    plain = np.asarray(np.ma.filled(np.ma.asarray(values, dtype=float), np.nan), dtype=float)
    if plain.ndim == 0:
        return np.full(count, float(plain))
    if plain.shape != (count,):
        raise InputError(f"{name} must have {count} values, got the shape {plain.shape}")
    return plain


def _look(
    names: list[str],
    transforms: Sequence[Transform],
    usable: list[int],
    shape: tuple[int, int],
    kernel: str,
    per_frame: dict[str, Floats],
    reader: Reader,
    folder: Path,
    executor: Executor | None,
    progress: Progress | None,
) -> dict[int, Look]:
    tasks = [
        LookTask(
            path=names[k],
            transform=transforms[k],
            grid=shape,
            kernel=kernel,
            full=float(np.nan_to_num(per_frame["saturation"][k], nan=np.inf)),
            read=reader,
            stored=str(folder / f"{k}.npy"),
        )
        for k in usable
    ]
    results = run_tasks(look_at_frame, tasks, executor=executor, progress=progress)
    return dict(zip(usable, results, strict=True))


def _home(reference: int | None, used: list[int], transforms: Sequence[Transform]) -> int:
    """The frame whose background the stacks have."""
    if reference is not None and reference in used:
        return reference
    return min(used, key=lambda k: float(np.abs(transforms[k].matrix - np.eye(3)).sum()))


def _plan(
    names: list[str],
    transforms: Sequence[Transform],
    used: list[int],
    home: int,
    looks: dict[int, Look],
    weights: Floats,
    per_frame: dict[str, Floats],
    shape: tuple[int, int],
    clip: float,
    kernel: str,
    order: int,
    reader: Reader,
) -> tuple[Plan, list[str]]:
    """Factors, surfaces, noise and weights of the frames in use."""
    notes, frames, variance, shot = [], [], [], []
    mesh = {k: looks[k].mesh for k in used}
    home_mesh = mesh[home]
    assert home_mesh is not None
    scale = {k: float(per_frame["scales"][k]) for k in used}
    for k in used:
        if not scale[k] > 0:
            if np.isfinite(per_frame["scales"]).any():
                notes.append(f"{names[k]}: no common stars for its flux scale, 1 is assumed")
            scale[k] = 1.0
    factor = {k: scale[k] / looks[k].area for k in used}
    scaled_home = type(home_mesh)(
        home_mesh.level * factor[home], home_mesh.cell, home_mesh.noise, home_mesh.shape
    )
    for k in used:
        surface = np.zeros(6)
        own = mesh[k]
        assert own is not None
        if order >= 0 and k != home:
            surface, _ = fit_surface(
                own, transforms[k], factor[k], scaled_home, transforms[home], shape, order
            )
            if not np.isfinite(surface).all():
                # No common area: the levels as wholes must do.
                offset = factor[k] * np.nanmedian(own.level) - np.nanmedian(scaled_home.level)
                surface = np.array([np.nan_to_num(offset), 0, 0, 0, 0, 0])
                notes.append(
                    f"{names[k]}: no common area with the reference, only the level of its "
                    "background was matched"
                )
        noise = per_frame["noise"][k] if per_frame["noise"][k] > 0 else own.noise
        if not noise > 0:
            noise = home_mesh.noise if home_mesh.noise > 0 else 1.0
        variance.append((noise * factor[k]) ** 2)
        gain = per_frame["gain"][k]
        shot.append(factor[k] / gain if gain > 0 else 0.0)
        frames.append(
            FramePlan(
                path=names[k],
                shape=looks[k].shape,
                inverse=inverse_matrix(transforms[k]),
                factor=factor[k],
                surface=surface,
                full=float(np.nan_to_num(per_frame["saturation"][k], nan=np.inf)),
                stored=looks[k].stored,
            )
        )
    plan = Plan(
        frames=tuple(frames),
        shape=shape,
        weights=weights[:, used] / np.array(variance),
        variance=np.array(variance),
        shot=np.array(shot),
        slack=_slack(per_frame["fwhm"][used] * np.array([transforms[k].scale for k in used])),
        sky=float(np.nan_to_num(np.nanmedian(scaled_home.level))),
        clip=clip,
        kernel=kernel,
        read=reader,
    )
    return plan, notes


def _slack(fwhm: Floats) -> Floats:
    """Share of the local contrast by which a frame may differ from the median image.

    A star that is wider by the factor q has its peak changed by q^2 or 1 / q^2, to first order
    2 ln q of it; the fifth is for residual shifts and seeing (0.15 pixel on the flank of a star
    of FWHM 3 pixels changes it by 0.15 of the peak).
    """
    known = fwhm[fwhm > 0]
    if not len(known):
        return np.full(len(fwhm), LARGEST_SLACK)
    change = np.abs(np.log(np.where(fwhm > 0, fwhm, np.inf) / np.median(known)))
    return np.minimum(LEAST_SLACK + 2.5 * change, LARGEST_SLACK)


def _bands(shape: tuple[int, int], frames: int, sets: int, memory: int) -> list[slice]:
    """Rows of the grid in bands that fit into the memory."""
    # The cube, twice a frame's source rows, medians and filters, and what the sets give.
    per_row = shape[1] * (4 * frames + 12 + 24 + 12 * sets)
    rows = int(memory // per_row) - 2 * MARGIN
    rows = min(rows, max(-(-shape[0] // FEWEST_BANDS), SMALLEST_BAND))
    rows = max(rows, 1)
    return [slice(start, min(start + rows, shape[0])) for start in range(0, shape[0], rows)]
