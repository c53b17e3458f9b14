"""How many frames cover each pixel of the grid, and the largest rectangle that enough cover."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop
from framesort.files import read_image
from framesort.records import Transform
from framesort.stacking._options import Reader
from framesort.stacking._prepare import ProbeTask, inspect_frame

__all__ = [
    "common_cover",
    "count_cover",
    "find_bad_edges",
    "largest_common_rectangle",
    "largest_rectangle",
]

NO_EDGES = (0, 0, 0, 0)
HALF = 0.5 - 1e-6  # pixels; the place between two belongs to one of them


def count_cover(
    transforms: Sequence[Transform],
    sizes: Sequence[tuple[int, int]],
    shape: tuple[int, int],
    *,
    edges: Sequence[tuple[int, int, int, int]] | None = None,
) -> NDArray[np.int32]:
    """Number of frames whose picture lies over each pixel of the grid.

    What rejection takes out counts all the same: it is the place of the frames that matters.

    Parameters
    ----------
    transforms : sequence of `~framesort.records.Transform`
        Onto the grid; one that is not good covers nothing.
    sizes : sequence of (int, int)
        Rows and columns of each frame.
    shape : (int, int)
        Rows and columns of the grid.
    edges : sequence of (int, int, int, int) or None
        Columns left and right, rows below and above, that are no part of each frame's picture.

    Returns
    -------
    (ny, nx) int32 ndarray
        A frame covers the grid pixels whose centre lies in one of its own, as in stacking.
    """
    steps = np.zeros((shape[0], shape[1] + 1), dtype=np.int32)
    for rows, first, last in _frame_spans(transforms, sizes, shape, edges):
        np.add.at(steps, (rows, first), 1)
        np.add.at(steps, (rows, last + 1), -1)
    return np.cumsum(steps[:, :-1], axis=1, dtype=np.int32)


def common_cover(
    transforms: Sequence[Transform],
    sizes: Sequence[tuple[int, int]],
    shape: tuple[int, int],
    *,
    edges: Sequence[tuple[int, int, int, int]] | None = None,
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """What all frames cover, row by row; parameters as for `count_cover`.

    The pictures are convex, and so is what they have in common: each row has one run of pixels.

    Returns
    -------
    first, stop : (ny,) int ndarray
        First column of each row, and the column after its last; the same where there is none.
    """
    first = np.zeros(shape[0], dtype=np.intp)
    stop = np.full(shape[0], shape[1], dtype=np.intp)
    for rows, begin, last in _frame_spans(transforms, sizes, shape, edges):
        here = np.zeros(shape[0], dtype=np.intp)
        here[rows] = last + 1
        stop = np.minimum(stop, here)
        first[rows] = np.maximum(first[rows], begin)
    stop = np.maximum(stop, first)
    return first, stop


def _frame_spans(
    transforms: Sequence[Transform],
    sizes: Sequence[tuple[int, int]],
    shape: tuple[int, int],
    edges: Sequence[tuple[int, int, int, int]] | None,
) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]]:
    """Of each frame the rows of the grid that it covers, first and last column in each."""
    edges = [NO_EDGES] * len(sizes) if edges is None else edges
    for transform, (ny, nx), (left, right, below, above) in zip(
        transforms, sizes, edges, strict=True
    ):
        if not transform:
            continue
        x = np.array([left - HALF, nx - 1 - right + HALF, nx - 1 - right + HALF, left - HALF])
        y = np.array([below - HALF, below - HALF, ny - 1 - above + HALF, ny - 1 - above + HALF])
        yield _spans(*transform.map_points(x, y), shape)


def _spans(
    x: NDArray[np.float64], y: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Rows of the grid that a convex quadrilateral meets, first and last column in each."""
    tolerance = 1e-9
    rows = np.arange(
        max(int(np.ceil(y.min() - tolerance)), 0), min(y.max() + tolerance, shape[0] - 1) + 1
    )
    rows = rows[rows <= y.max() + tolerance].astype(np.intp)
    low, high = np.full(len(rows), np.inf), np.full(len(rows), -np.inf)
    for k in range(4):
        x0, x1, y0, y1 = x[k - 1], x[k], y[k - 1], y[k]
        meets = (rows >= min(y0, y1) - tolerance) & (rows <= max(y0, y1) + tolerance)
        if abs(y1 - y0) < tolerance:
            ends = (np.full(len(rows), x0), np.full(len(rows), x1))
        else:
            place = x0 + (x1 - x0) * np.clip((rows - y0) / (y1 - y0), 0, 1)
            ends = (place, place)
        for end in ends:
            low = np.where(meets, np.minimum(low, end), low)
            high = np.where(meets, np.maximum(high, end), high)
    known = np.isfinite(low) & np.isfinite(high)
    rows, low, high = rows[known], low[known], high[known]
    first = np.maximum(np.ceil(low - tolerance), 0).astype(np.intp)
    last = np.minimum(np.floor(high + tolerance), shape[1] - 1).astype(np.intp)
    good = last >= first
    return rows[good], first[good], last[good]


