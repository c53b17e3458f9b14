"""Measure many frames: in parallel, resumable, a damaged frame is a value with a reason."""

import os
import warnings
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from astropy.nddata import CCDData, NDData

import framesort
from framesort.errors import FrameError, FramesortError, InputError, QualityWarning
from framesort.files import files_read, hold_content, read_image, reader_of, verify_sums
from framesort.images import as_picture
from framesort.quality._cache import cache_key, load_quality, save_quality
from framesort.records import FrameQuality, Note
from framesort.stars import measure_image
from framesort.workers import Away, Progress, name_task, run_tasks

__all__ = ["measure_frames"]


LOWEST, HIGHEST = 1e-9, 1e15
"""Values of pixels, ADU, that any calibration or normalisation may give."""


@dataclass(frozen=True)
class _MeasureTask:
    path: Any
    saturation: float | None
    cache: Path | None
    measurer: Callable[..., FrameQuality]
    read: Callable[..., tuple[Any, Any]]
    away: bool = False  # on a machine that has no cache


def _settings(task: _MeasureTask) -> dict[str, Any]:
    digest = getattr(task.read, "digest", None)
    return {
        "version": framesort.__version__,
        "measurer": name_task(task.measurer),
        "saturation": None if task.saturation is None else float(task.saturation),
        "read": "" if digest is None else digest(task.path),
    }


class _Done(NamedTuple):
    """Quality of one frame, what failed in measuring it, and why it could not be kept.

    `key`: under which it is still to be kept.
    """

    quality: FrameQuality
    trouble: str = ""
    unkept: str = ""
    key: str = ""


def _measure_task(task: _MeasureTask) -> _Done:
    """Measure one frame, or take what was kept of it."""
    if isinstance(task.path, NDData):
        picture = as_picture(task.path, name="frame")
        level = picture.saturation if task.saturation is None else task.saturation
        known = replace(task, saturation=level if np.isfinite(level) else None)
        return _Done(*_measure_pixels(known, picture.data))
    try:
        before = os.stat(task.path)
    except OSError:
        return _Done(FrameQuality(reason="vanished"))
    quality, trouble, key = _measure_file(task)
    try:
        after = os.stat(task.path)
    except OSError:
        return _Done(FrameQuality(reason="vanished"))
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        return _Done(FrameQuality(reason="changed"))  # what was measured belongs to no file
    done = _Done(quality, trouble.removeprefix(f"{task.path}: "), key=key)
    return done if task.away else _keep(task, done)


def _keep(task: _MeasureTask, done: _Done) -> _Done:
    """Write what was measured into the cache."""
    if not done.key or task.cache is None:
        return done
    return done._replace(unkept=save_quality(task.cache, done.key, done.quality), key="")


def _measure_away(task: _MeasureTask) -> _Done:
    return _measure_task(replace(task, away=True))


def _find_kept(task: _MeasureTask) -> _Done | None:
    """What the cache holds of a frame; None where that must be measured."""
    if task.cache is None or isinstance(task.path, NDData) or not any(task.cache.glob("*.npz")):
        return None
    try:
        with hold_content(task.path) as content:
            kept = load_quality(task.cache, cache_key(content, _settings(task)))
    except OSError:
        return None
    return None if kept is None else _Done(kept)


def _files_of(task: _MeasureTask) -> list[str]:
    return files_read(task.read, task.path)


def _measure_file(task: _MeasureTask) -> tuple[FrameQuality, str, str]:
    """Quality, trouble, and under which name the cache is to keep it ("" for not at all)."""
    key = ""
    if not os.path.isfile(task.path):  # a pipe would never end
        return FrameQuality(reason="unreadable"), "is no regular file", ""
    try:
        with hold_content(task.path) as content:  # digest, pixels and checksum of one reading
            if task.cache is not None:
                key = cache_key(content, _settings(task))
                kept = None if task.away else load_quality(task.cache, key)
                if kept is not None:
                    return kept, "", ""
            image, _ = task.read(task.path)
            sound = _has_right_sums(task.path)
        del content  # as large as half the pixels
    except OSError as error:
        return FrameQuality(reason="unreadable"), f"cannot be read ({error.strerror})", ""
    except MemoryError:
        return FrameQuality(reason="not measured"), "not enough memory", ""
    except FrameError as error:
        gone = not os.path.exists(task.path)
        return FrameQuality(reason="vanished" if gone else "unreadable"), str(error), ""
    quality, trouble = _measure_pixels(task, image)
    if trouble or quality.reason in ("colour frame", "odd pixel values"):
        return quality, trouble, ""
    if not quality.reason and not sound:
        quality = replace(quality, reason="wrong checksum")
    return quality, "", key


def _has_right_sums(path: str) -> bool:
    """Whether the checksums agree; true where the file is no FITS file, as of a user's reader."""
    try:
        return verify_sums(path)
    except FrameError:
        return True


