"""One band of the grid: every frame's rows resampled, outliers out, all sets combined."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, minimum_filter

from framesort.stacking._kernels import (
    accumulate,
    medians,
    reject_by_spread,
    sorting_network,
    subtract_surface,
)
from framesort.stacking._plan import LARGEST_SLACK, FramePlan, Plan, Reader
from framesort.stacking._reject import grow, reject
from framesort.stacking._resample import KERNELS, kernel_table, needed_rows, resample_rows

__all__ = [
    "MARGIN",
    "BandResult",
    "FrameVanishedError",
    "combine_cube",
    "resample_frame",
    "run_band",
]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

CONTRAST_REACH = 2  # pixels around a pixel whose range counts as structure
MARGIN = CONTRAST_REACH + 1  # rows beyond a band that its result depends on
FULL_SHARE = 0.25  # of the weight at a pixel, from which its value is not to be trusted
MAD_TO_SIGMA = 1.482602


class FrameVanishedError(Exception):
    """A frame could be read before, but not now. Holds its number in the plan and the cause."""


@dataclass(frozen=True, kw_only=True)
class BandResult:
    """What a band gives: arrays (sets, rows, columns), and pixels counted per frame."""

    rows: slice
    data: Image
    weight: Image
    coverage: NDArray[np.int16]
    gone: NDArray[np.int64]
    seen: NDArray[np.int64]
    full_values: tuple[Image, ...]


def run_band(plan: Plan, rows: slice) -> BandResult:
    """Combine the rows of the grid.

    Raises
    ------
    FrameVanishedError
        A frame's pixels cannot be had any more.
    """
    ny, nx = plan.shape
    padded = slice(max(rows.start - MARGIN, 0), min(rows.stop + MARGIN, ny))
    first, stop = rows.start - padded.start, rows.stop - padded.start
    cube = np.empty((len(plan.frames), padded.stop - padded.start, nx), dtype=np.float32)
    flags = np.empty(cube.shape[1:], dtype=np.uint8)
    full = []
    for k, frame in enumerate(plan.frames):
        if _fill(plan, k, frame, padded, cube[k], flags):
            full.append((k, *np.nonzero(flags[first:stop])))
    seen = _count(cube, first, stop)
    if len(plan.frames) > 1 and np.isfinite(plan.clip):
        median, lower = np.empty((2, *cube.shape[1:]), dtype=np.float32)
        medians(
            cube, sorting_network(len(cube)), median, lower, np.empty((0, 0), np.float32), False
        )
        # What the median of so many frames scatters by (pi / 2: Kendall & Stuart).
        noise = float(np.sqrt(np.pi / 2 / np.sum(1 / plan.variance)))
        # The lower middle: where half of the frames are hit the mean of both is no structure.
        contrast = _contrast(lower, noise)
        strong = np.zeros(cube.shape[:2], dtype=np.uint8)
        about = (cube, median, contrast, plan.variance, plan.shot)
        reject(
            *about, plan.slack, plan.order, plan.slack_alike, plan.sky, plan.clip,
            max(first - 1, 0), min(stop + 1, cube.shape[1]), strong,
        )  # fmt: skip
        # At stars neighbours may well differ: there only noise and trails of their height count.
        grow(*about, LARGEST_SLACK, plan.sky, plan.clip, first, stop, strong)
    count = (len(plan.weights), stop - first, nx)
    data, weight = np.empty(count, np.float32), np.empty(count, np.float32)
    coverage = np.empty(count, np.int16)
    for s, weights in enumerate(plan.weights):
        accumulate(
            cube, first, stop, weights, plan.variance, plan.shot, plan.sky,
            data[s], weight[s], coverage[s],
        )  # fmt: skip
    full_values = tuple(
        _full_values(cube[:, first:stop], full, weights, data[s])
        for s, weights in enumerate(plan.weights)
    )
    return BandResult(
        rows=rows,
        data=data,
        weight=weight,
        coverage=coverage,
        gone=seen - _count(cube, first, stop),
        seen=seen,
        full_values=full_values,
    )


def _count(cube: Image, first: int, stop: int) -> NDArray[np.int64]:
    """Finite pixels of each frame in some rows."""
    return np.array(
        [np.count_nonzero(np.isfinite(plane[first:stop])) for plane in cube], dtype=np.int64
    )


def _full_values(cube: Image, full: list[Any], weights: Floats, data: Image) -> Image:
    """Values of a stack where a quarter of its weight or more is from full pixels."""
    share = np.zeros(data.shape)
    for k, y, x in full:
        share[y, x] += weights[k] * np.isfinite(cube[k, y, x])  # what was rejected counts not
    y, x = np.nonzero(share)
    total = (np.isfinite(cube[:, y, x]) * weights[:, None]).sum(axis=0)
    return data[y, x][share[y, x] >= FULL_SHARE * total]


def _fill(
    plan: Plan, k: int, frame: FramePlan, rows: slice, out: Image, flags: NDArray[np.uint8]
) -> bool:
    """One frame's rows on the grid, background taken off; whether a full pixel was met."""
    if frame.stored is not None:
        stored = np.load(frame.stored, mmap_mode="r")
        out[...] = stored[rows]
        flags[...] = np.load(Path(frame.stored).with_suffix(".full.npy"), mmap_mode="r")[rows]
        met = bool(flags.any())
    else:
        met = resample_frame(plan.read, frame, rows, plan.shape[1], plan.kernel, out, flags, k)
    subtract_surface(out, rows.start, frame.surface, plan.shape[0])
    return met