def largest_rectangle(inside: NDArray[np.bool_]) -> tuple[slice, slice] | None:
    """The rectangle of most pixels that lies inside wholly.

    Parameters
    ----------
    inside : (ny, nx) bool ndarray

    Returns
    -------
    (slice, slice) or None
        Rows and columns; the lowest, then the leftmost of several of one size. None where no
        pixel is inside.

    Notes
    -----
    Row by row the run of pixels inside that ends there is a bar of a histogram; the largest
    rectangle below a histogram is found with a stack in one pass, so that the time is that of
    looking at each pixel once.
    """
    area, bottom, top, left, right = _largest(np.ascontiguousarray(inside, dtype=np.bool_))
    if area == 0:
        return None
    return slice(int(bottom), int(top)), slice(int(left), int(right))


def largest_common_rectangle(
    first: NDArray[np.intp], stop: NDArray[np.intp]
) -> tuple[slice, slice] | None:
    """The rectangle of most pixels within what `common_cover` gave.

    Of a convex region a rectangle lies inside if its lowest and its highest row do.

    Returns
    -------
    (slice, slice) or None
        As `largest_rectangle` gives it for the same pixels.
    """
    best, where = 0, None
    rows = np.flatnonzero(stop > first)
    for top in rows.tolist():
        bottoms = rows[: np.searchsorted(rows, top, side="right")]
        left = np.maximum(first[bottoms], first[top])
        right = np.minimum(stop[bottoms], stop[top])
        area = (right - left) * (top + 1 - bottoms)
        k = int(np.argmax(area))
        if area[k] > best:
            best = int(area[k])
            where = slice(int(bottoms[k]), top + 1), slice(int(left[k]), int(right[k]))
    return where


@loop()
def _largest(inside: NDArray[np.bool_]) -> tuple[int, int, int, int, int]:  # pragma: no cover
    ny, nx = inside.shape
    height = np.zeros(nx + 1, dtype=np.int64)
    begin = np.zeros(nx + 1, dtype=np.int64)
    tall = np.zeros(nx + 1, dtype=np.int64)
    area, bottom, top, left, right = 0, 0, 0, 0, 0
    for y in range(ny):
        count = 0
        for x in range(nx + 1):
            height[x] = height[x] + 1 if x < nx and inside[y, x] else 0
            start = x
            while count > 0 and tall[count - 1] > height[x]:
                count -= 1
                start = begin[count]
                size = tall[count] * (x - start)
                if size > area:
                    area = size
                    bottom, top, left, right = y + 1 - tall[count], y + 1, start, x
            if height[x] > 0 and (count == 0 or tall[count - 1] < height[x]):
                tall[count] = height[x]
                begin[count] = start
                count += 1
    return area, bottom, top, left, right


def find_bad_edges(path: Any, *, read: Reader = read_image) -> tuple[int, int, int, int]:
    """Lines along a frame's sides that are no part of its picture, as stacking leaves them out.

    Parameters
    ----------
    path : path
        The frame.
    read : callable
        As for `stack_frames`.

    Returns
    -------
    (int, int, int, int)
        Columns left and right, rows below and above; zeros where the frame cannot be read.
    """
    return inspect_frame(
        ProbeTask(
            path=str(path),
            transform=Transform(matrix=np.eye(3)),
            grid=(1, 1),
            kernel="lanczos3",
            saturation=np.inf,
            read=read,
            stored=None,
        )
    ).edges
