"""A probe of each frame: its size, its noise and its background on a coarse mesh."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from numpy.lib.format import write_array_header_1_0
from numpy.typing import NDArray

from framesort.errors import OutputError
from framesort.files import PlainImage, find_plain_image, read_image, reads_by_rows
from framesort.records import Transform
from framesort.stacking._bands import resample_frame
from framesort.stacking._normalise import (
    EDGE_LINES,
    Mesh,
    bad_lines,
    measure_mesh,
    row_step,
)
from framesort.stacking._options import Reader
from framesort.stacking._pixels import read_pixels
from framesort.stacking._plan import FramePlan
from framesort.stacking._reproject import reproject_stripes
from framesort.stacking._resample import area_factor, inverse_matrix
from framesort.stacking._weights import kernel_polynomials

__all__ = ["FrameProbe", "ProbeTask", "inspect_frame"]

STORE_ROWS = 256  # rows of the grid resampled at a time when a frame is stored
STEEP = 0.15  # rows that a frame's row climbs per column, from which a band needs too many


@dataclass(frozen=True, kw_only=True)
class ProbeTask:
    """What is needed to probe a frame."""

    path: str
    transform: Transform
    grid: tuple[int, int]
    kernel: str
    saturation: float
    read: Reader
    stored: str | None


@dataclass(frozen=True, kw_only=True)
class FrameProbe:
    """Results; `error` is "" or why the frame cannot be used."""

    mesh: Mesh | None = None
    header: Header | None = None
    shape: tuple[int, int] = (0, 0)
    area: float = 1.0
    edges: tuple[int, int, int, int] = (0, 0, 0, 0)
    plain: PlainImage | None = None
    stored: str | None = None
    error: str = ""


def inspect_frame(task: ProbeTask) -> FrameProbe:
    """Measure the mesh; store the frame on the grid if its rows cannot be read one by one."""
    try:
        store = task.stored if _wants_store(task) else None
        plain, header = None, None
        if store is None and task.read is read_image:
            plain, header = find_plain_image(task.path)
        if plain is not None:
            rows = plain.shape[0]
            sample = head = read_pixels(plain, slice(0, None, row_step(rows)))
        elif store is None:
            head, header = task.read(task.path, rows=slice(0, 1))
            rows = int(header["NAXIS2"])
            sample = task.read(task.path, rows=slice(0, None, row_step(rows)))[0]
        else:
            sample, header = task.read(task.path, rows=slice(0, None))
            head, rows = sample, len(sample)
        if head.ndim != 2:
            return FrameProbe(error=f"has {head.ndim} axes, a picture of one plane is needed")
        pixels = np.asarray(sample, dtype=np.float32)
        shape = (rows, pixels.shape[1])
        area = area_factor(task.transform, shape)
        sample = pixels if store is None else pixels[:: row_step(rows)]
        mesh = measure_mesh(sample, rows)
        whole = pixels if store is not None else None
        edges = _edges(task, plain, sample, rows, mesh.noise, whole)
        if store is not None:
            try:
                _store(task, pixels, shape, edges, Path(store))
            except OSError as error:
                raise OutputError(
                    f"{Path(store).parent}: no space to store {task.path} on the grid "
                    f"({error.strerror}); name a scratch folder with more"
                ) from error
        return FrameProbe(
            mesh=mesh, header=header, shape=shape, area=area, edges=edges, plain=plain, stored=store
        )
    except OutputError:
        raise
    except Exception as error:  # any reader may be handed in; the frame is named and left out
        text = str(error).removeprefix(f"{task.path}: ")
        return FrameProbe(error=text or type(error).__name__)


def _edges(
    task: ProbeTask,
    plain: PlainImage | None,
    sample: NDArray[np.float32],
    rows: int,
    noise: float,
    whole: NDArray[np.float32] | None,
) -> tuple[int, int, int, int]:
    """Lines along the sides that are no part of the picture."""
    lines = min(EDGE_LINES, rows // 8, sample.shape[1] // 8)
    if lines < 12:
        return (0, 0, 0, 0)
    columns = sample.T
    ends = []
    for cut in (slice(0, lines), slice(rows - lines, rows)):
        if whole is not None:
            ends.append(whole[cut])
        elif plain is not None:
            ends.append(read_pixels(plain, cut))
        else:
            ends.append(np.asarray(task.read(task.path, rows=cut)[0], dtype=np.float32))
    return (
        bad_lines(columns[:lines], noise),
        bad_lines(columns[: -lines - 1 : -1], noise),
        bad_lines(ends[0], noise),
        bad_lines(ends[1][::-1], noise),
    )


def _wants_store(task: ProbeTask) -> bool:
    if task.stored is None:
        return False
    if task.transform.pixel_map is not None:
        return True
    m = task.transform.matrix
    steep = abs(m[1, 0]) > STEEP * abs(m[1, 1])
    return steep or not reads_by_rows(task.path)


def _store(
    task: ProbeTask,
    pixels: NDArray[np.float32],
    shape: tuple[int, int],
    edges: tuple[int, int, int, int],
    path: Path,
) -> None:
    """The frame on the grid, unscaled, as two files that are read row by row later."""
    pixel_map = task.transform.pixel_map
    if pixel_map is None:
        stripes = _resampled(task, pixels, shape, edges)
    else:
        left, right, below, above = edges
        inside = np.full_like(pixels, np.nan)
        part = slice(below, shape[0] - above), slice(left, shape[1] - right)
        inside[part] = pixels[part]
        stripes = reproject_stripes(
            inside, pixel_map, task.grid, kernel=task.kernel, saturation=task.saturation
        )
    # Written, not mapped: on a full disk a map ends the process.
    with open(path, "wb") as out, open(path.with_suffix(".saturated.npy"), "wb") as marks:
        for stream, kind in ((out, np.float32), (marks, np.uint8)):
            form = {"descr": np.dtype(kind).str, "fortran_order": False, "shape": task.grid}
            write_array_header_1_0(stream, form)
        for plane, flags in stripes:
            out.write(plane.data)
            marks.write(flags.data)


def _resampled(
    task: ProbeTask,
    pixels: NDArray[np.float32],
    shape: tuple[int, int],
    edges: tuple[int, int, int, int],
) -> Iterator[tuple[NDArray[np.float32], NDArray[np.uint8]]]:
    """Stripes of the grid from a frame whose transform is projective."""
    frame = FramePlan(
        path=task.path,
        shape=shape,
        inverse=inverse_matrix(task.transform),
        factor=1.0,
        surface=np.zeros(6),
        saturation=task.saturation,
        edges=edges,
    )

    def read(_: str, *, rows: slice) -> tuple[NDArray[np.float32], Header]:
        return pixels[rows], Header()

    polynomials = kernel_polynomials(task.kernel)
    for start in range(0, task.grid[0], STORE_ROWS):
        rows = slice(start, min(start + STORE_ROWS, task.grid[0]))
        plane = np.empty((rows.stop - rows.start, task.grid[1]), dtype=np.float32)
        flags = np.empty(plane.shape, dtype=np.uint8)
        resample_frame(read, frame, rows, task.grid, polynomials, plane, flags, 0)
        yield plane, flags
