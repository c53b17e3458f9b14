"""Mean stars of all frames of a comparison: read one by one, only star images are kept."""

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.comparison._added_blur import fit_added_blur
from framesort.comparison._mean_star import MOST_STARS, FrameStar, measure_mean_star
from framesort.comparison._profiles import StarProfiles, average_round, measure_halo
from framesort.errors import FrameError
from framesort.files import files_read, read_image, reader_of
from framesort.records import FrameQuality
from framesort.workers import Away, Progress, run_tasks

__all__ = ["StarOptions", "StarsOfFrames", "measure_stars_of_frames"]

_COLUMNS = ("x", "y", "flux", "fwhm", "saturated", "clean")


@dataclass(frozen=True, kw_only=True)
class StarOptions:
    """How stars of frames are averaged and compared.

    Attributes
    ----------
    spike_angle : float or (n,) array_like
        Of all frames or of each, degrees counter-clockwise from +x; NaN for none. These
        directions are left out where blur is measured.
    width : float or (n,) array_like or None
        See `fit_added_blur`, pixels; the same in arcsec for all that is compared. None for the
        largest median FWHM of heater-off or other frames of any group, for frames of one scale.
    most : int
        At most so many stars a frame.
    """

    spike_angle: Any = np.nan
    width: Any = None
    most: int = MOST_STARS


@dataclass(frozen=True, kw_only=True)
class StarsOfFrames:
    """Mean stars of frames, and what they show.

    Attributes
    ----------
    stars : tuple of FrameStar
        One for each frame; false, with a reason, where it could not be measured.
    halo, halo_err : (n,) float64 ndarray
        Share of a star's light between 2 and 6 heater-off FWHM of the group, and its
        uncertainty; NaN where unknown.
    kernel_blur_squared, kernel_blur_err : (n,) float64 ndarray
        Squared FWHM (pixels^2, may be negative) of the kernel against the mean of the group's
        (other) heater-off frames, and its uncertainty from this frame's stars.
    fwhm_off : mapping of str to float
        Of each group: median FWHM of its heater-off frames, pixels; of all its frames where it
        has none.
    width : (n,) float64 ndarray
        As used for each frame.
    """

    stars: tuple[FrameStar, ...]
    halo: NDArray[np.float64]
    halo_err: NDArray[np.float64]
    kernel_blur_squared: NDArray[np.float64]
    kernel_blur_err: NDArray[np.float64]
    fwhm_off: Mapping[str, float]
    width: NDArray[np.float64]


@dataclass(frozen=True)
class _StarTask:
    path: Any
    star_list: Table
    fwhm: float
    own_fwhm: float
    spike_angle: float
    most: int
    read: Callable[..., tuple[Any, Any]]
    reason: str


def _star_task(task: _StarTask) -> FrameStar:
    if task.reason:
        return FrameStar(reason=task.reason)
    try:
        image, _ = task.read(task.path)
    except (OSError, FrameError):
        gone = not os.path.exists(task.path)
        return FrameStar(reason="vanished" if gone else "unreadable")
    except MemoryError:
        return FrameStar(reason="not measured")
    if np.ndim(image) != 2:
        return FrameStar(reason="colour frame")
    try:
        return measure_mean_star(
            image,
            task.star_list,
            fwhm=task.fwhm,
            own_fwhm=task.own_fwhm,
            spike_angle=task.spike_angle,
            most=task.most,
        )
    except MemoryError:
        return FrameStar(reason="not measured")


def _files_of(task: _StarTask) -> list[str]:
    return [] if task.reason else files_read(task.read, task.path)


def _worker_died(task: _StarTask) -> FrameStar:
    return FrameStar(reason="not measured")


def _reason(quality: FrameQuality, fwhm: float) -> str:
    """Why a frame's stars are not averaged; "" where they are."""
    if quality.reason not in ("", "wrong checksum"):
        return quality.reason
    return "" if np.isfinite(fwhm) and np.isfinite(quality.fwhm) else "few stars"


def _median_widths(
    fwhm: NDArray[np.float64], group: NDArray[np.str_], off: NDArray[np.bool_]
) -> tuple[dict[str, float], float]:
    """Heater-off FWHM of each group, and the largest median of any group and state."""
    known = np.isfinite(fwhm)
    widths, largest = {}, np.nan
    for name in dict.fromkeys(group.tolist()):
        mine = known & (group == name)
        states = [fwhm[mine & off], fwhm[mine & ~off]]
        medians = [float(np.median(some)) if some.size else np.nan for some in states]
        widths[name] = medians[0] if np.isfinite(medians[0]) else medians[1]
        largest = float(np.fmax(largest, np.fmax(medians[0], medians[1])))
    return widths, largest


