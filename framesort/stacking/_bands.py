"""A stripe of the grid: every frame's rows resampled, outliers out, all sets combined."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.stacking._kernels import (
    accumulate,
    local_range,
    medians,
    sorting_network,
)
from framesort.stacking._options import Reader
from framesort.stacking._pixels import read_pixels
from framesort.stacking._plan import FramePlan, Plan
from framesort.stacking._reject import BLOCK, reject
from framesort.stacking._resample import Placement, needed_rows, resample_rows
from framesort.stacking._take_out import grow, take_out

__all__ = [
    "MARGIN",
    "FrameVanishedError",
    "Sums",
    "resample_frame",
    "run_stripe",
]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]

CONTRAST_REACH = 2  # pixels around a pixel whose range counts as structure
MARGIN = CONTRAST_REACH + 1  # rows beyond a band that its result depends on
SATURATED_SHARE = 0.25  # of the weight at a pixel, from which its value is not to be trusted


class FrameVanishedError(Exception):
    """A frame could be read before, but not now. Holds its number in the plan and the cause."""


@dataclass(frozen=True, kw_only=True)
class Sums:
    """What rows of the grid give: arrays (sets, rows, columns), and pixels counted per frame.

    `saturated`: for each set the pixels (y, x of the grid) whose value is not to be trusted.
    """

    data: Image
    weight: Image
    coverage: NDArray[np.int16]
    gone: NDArray[np.int64]
    seen: NDArray[np.int64]
    saturated: list[list[NDArray[np.int64]]]

    @classmethod
    def empty(cls, sets: int, frames: int, shape: tuple[int, int]) -> "Sums":
        """Nothing counted yet."""
        return cls(
            data=np.empty((sets, *shape), dtype=np.float32),
            weight=np.empty((sets, *shape), dtype=np.float32),
            coverage=np.empty((sets, *shape), dtype=np.int16),
            gone=np.zeros(frames, dtype=np.int64),
            seen=np.zeros(frames, dtype=np.int64),
            saturated=[[] for _ in range(sets)],
        )

    def part(self, rows: slice) -> "Sums":
        """Some rows of the same arrays, with counts of their own."""
        return Sums(
            data=self.data[:, rows],
            weight=self.weight[:, rows],
            coverage=self.coverage[:, rows],
            gone=np.zeros_like(self.gone),
            seen=np.zeros_like(self.seen),
            saturated=[[] for _ in self.saturated],
        )


def run_stripe(plan: Plan, band: int, into: Callable[[slice], Sums] | None, rows: slice) -> Sums:
    """Combine rows of the grid, `band` of them at a time.

    What neighbouring bands share is resampled once, so that small bands cost little.

    Parameters
    ----------
    plan : Plan
    band : int
        Rows that are held at a time.
    into : callable or None
        Gives the arrays to fill; None for new ones.
    rows : slice
        Of the grid.

    Raises
    ------
    FrameVanishedError
        A frame's pixels cannot be had any more.
    """
    ny, nx = plan.shape
    frames, noise = len(plan.frames), plan.noise
    sums = (
        Sums.empty(len(plan.weights), frames, (rows.stop - rows.start, nx))
        if into is None
        else into(rows)
    )
    height = min(band + 2 * MARGIN, ny)
    space = np.empty((frames, height, nx), dtype=np.float32)
    flags = np.empty((height, nx), dtype=np.uint8)
    work = np.empty((3, height, nx), dtype=np.float32)
    known = 0  # rows at the band's beginning whose medians are in `work`
    saturated: list[tuple[int, NDArray[np.int64], NDArray[np.int64]]] = []
    ready = max(rows.start - MARGIN, 0)  # rows of the grid before are in the cube already
    kept: Image | None = None
    for part in _bands(rows, band):
        padded = slice(max(part.start - MARGIN, 0), min(part.stop + MARGIN, ny))
        cube = space[:, : padded.stop - padded.start]
        if kept is not None:
            cube[:, : kept.shape[1]] = kept
        new = slice(ready, padded.stop)
        for k, frame in enumerate(plan.frames):
            out = cube[k, new.start - padded.start :]
            seen, met = _fill(plan, k, frame, new, out, flags[: len(out)])
            before, after = max(rows.start - new.start, 0), max(rows.stop - new.start, 0)
            for beyond in (out[:before], out[after:]):
                if len(beyond):
                    seen -= int(np.count_nonzero(np.isfinite(beyond)))
            sums.seen[k] += seen
            if met:
                y, x = np.nonzero(flags[: len(out)].view(bool))
                saturated.append((k, y + new.start, x))
        first, stop = part.start - padded.start, part.stop - padded.start
        # The next band begins with these rows as they are now, outliers included.
        ready = padded.stop
        again = max(part.stop - MARGIN, 0) - padded.start
        kept = cube[:, again:].copy() if part.stop < rows.stop else None
        if frames > 1 and np.isfinite(plan.noise.clip):
            _take_outliers(plan, cube, (first, stop), work[:, : cube.shape[1]], known, sums.gone)
            known = cube.shape[1] - again
            work[:2, :known] = work[:2, again : cube.shape[1]].copy()
        done = slice(part.start - rows.start, part.stop - rows.start)
        for s, weights in enumerate(plan.weights):
            accumulate(
                cube, (first, stop), weights, noise,
                sums.data[s, done], sums.weight[s, done], sums.coverage[s, done],
            )  # fmt: skip
            if saturated:
                sums.saturated[s].append(
                    _saturated_places(cube[:, first:stop], part, saturated, weights)
                )
        saturated = [entry for entry in saturated if entry[1][-1] >= part.stop]
    return sums


def _bands(rows: slice, band: int) -> Iterator[slice]:
    for start in range(rows.start, rows.stop, band):
        yield slice(start, min(start + band, rows.stop))


def _take_outliers(
    plan: Plan, cube: Image, rows: tuple[int, int], work: Image, known: int, gone: NDArray[np.int64]
) -> None:
    """Set outliers in rows of a cube to NaN.

    `work` receives median, lower median and contrast; of its first `known` rows it holds the
    medians already.
    """
    median, lower, contrast = work
    medians(cube[:, known:], sorting_network(len(cube)), median[known:], lower[known:])
    # What the median of so many frames scatters by (pi / 2: Kendall & Stuart).
    noise = float(np.sqrt(np.pi / 2 / np.sum(1 / plan.noise.variance)))
    # Range of the median image within 5 x 5 pixels, beyond what noise alone makes of it. The
    # range of 25 values of a normal distribution is 3.9 sigma on average and below 5.5 in 99 of
    # 100 cases (tables of the studentised range). The lower middle: where half of
    # the frames are hit the mean of both is no structure.
    local_range(lower, CONTRAST_REACH, 5.5 * noise, contrast)
    marks: NDArray[np.uint8] = np.zeros(cube.shape, dtype=np.uint8)
    touched: NDArray[np.uint8] = np.zeros(
        (*cube.shape[:2], -(-cube.shape[2] // BLOCK)), dtype=np.uint8
    )
    reject(cube, median, contrast, plan.noise, plan.similar, rows, marks, touched)
    grow(cube, median, contrast, plan.noise, plan.similar, rows, marks, touched)
    take_out(cube, contrast, plan.weights, plan.noise, rows, marks, touched, gone)


def _saturated_places(
    cube: Image, rows: slice, saturated: list[Any], weights: Floats
) -> NDArray[np.int64]:
    """Pixels (y, x) of a stack of whose weight a quarter or more is from saturated pixels."""
    shape = cube.shape[1:]
    met = []
    for _, y, x in saturated:
        inside = slice(*np.searchsorted(y, [rows.start, rows.stop]))
        met.append(np.ravel_multi_index((y[inside] - rows.start, x[inside]), shape))
    places = np.unique(np.concatenate(met))
    share = np.zeros(len(places))
    for (k, _, _), some in zip(saturated, met, strict=True):
        # What was rejected counts not.
        known = np.isfinite(cube[k][np.unravel_index(some, shape)])
        share[np.searchsorted(places, some)] += weights[k] * known
    y, x = np.unravel_index(places, shape)
    total = (np.isfinite(cube[:, y, x]) * weights[:, None]).sum(axis=0)
    inside = (share > 0) & (share >= SATURATED_SHARE * total)
    return np.column_stack([y[inside] + rows.start, x[inside]])


def _fill(
    plan: Plan, k: int, frame: FramePlan, rows: slice, out: Image, flags: NDArray[np.uint8]
) -> tuple[int, int]:
    """One frame's rows on the grid, background taken off; finite pixels, and saturated ones met."""
    if frame.stored is None:
        return resample_frame(plan.read, frame, rows, plan.shape, plan.polynomials, out, flags, k)
    stored = np.load(frame.stored, mmap_mode="r")[rows]
    here = Placement(
        shape=plan.shape, inverse=np.eye(3), factor=frame.factor, surface=frame.surface
    )
    seen, _ = resample_rows(
        stored, rows.start, here, rows, plan.shape[0], plan.polynomials, out, flags
    )
    flags[...] = np.load(Path(frame.stored).with_suffix(".saturated.npy"), mmap_mode="r")[rows]
    return seen, int(np.count_nonzero(flags))


def resample_frame(
    read: Reader,
    frame: FramePlan,
    rows: slice,
    grid: tuple[int, int],
    polynomials: Image,
    out: Image,
    flags: NDArray[np.uint8],
    number: int,
) -> tuple[int, int]:
    """Read what is needed of a frame and bring it onto rows of the grid, see `resample_rows`."""
    need = needed_rows(frame.inverse, rows, grid[1], len(polynomials), frame.shape[0])
    source = np.empty((0, frame.shape[1]), dtype=np.float32)
    if need.stop > need.start:
        try:
            if frame.plain is not None:
                source = read_pixels(frame.plain, need)
            else:
                source = np.asarray(read(frame.path, rows=need)[0], dtype=np.float32)
        except Exception as error:
            raise FrameVanishedError(number, str(error)) from error
        expected = (need.stop - need.start, frame.shape[1])
        if source.shape != expected:
            raise FrameVanishedError(
                number, f"rows {need.start} to {need.stop} have the shape {source.shape}, "
                f"not {expected}",
            )  # fmt: skip
    return resample_rows(source, need.start, frame, rows, grid[0], polynomials, out, flags)
