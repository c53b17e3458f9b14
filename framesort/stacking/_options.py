"""Options of a stack, grouped: what is known of the frames, the method, the execution."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

from astropy.io.fits import Header
from numpy.typing import ArrayLike

from framesort.errors import InputError
from framesort.files import read_image
from framesort.stacking._weights import kernel_polynomials
from framesort.workers import Progress

__all__ = ["Execution", "FrameValues", "Reader", "StackMethod"]

Reader = Callable[..., tuple[Any, Header]]

LEAST_MEMORY = 2**20  # bytes


@dataclass(frozen=True, kw_only=True)
class FrameValues:
    """What is known of the frames of a stack, a value each; None or NaN: not known.

    Attributes
    ----------
    reference : int or None
        Frame whose background and noise scale are those of the stacks; None takes the one
        whose transform is nearest to the identity.
    scales : (n,) array_like or None
        Factors that bring the frames' fluxes to the reference's, see `measure_flux_scales`;
        None for 1. A frame with NaN takes 1, with a note.
    noise : (n,) array_like or None
        Standard deviation of a background pixel, ADU of the frame; not known: measured.
    gain : float, (n,) array_like or None
        Electrons per ADU, for the photon noise of stars; not known: not counted.
    saturation : float, (n,) array_like or None
        Level from which pixels are saturated, ADU of the frame.
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
    """

    reference: int | None = None
    scales: ArrayLike | None = None
    noise: ArrayLike | None = None
    gain: ArrayLike | None = None
    saturation: ArrayLike | None = None
    fwhm: ArrayLike | None = None
    similarity: ArrayLike | None = None
    groups: Sequence[Any] | None = None


@dataclass(frozen=True, kw_only=True)
class StackMethod:
    """How frames are brought onto the grid, to one background, and combined.

    Attributes
    ----------
    clip : float
        Outliers are further than this many standard deviations from the median, plus a
        share of the local contrast of the median image; `inf` keeps all.
    kernel : {"linear", "cubic", "lanczos3"}
        Interpolation, see `resample_image`.
    background_order : int
        Order of the surface (0 to 2) that brings a frame's background to the reference's;
        -1 leaves backgrounds as they are.

    Raises
    ------
    InputError
        A value is out of range.
    """

    clip: float = 3.0
    kernel: str = "lanczos3"
    background_order: int = 1

    def __post_init__(self) -> None:
        if not self.clip > 0:
            raise InputError(f"clip must be above 0, got {self.clip}")
        if self.background_order not in (-1, 0, 1, 2):
            raise InputError(f"background_order must be -1, 0, 1 or 2, got {self.background_order}")
        kernel_polynomials(self.kernel)


@dataclass(frozen=True, kw_only=True)
class Execution:
    """How pixels are read, how much memory they may take, and where the work is done.

    Attributes
    ----------
    read : callable
        ``read(path, rows=slice)`` gives the rows of a frame as (rows, columns) and its
        header (with NAXIS2, the rows of the whole frame). Here a caller calibrates.
    memory : int
        Bytes that each worker may use for the rows at hand of all frames; 28 rows are held in
        any case.
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

    Raises
    ------
    InputError
        Too little memory.
    """

    read: Reader = read_image
    memory: int = 64 * 2**20
    scratch: Any = None
    executor: Executor | None = None
    progress: Progress | None = None

    def __post_init__(self) -> None:
        if self.memory < LEAST_MEMORY:
            raise InputError(f"memory must be at least 1 MiB, got {self.memory} bytes")
