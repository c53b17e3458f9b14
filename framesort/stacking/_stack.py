"""Stacks of several sets of frames in one pass, band by band."""

import itertools
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import ArrayLike

from framesort.errors import NotEnoughFramesError
from framesort.records import Note, Stack, Transform
from framesort.stacking._bands import MARGIN, FrameVanishedError, run_stripe
from framesort.stacking._collect import Collector
from framesort.stacking._memory import name_images
from framesort.stacking._options import Execution, FrameValues, StackMethod
from framesort.stacking._plan import (
    Request,
    choose_photometric_reference,
    make_plan,
    make_request,
)
from framesort.stacking._prepare import FrameProbe, ProbeTask, inspect_frame
from framesort.workers import open_threads, run_tasks, worker_count

__all__ = ["stack_frames"]

PER_FRAME = 4096  # bytes that a frame takes whatever the rows: plan, level, transform, header
FEWEST_ROWS = 16  # of a band, however many frames there are: fewer would be read over and over
STRIPES = 24  # parts of the grid that workers take up, or somewhat more to suit their number
SMALLEST_STRIPE = 96  # rows; the six that two stripes share are then 6 %


def stack_frames(
    paths: Sequence[Any],
    transforms: Sequence[Transform],
    *,
    sets: Mapping[str, ArrayLike],
    shape: tuple[int, int],
    header: Header | None = None,
    values: FrameValues | None = None,
    method: StackMethod | None = None,
    execution: Execution | None = None,
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
    values : FrameValues or None
        What is known of the frames: flux scales, noise, saturation, kinds of stars.
    method : StackMethod or None
        How frames are interpolated, brought to one background and combined.
    execution : Execution or None
        How pixels are read, memory, scratch files, executor, progress.

    Returns
    -------
    dict of str to `~framesort.records.Stack`
        One a set. The bits do not depend on the order of the frames, on the memory or on the
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
    values, method = values or FrameValues(), method or StackMethod()
    execution = execution or Execution()
    names, read = name_images(paths, execution.read)
    request = make_request(names, transforms, sets, shape, values, method, read)
    weights = request.weights
    usable = [k for k in range(len(names)) if transforms[k] and (weights[:, k] > 0).any()]
    usable.sort(key=lambda k: (names[k], k))
    with ExitStack() as stack:
        # Filters of warnings are the process's: threads that read would leave theirs behind.
        stack.enter_context(warnings.catch_warnings())
        folder = stack.enter_context(
            tempfile.TemporaryDirectory(prefix="framesort-", dir=execution.scratch)
        )
        executor = stack.enter_context(open_threads(execution.executor))
        execution = replace(execution, executor=executor)
        probes = _probe_frames(request, usable, Path(folder), execution)
        gone = {k: probe.error for k, probe in probes.items() if probe.error}
        collector, chosen, remarks = _combine(request, list(sets), probes, gone, execution)
    unmatched = {k: t.reason for k, t in enumerate(transforms) if not t}
    gone |= unmatched
    notes = [
        Note(
            "not matched" if k in unmatched else "not stacked",
            f"{names[k]}: left out, {gone[k]}",
            [names[k]],
        )
        for k in sorted(gone, key=lambda k: (names[k], k))
    ]
    base = header if header is not None else probes[chosen].header
    return collector.stacks(base or Header(), (*notes, *remarks))


def _combine(
    request: Request,
    sets: list[str],
    probes: dict[int, FrameProbe],
    gone: dict[int, str],
    execution: Execution,
) -> tuple[Collector, int, list[Note]]:
    """Combine the frames that are not gone; those that vanish meanwhile are added to `gone`.

    Returns the sums, the photometric reference, and what was assumed.
    """
    executor, progress = execution.executor, execution.progress
    shared = executor is None or isinstance(executor, ThreadPoolExecutor)
    stripes = _stripes(request.shape[0], worker_count(executor))
    while True:
        used = [k for k in probes if k not in gone]
        for name, weights in zip(sets, request.weights, strict=True):
            if not any(weights[k] > 0 for k in used):
                raise NotEnoughFramesError(f"set {name!r} has no frame that can be stacked")
        chosen = choose_photometric_reference(request, used)
        plan, remarks = make_plan(request, used, chosen, probes)
        collector = Collector(sets, plan)
        band = _band(request.shape, len(used), execution.memory)
        task = partial(run_stripe, plan, band, collector.part if shared else None)
        try:
            results = run_tasks(task, stripes, executor=executor, progress=progress)
            for rows, sums in zip(stripes, results, strict=True):
                collector.add(rows, sums)
            return collector, chosen, remarks
        except FrameVanishedError as error:
            # Start again without it: a frame in some bands only would leave a seam.
            number, cause = error.args
            gone[used[number]] = cause


def _probe_frames(
    request: Request, usable: list[int], folder: Path, execution: Execution
) -> dict[int, FrameProbe]:
    tasks = [
        ProbeTask(
            path=request.names[k],
            transform=request.transforms[k],
            grid=request.shape,
            kernel=request.method.kernel,
            saturation=float(np.nan_to_num(request.saturation[k], nan=np.inf)),
            read=request.read,
            stored=str(folder / f"{k}.npy"),
        )
        for k in usable
    ]
    results = run_tasks(
        inspect_frame, tasks, executor=execution.executor, progress=execution.progress
    )
    return dict(zip(usable, results, strict=True))


def _stripes(rows: int, workers: int) -> list[slice]:
    """The grid in stripes of about equal height, the same number for each worker."""
    workers = max(workers, 1)  # 0 where their number is not known
    count = max(1, min(-(-STRIPES // workers) * workers, rows // SMALLEST_STRIPE))
    edges = np.linspace(0, rows, count + 1).round().astype(int).tolist()
    return [slice(start, stop) for start, stop in itertools.pairwise(edges)]


def _band(shape: tuple[int, int], frames: int, memory: int) -> int:
    """Rows of the grid that fit into the memory at a time."""
    # The cube and its marks; medians and contrast, flags, and a frame's rows as read and in float.
    per_row = shape[1] * (5 * frames + 12 + 1 + 6)
    # Rows on both sides, and those that are kept for the next band.
    return max(int((memory - frames * PER_FRAME) // per_row) - 4 * MARGIN, FEWEST_ROWS)