def measure_stars_of_frames(
    paths: Sequence[Any],
    qualities: Sequence[FrameQuality],
    *,
    group: Sequence[str],
    off: Sequence[bool],
    options: StarOptions | None = None,
    read: Callable[..., tuple[Any, Any]] = read_image,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> StarsOfFrames:
    """Average the stars of every frame and measure halo and added blur.

    Frames are read one at a time (one a worker); of each only its mean star is kept.

    Parameters
    ----------
    paths : sequence of path
        Whatever `read` takes.
    qualities : sequence of FrameQuality
        One for each, with its star list.
    group : sequence of str
        A label for each frame: configuration, filter and exposure.
    off : sequence of bool
        Whether the frame is a heater-off frame to be compared with.
    options : StarOptions or None
    read : callable
        Takes a path, gives pixels [y, x] and header. With a process pool it must be picklable.
    executor : `~concurrent.futures.Executor` or None
        Where to run; None for this process.
    progress : callable or None
        Wraps the iteration, as `tqdm.tqdm` does.

    Returns
    -------
    StarsOfFrames
        The same whatever the executor. A frame that cannot be read or has too few stars is
        false, with a reason of `framesort.records.REASONS`.

    Raises
    ------
    ValueError
        `qualities`, `group` or `off` has not one entry a frame.
    """
    n = len(paths)
    for name, values in (("qualities", qualities), ("group", group), ("off", off)):
        if len(values) != n:
            raise ValueError(f"{name} must hold one entry a frame, got {len(values)} for {n}")
    options = StarOptions() if options is None else options
    labels, cold = np.asarray(group, dtype=str), np.asarray(off, dtype=bool)
    fwhm = np.array([quality.fwhm for quality in qualities], dtype=float)
    widths, largest = _median_widths(fwhm, labels, cold)
    width = np.broadcast_to(
        np.asarray(largest if options.width is None else options.width, dtype=float), (n,)
    )
    angle = np.broadcast_to(np.asarray(options.spike_angle, dtype=float), (n,))
    tasks = [
        _StarTask(
            path,
            quality.star_list[list(_COLUMNS)],
            widths[label],
            quality.fwhm,
            float(turn),
            options.most,
            reader_of(read, path),
            _reason(quality, widths[label]),
        )
        for path, quality, label, turn in zip(paths, qualities, labels.tolist(), angle, strict=True)
    ]
    stars = tuple(
        run_tasks(
            _star_task,
            tasks,
            executor=executor,
            progress=progress,
            instead=_worker_died,
            away=Away(function=_star_task, files=_files_of),
        )
    )
    profiles = [star.profiles for star in stars]
    halo = np.array(
        [
            measure_halo(one, fwhm=widths[label])
            for one, label in zip(profiles, labels.tolist(), strict=True)
        ]
    ).reshape(n, 2)
    good = np.array([bool(star) for star in stars], dtype=bool)
    blur = _measure_blur(profiles, good, labels, cold, width)
    return StarsOfFrames(
        stars=stars,
        halo=halo[:, 0],
        halo_err=halo[:, 1],
        kernel_blur_squared=blur[:, 0],
        kernel_blur_err=blur[:, 1],
        fwhm_off=widths,
        width=width,
    )


def _measure_blur(
    profiles: Sequence[StarProfiles],
    good: NDArray[np.bool_],
    labels: NDArray[np.str_],
    cold: NDArray[np.bool_],
    width: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Squared width of each frame's kernel and its error, (n, 2), NaN where unknown."""
    result = np.full((len(profiles), 2), np.nan)
    for label in dict.fromkeys(labels.tolist()):
        mine = np.flatnonzero(good & (labels == label)).tolist()
        reference = [k for k in mine if cold[k]]
        if not reference:
            continue
        whole = average_round([profiles[k] for k in reference])
        for k in mine:
            others = [j for j in reference if j != k]
            if cold[k] and not others:
                continue
            star = average_round([profiles[j] for j in others]) if cold[k] else whole
            fit = fit_added_blur(star, profiles[k], width=float(width[k]))
            result[k] = fit.fwhm_squared, fit.error
    return result
