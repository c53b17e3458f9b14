"""Replays a night: its frames appear and its logs grow as they did, at a chosen speed."""

import math
import os
import re
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from astropy.io import fits

from framesort.errors import InputError, OutputError
from framesort.files import StrPath, find_zone, image_hdu, open_fits
from framesort.simulation._replay_plan import (
    FrameFile,
    LogFile,
    ReplayAction,
    log_lines,
    plan_replay,
)
from framesort.workers import Progress

__all__ = ["Replay", "ReplayOptions", "replay_night"]

_FRAME = re.compile(r"\.(fits|fit|fts)(\.(gz|fz))?$", re.IGNORECASE)
_LOG = re.compile(r"\.(csv|txt|log|tsv)$", re.IGNORECASE)
_DATED_LINES = 0.5
"""A text is a log if at least this share of its lines holds a time."""


@dataclass(frozen=True, kw_only=True)
class ReplayOptions:
    """How the files of a replayed night are written.

    Attributes
    ----------
    parts : int
        In how many pieces a frame is written.
    writing : float
        Seconds from the first piece of a frame to the last; at most half the time that its
        exposure takes in the replay.
    rename : bool
        Write a frame under its name with ".part" at its end, and rename it when complete.
    torn : int
        Every so many lines of a log, one is written in two halves; 0 for never.
    zone : str
        Zone of the logs' times that name none: IANA name or offset such as "+02:00".
    clock_offset : float
        Seconds by which the logger's clock is ahead.
    """

    parts: int = 4
    writing: float = 0.5
    rename: bool = False
    torn: int = 10
    zone: str = "UTC"
    clock_offset: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What was replayed.

    Attributes
    ----------
    frames : tuple of str
        The written frames in the order in which they were complete.
    logs : tuple of str
        The written logs.
    undated : tuple of str
        Frames without a time in their header: they were there from the beginning.
    seconds : float
        How long it took, or without waiting, by the plan.
    """

    frames: tuple[str, ...]
    logs: tuple[str, ...]
    undated: tuple[str, ...]
    seconds: float


def replay_night(
    night: StrPath,
    out: StrPath,
    *,
    speed: float = 60.0,
    options: ReplayOptions | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
    clock: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> Replay:
    """Copy a night into another folder as it happened: frame after frame, line after line.

    Parameters
    ----------
    night : path
        A folder that `simulate_night` wrote, or any other with frames (in its subfolder
        ``frames`` if it has one, else in it and below it) in FITS format with DATE-OBS and
        EXPTIME, and logs beside them (.csv, .txt, .log, .tsv). It is only read.
    out : path
        Gets ``frames/`` and the logs under their names.
    speed : float
        Seconds of the night in a second; ``math.inf``: everything at once, in the same order.
    options : ReplayOptions or None
        How files are written; None for the defaults.
    overwrite : bool
        Replace files that an earlier replay of this night left in `out`.
    progress : callable or None
        Wraps the iteration over the steps, as `tqdm.tqdm` does.
    clock, sleep : callable
        Seconds of a clock that never goes back, and waiting so many seconds.

    Returns
    -------
    Replay
        When the last file is complete.

    Raises
    ------
    InputError
        `night` holds no frame, `out` lies among its frames, or `speed` is not above 0.
    OutputError
        `out` holds frames or logs already, or cannot be written.
    KeyboardInterrupt
        Passed on; a half-written frame is removed and a half-written line completed before.
    """
    options = ReplayOptions() if options is None else options
    frames, logs = _list_files(Path(night), Path(out), options)
    actions = plan_replay(
        frames,
        logs,
        speed=speed,
        parts=options.parts,
        writing=options.writing,
        rename=options.rename,
        torn=options.torn,
    )
    _prepare(Path(out), frames, logs, overwrite=overwrite)
    finished: list[str] = []
    begin = clock()
    unfinished: dict[str, ReplayAction] = {}
    try:
        for action in actions if progress is None else progress(actions):
            wait = begin + action.at - clock()
            if wait > 0:
                sleep(wait)
            unfinished[action.target] = action
            _perform(action)
            if action.whole:
                del unfinished[action.target]
            if action.frame and action.whole:
                finished.append(action.name or action.target)
    except KeyboardInterrupt:
        _tidy(actions, unfinished)
        raise
    return Replay(
        frames=tuple(finished),
        logs=tuple(log.target for log in logs),
        undated=tuple(one.target for one in frames if math.isnan(one.start)),
        seconds=clock() - begin,
    )


def _list_files(
    night: Path, out: Path, options: ReplayOptions
) -> tuple[list[FrameFile], list[LogFile]]:
    """Frames and logs of the night with the files they are copied to."""
    home = night / "frames" if (night / "frames").is_dir() else night
    if out.resolve().is_relative_to(home.resolve()) or out.resolve() == night.resolve():
        raise InputError(f"{out}: the night lies in this folder; replay it into another one")
    paths = sorted(path for path in home.rglob("*") if _FRAME.search(path.name) and path.is_file())
    if not paths:
        raise InputError(f"{night}: no FITS file in this folder (.fits, .fit, .fts, also .fz, .gz)")
    target = out / "frames"
    frames = [_read_frame(path, target / path.relative_to(home)) for path in paths]
    zone = find_zone(options.zone)
    logs = []
    for path in sorted(path for path in night.iterdir() if _LOG.search(path.name)):
        content = path.read_bytes()
        if _is_log(content):
            lines = log_lines(content, zone, options.clock_offset)
            logs.append(LogFile(str(path), str(out / path.name), lines))
    return frames, logs


def _is_log(content: bytes) -> bool:
    """Whether so many lines of a text hold a time that it is a log."""
    lines = [line for line in content.splitlines() if line.strip()]
    dated = sum(math.isfinite(log_lines(line)[0].time) for line in lines)
    return bool(lines) and dated >= _DATED_LINES * len(lines)


def _read_frame(path: Path, target: Path) -> FrameFile:
    try:
        with open_fits(path) as hdus:
            header = image_hdu(hdus).header
            start, exposure = _start(header), _exposure(header)
    except Exception:  # whatever the damage: the frame is replayed as it is, undated
        start, exposure = math.nan, 0.0
    return FrameFile(str(path), str(target), path.stat().st_size, start, exposure)


def _start(header: fits.Header) -> float:
    text = str(header.get("DATE-OBS", "")).strip().replace(" ", "T", 1)
    try:
        moment = datetime.fromisoformat(text) if "T" in text else None
    except ValueError:
        return math.nan
    if moment is None:
        return math.nan
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _exposure(header: fits.Header) -> float:
    for keyword in ("EXPTIME", "EXPOSURE"):
        value = header.get(keyword)
        if isinstance(value, int | float) and math.isfinite(value) and value >= 0:
            return float(value)
    return 0.0


def _prepare(
    out: Path, frames: Sequence[FrameFile], logs: Sequence[LogFile], *, overwrite: bool
) -> None:
    """Make the folders, and make room where an earlier replay was."""
    targets = [one.target for one in frames] + [one.target for one in logs]
    wanted = {Path(target) for target in targets}
    wanted |= {path.with_name(f"{path.name}.part") for path in wanted}
    there = {path for path in (out / "frames").rglob("*") if not path.is_dir()}
    strange = there - wanted
    there |= {path for path in wanted if path.is_symlink() or path.exists()}
    if there and not overwrite:
        raise OutputError(f"{out} holds a replayed night already; give --overwrite to replace it")
    if strange:
        raise OutputError(
            f"{out / 'frames'} holds {len(strange)} files that are not of this night "
            f"(first: {min(strange).name}); remove them or choose another folder"
        )
    try:
        for path in there:
            path.unlink()
        for path in {path.parent for path in wanted}:
            path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: cannot be written ({error.strerror})") from error


def _perform(action: ReplayAction) -> None:
    """Append a part of a file, or give it its final name."""
    if action.name:
        os.replace(action.target, action.name)
        return
    with open(action.source, "rb") as source:
        source.seek(action.first)
        content = source.read(action.last - action.first)
    # The first part makes the file and never follows a link; what is there is not replaced.
    try:
        with open(action.target, "ab" if action.first else "xb") as stream:
            stream.write(content)
    except OSError as error:
        raise OutputError(f"{action.target}: cannot be written ({error.strerror})") from error


def _tidy(actions: Sequence[ReplayAction], unfinished: Mapping[str, ReplayAction]) -> None:
    """Leave nothing half-written: frames are removed, lines of logs completed."""
    for target, action in unfinished.items():
        if action.frame:
            Path(target).unlink(missing_ok=True)
            continue
        end = next(
            one.last
            for one in actions
            if one.target == target and one.whole and one.last >= action.last
        )
        there = Path(target).stat().st_size if Path(target).exists() else 0
        _perform(action._replace(first=there, last=end))