def _beyond_cameras(image: Any) -> bool:
    """Whether most pixels have values that no camera gives, and whose squares float32 cannot hold.

    A few damaged pixels may have any value.
    """
    some = np.abs(image[:: 1 + image.shape[0] // 512, :: 1 + image.shape[1] // 512])
    some = some[np.isfinite(some)]
    usual = float(np.percentile(some, 90)) if some.size else 0.0
    return usual > HIGHEST or 0 < usual < LOWEST


def _measure_pixels(task: _MeasureTask, image: Any) -> tuple[FrameQuality, str]:
    """The quality of pixels, and a message on what failed."""
    if image.ndim != 2:
        return FrameQuality(reason="colour frame"), ""
    if not any(np.isfinite(row).any() for row in image):
        return FrameQuality(reason="unreadable"), "no pixel holds a number"
    if _beyond_cameras(image):
        return FrameQuality(reason="odd pixel values"), ""
    try:
        return task.measurer(image, saturation=task.saturation), ""
    except MemoryError:
        return FrameQuality(reason="not measured"), "not enough memory"
    except Exception as error:  # a measurer may be a user's own: one frame must not end the night
        kind = "" if isinstance(error, FramesortError) else f"{type(error).__name__}: "
        return FrameQuality(reason="measurer failed"), f"{kind}{error}"


def _source(path: Any, number: int) -> Any:
    """A path as text, or the CCDData as it is."""
    if isinstance(path, str | os.PathLike):
        return os.fspath(path)
    if isinstance(path, NDData):
        return path
    raise InputError(
        f"frames: entry {number} is {type(path).__name__}; a path or a CCDData is needed"
    )


def _worker_died(task: _MeasureTask) -> _Done:
    return _Done(
        FrameQuality(reason="not measured"),
        "the process died at every try, killed or out of memory",
    )


def measure_frames(
    paths: Sequence[str | os.PathLike[str] | CCDData],
    *,
    saturation: float | Sequence[float | None] | None = None,
    cache: str | os.PathLike[str] | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
    measurer: Callable[..., FrameQuality] = measure_image,
    read: Callable[..., tuple[Any, Any]] = read_image,
) -> list[FrameQuality]:
    """Measure the star quality of frames.

    Parameters
    ----------
    paths : sequence of path or CCDData
        FITS files of one plane, or `~astropy.nddata.CCDData`, whose masked pixels do not count;
        of these nothing is kept in the cache.
    saturation : float, sequence of float or None
        Level at which pixels are saturated, ADU: one for all, or one a frame; None or NaN where
        it is not known and is to be guessed from the pixels.
    cache : path or None
        Folder in which each measurement is kept. It is found again by the file's content,
        the settings and this library's version, not by its name or date.
    executor : `~concurrent.futures.Executor` or None
        Where to run; None for this process.
    progress : callable or None
        Wraps the iteration, as `tqdm.tqdm` does.
    measurer : callable
        Takes an image and `saturation`, gives a FrameQuality. With a process pool it must be
        importable by name.
    read : callable
        Takes a path, gives pixels [y, x] and header: where frames are calibrated, or where
        one plane is taken of several. A method ``digest(path)`` must give a text for
        whatever it does besides reading the file, so that kept measurements are used only for
        the same.

    Returns
    -------
    list of FrameQuality
        In the order of `paths`, the same whatever the executor. A frame that cannot be
        measured has a `reason`: "unreadable", "vanished", "changed" (while it was read), "colour
        frame", "not measured", "measurer failed", "odd pixel values" or "few stars". One with
        "wrong checksum" was measured all the same.

    Raises
    ------
    InputError
        An entry is neither a path nor a CCDData.
    ValueError
        `saturation` holds not one value a frame.

    Warns
    -----
    QualityWarning
        A frame could not be read or the measurer failed on it; names the frame and why.
        Frames do not agree with the CHECKSUM or DATASUM in their headers. Measurements could
        not be written to `cache`.
    """
    levels: list[Any]
    if saturation is None or np.isscalar(saturation):
        levels = [saturation] * len(paths)
    else:
        levels = list(np.ma.filled(np.ma.asarray(saturation, dtype=float), np.nan))
    if len(levels) != len(paths):
        raise ValueError(
            f"saturation must hold one value a frame, got {len(levels)} for {len(paths)} frames"
        )
    levels = [None if level is None or np.isnan(level) else float(level) for level in levels]
    folder = None if cache is None else Path(cache)
    tasks = [
        _MeasureTask(_source(path, number), level, folder, measurer, reader_of(read, path))
        for number, (path, level) in enumerate(zip(paths, levels, strict=True), 1)
    ]
    names = [
        f"frame {k}" if isinstance(task.path, NDData) else str(task.path)
        for k, task in enumerate(tasks, 1)
    ]
    results, unkept = [], {}
    for name, done in zip(
        names,
        run_tasks(
            _measure_task,
            tasks,
            executor=executor,
            progress=progress,
            instead=_worker_died,
            away=Away(function=_measure_away, files=_files_of, before=_find_kept, after=_keep),
        ),
        strict=True,
    ):
        if done.trouble:
            note = Note("not measured", f"{name}: not measured: {done.trouble}", [name])
            warnings.warn(note, QualityWarning, stacklevel=2)
        if done.unkept:
            unkept[name] = done.unkept
        results.append(done.quality)
    if unkept:
        first, why = next(iter(unkept.items()))
        note = Note(
            "not kept",
            f"{why}; {len(unkept)} of {len(tasks)} measurements are used but not kept "
            f"(first: {os.path.basename(first)})",
            unkept,
        )
        warnings.warn(note, QualityWarning, stacklevel=2)
    wrong = [n for n, q in zip(names, results, strict=True) if q.reason == "wrong checksum"]
    if wrong:
        note = Note(
            "wrong checksum",
            f"{len(wrong)} of {len(tasks)} frames do not agree with the checksum in their header, "
            f"but are used (first: {os.path.basename(wrong[0])})",
            wrong,
        )
        warnings.warn(note, QualityWarning, stacklevel=2)
    return results
