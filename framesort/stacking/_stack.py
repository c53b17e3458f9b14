"""Stacks of several sets of frames in one pass, band by band."""

import itertools
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import ArrayLike

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Stack, Transform
from framesort.stacking._bands import MARGIN, FrameVanishedError, run_stripe
from framesort.stacking._collect import Collector
from framesort.stacking._memory import name_images
from framesort.stacking._plan import (
    Reader,
    Request,
    choose_photometric_reference,
    make_plan,
    make_request,
)
from framesort.stacking._prepare import FrameProbe, ProbeTask, inspect_frame
from framesort.stacking._weights import kernel_polynomials
from framesort.workers import Progress, open_threads, run_tasks

__all__ = ["stack_frames"]

MEMORY = 64 * 2**20  # bytes that the rows at hand may take
PER_FRAME = 4096  # bytes that a frame takes whatever the rows: plan, level, transform, header
FEWEST_ROWS = 16  # of a band, however many frames there are: fewer would be read over and over
STRIPES = 24  # parts of the grid that workers take up, at most
SMALLEST_STRIPE = 128  # rows; the six that two stripes share are then 5 %


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
    similarity: ArrayLike | None = None,
    groups: Sequence[Any] | None = None,
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
    paths : sequence of path or `~astropy.nddata.CCDData`
        The frames; what a CCDData's mask marks is missing. Sums are made in the order of the
        sorted paths, so that the order given does not matter.
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
        Level from which pixels are saturated, ADU of the frame; None or NaN: not known.
    fwhm : (n,) array_like or None
        Star widths, pixels of the frame. What the three frames with the most similar stars
        show as well is no outlier.
    similarity : (n,) array_like or None
        Another number in which similar frames are near one another, as the heater
        power. Without `fwhm` and `similarity` the tolerance at stars is wider instead.
    groups : (n,) sequence or None
        A label a frame, as the heater state: frames of one label have the same kind of stars. What
        the others of its group show as well is no outlier, even one or two of them, and
        `fwhm` and `similarity` give their order. None for one group.
    clip : float
        Outliers are further than this many standard deviations from the median, plus a
        share of the local contrast of the median image; `inf` keeps all.
    kernel : {"linear", "cubic", "lanczos3"}
        Interpolation, see `resample_image`.
    background_order : int
        Order of the surface (0 to 2) that brings a frame's background to the reference's;
        -1 leaves backgrounds as they are.
    memory : int
        Bytes that each worker may use for the rows at hand of all frames; 28 rows are held in
        any case.
    read : callable or None
        ``read(path, rows=slice)`` gives the rows of a frame as (rows, columns) and its
        header (with NAXIS2, the rows of the whole frame). Here a caller calibrates. None for
        `framesort.files.read_image`.
    scratch : path or None
        Folder for frames that cannot be read row by row (packed files) or lie across the
        grid: they are stored on the grid until the end, 5 bytes a pixel. None for the
        system's folder for temporary files.
    executor : `~concurrent.futures.Executor` or None
        Where stripes of the grid are made; None for this process. In place of the pool of
        processes of `framesort.workers.open_executor` as many threads are used: the compiled
        loops run side by side, and no pixel is copied from process to process.
    progress : callable or None
        Wraps the iteration over frames inspected, then over stripes.

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
    OutputError
        The scratch folder is full.

    Notes
    -----
    Fluxes are conserved: where a frame pixel covers A grid pixels, values are divided by A, so
    that a star's total stays and the scales from star fluxes hold. See docs/stacking.md for
    the methods.
    """
    names, read = name_images(paths, read)
    if memory < 2**20:
        raise InputError(f"memory must be at least 1 MiB, got {memory} bytes")
    kernel_polynomials(kernel)
    request = make_request(
        names,
        transforms,
        sets,
        shape,
        {
            "scales": scales,
            "noise": noise,
            "gain": gain,
            "saturation": saturation,
            "fwhm": fwhm,
            "similarity": similarity,
        },
        groups,
        clip=clip,
        kernel=kernel,
        order=background_order,
        read=read,
    )
    names, weights = request.names, request.weights
    usable = [k for k in range(len(names)) if transforms[k] and (weights[:, k] > 0).any()]
    usable.sort(key=lambda k: (names[k], k))
    with ExitStack() as stack:
        # Filters of warnings are the process's: threads that read would leave theirs behind.
        stack.enter_context(warnings.catch_warnings())
        folder = Path(
            stack.enter_context(tempfile.TemporaryDirectory(prefix="framesort-", dir=scratch))
        )
        executor = stack.enter_context(open_threads(executor))
        shared = isinstance(executor, ThreadPoolExecutor)
        probes = _probe_frames(request, usable, folder, executor, progress)
        gone = {k: probe.error for k, probe in probes.items() if probe.error}
        while True:
            used = [k for k in usable if k not in gone]
            for s, name in enumerate(sets):
                if not any(weights[s, k] > 0 for k in used):
                    raise NotEnoughFramesError(f"set {name!r} has no frame that can be stacked")
            chosen = choose_photometric_reference(reference, used, transforms)
            plan, remarks = make_plan(request, used, chosen, probes)
            stripes = _stripes(request.shape[0])
            collector = Collector(list(sets), plan)
            task = partial(
                run_stripe,
                plan,
                _band(request.shape, len(used), memory),
                collector.part if executor is None or shared else None,
            )
            try:
                results = run_tasks(task, stripes, executor=executor, progress=progress)
                for rows, sums in zip(stripes, results, strict=True):
                    collector.add(rows, sums)
                break
            except FrameVanishedError as error:
                # Start again without it: a frame in some bands only would leave a seam.
                number, cause = error.args
                gone[used[number]] = cause
    gone |= {k: t.reason for k, t in enumerate(transforms) if not t}
    notes = [f"{names[k]}: left out, {gone[k]}" for k in sorted(gone, key=lambda k: (names[k], k))]
    base = header if header is not None else probes[chosen].header
    return collector.stacks(base or Header(), (*notes, *remarks))


def _probe_frames(
    request: Request,
    usable: list[int],
    folder: Path,
    executor: Executor | None,
    progress: Progress | None,
) -> dict[int, FrameProbe]:
    tasks = [
        ProbeTask(
            path=request.names[k],
            transform=request.transforms[k],
            grid=request.shape,
            kernel=request.kernel,
            saturation=float(np.nan_to_num(request.saturation[k], nan=np.inf)),
            read=request.read,
            stored=str(folder / f"{k}.npy"),
        )
        for k in usable
    ]
    results = run_tasks(inspect_frame, tasks, executor=executor, progress=progress)
    return dict(zip(usable, results, strict=True))


def _stripes(rows: int) -> list[slice]:
    """The grid in stripes of about equal height."""
    count = max(1, min(STRIPES, rows // SMALLEST_STRIPE))
    edges = np.linspace(0, rows, count + 1).round().astype(int).tolist()
    return [slice(start, stop) for start, stop in itertools.pairwise(edges)]


def _band(shape: tuple[int, int], frames: int, memory: int) -> int:
    """Rows of the grid that fit into the memory at a time."""
    # The cube and its marks; medians and contrast, flags, and a frame's rows as read and in float.
    per_row = shape[1] * (5 * frames + 12 + 1 + 6)
    # Rows on both sides, and those that are kept for the next band.
    return max(int((memory - frames * PER_FRAME) // per_row) - 4 * MARGIN, FEWEST_ROWS)