def resample_frame(
    read: Reader,
    frame: FramePlan,
    rows: slice,
    columns: int,
    kernel: str,
    out: Image,
    flags: NDArray[np.uint8],
    number: int,
) -> bool:
    """Read what is needed of a frame and bring it onto rows of the grid."""
    need = needed_rows(frame.inverse, rows, columns, KERNELS[kernel], frame.shape[0])
    source = np.empty((0, frame.shape[1]), dtype=np.float32)
    if need.stop > need.start:
        try:
            source = np.asarray(read(frame.path, rows=need)[0], dtype=np.float32)
        except Exception as error:
            raise FrameVanishedError(number, str(error)) from error
        expected = (need.stop - need.start, frame.shape[1])
        if source.shape != expected:
            raise FrameVanishedError(
                number, f"rows {need.start} to {need.stop} have the shape {source.shape}, "
                f"not {expected}",
            )  # fmt: skip
    return resample_rows(
        source,
        frame.inverse,
        rows,
        out,
        flags,
        table=kernel_table(kernel),
        first_row=need.start,
        source_rows=frame.shape[0],
        full=frame.full,
        factor=frame.factor,
        edges=frame.edges,
    )


def _contrast(median: Image, noise: float) -> Image:
    """Range of the median image within 5 x 5 pixels, beyond what noise alone makes of it.

    The range of 25 values of a normal distribution is 3.9 sigma on average and below 5.5 in
    99 of 100 cases (tables of the studentised range; from memory).
    """
    size = 2 * CONTRAST_REACH + 1
    missing = np.isnan(median)
    high = maximum_filter(np.where(missing, -np.inf, median), size=size, mode="nearest")
    low = minimum_filter(np.where(missing, np.inf, median), size=size, mode="nearest")
    with np.errstate(invalid="ignore"):
        contrast = np.maximum(high - low - np.float32(5.5 * noise), 0)
    return np.where(np.isfinite(contrast), contrast, 0).astype(np.float32)


def combine_cube(
    cube: NDArray[np.floating],
    *,
    clip: float = 3.0,
    weights: NDArray[np.floating] | None = None,
    in_place: bool = False,
) -> tuple[Image, NDArray[np.int16]]:
    """Mean of images on one grid after one round of clipping on median and MAD per pixel.

    For frames whose noise is not known. Where it is, `stack_arrays` is better: with few
    frames the MAD of the same values misses their sigma by far.

    Parameters
    ----------
    cube : (n, ny, nx) float ndarray
        NaN is missing.
    clip : float
        Values further than this multiple of 1.4826 MAD from the median are left out.
    weights : (n,) float ndarray or None
        Weight of each image; None for 1.
    in_place : bool
        Use a float32 `cube` as work space; values left out become NaN.

    Returns
    -------
    mean : (ny, nx) float32 ndarray
    coverage : (ny, nx) int16 ndarray
        Images that contribute.
    """
    work = np.array(cube, dtype=np.float32, copy=None if in_place else True)
    n, ny, nx = work.shape
    weight = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    median, lower, spread = np.empty((3, ny, nx), np.float32)
    medians(work, sorting_network(n), median, lower, spread, True)
    reject_by_spread(work, median, spread, clip * MAD_TO_SIGMA, clip * MAD_TO_SIGMA)
    mean, inverse = np.empty((ny, nx), np.float32), np.empty((ny, nx), np.float32)
    coverage = np.empty((ny, nx), np.int16)
    accumulate(work, 0, ny, weight, np.ones(n), np.zeros(n), 0.0, mean, inverse, coverage)
    return mean, coverage
