"""When each part of a replayed night is written: pure functions of times and sizes."""

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo
from itertools import pairwise
from typing import NamedTuple

from framesort.errors import check_positive

__all__ = ["FrameFile", "LogFile", "LogLine", "ReplayAction", "log_lines", "plan_replay"]

AFTER_END = 600.0
"""Seconds of the night after the last exposure at which the replay ends."""

_STAMP = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d(?:\.\d+)?)(Z|[+-]\d\d:?\d\d)?", re.ASCII)
_EPOCH = re.compile(r"\s*(\d{9,10}(?:\.\d*)?)(?![\d:-])", re.ASCII)


class FrameFile(NamedTuple):
    """A frame to be replayed.

    Attributes
    ----------
    source, target : str
        File that is read, file that is written.
    size : int
        Bytes.
    start : float
        Start of the exposure, seconds since 1970 UTC; NaN where it is not known.
    exposure : float
        Seconds.
    """

    source: str
    target: str
    size: int
    start: float
    exposure: float


class LogLine(NamedTuple):
    """A line of a log.

    Attributes
    ----------
    time : float
        When it was written, seconds since 1970 UTC; -inf: from the beginning.
    first, last : int
        Bytes of the file, `last` exclusive, line break included.
    """

    time: float
    first: int
    last: int


class LogFile(NamedTuple):
    """A log to be replayed: file that is read, file that is written, lines in order."""

    source: str
    target: str
    lines: tuple[LogLine, ...]


class ReplayAction(NamedTuple):
    """One step of the replay: a part of a file is appended, or a file gets its final name.

    Attributes
    ----------
    at : float
        Seconds after the beginning of the replay.
    night : float
        Time of the night that it stands for, seconds since 1970 UTC.
    source, target : str
        File that is read; file that is appended to, or renamed.
    first, last : int
        Bytes of `source` to be appended to `target`; none for renaming.
    name : str
        New name of `target`; "" for appending.
    whole : bool
        Whether afterwards the frame is complete, or the log ends with a complete line.
    frame : bool
        Whether the file is a frame.
    """

    at: float
    night: float
    source: str
    target: str
    first: int
    last: int
    name: str
    whole: bool
    frame: bool


def log_lines(content: bytes, zone: tzinfo = UTC, clock_offset: float = 0.0) -> tuple[LogLine, ...]:
    """The lines of a log with the time of each.

    Parameters
    ----------
    content : bytes
        What the log holds.
    zone : `~datetime.tzinfo`
        Zone of times that name none.
    clock_offset : float
        Seconds by which the logger's clock is ahead.

    Returns
    -------
    tuple of LogLine
        The time is the first one in the line in the form 2026-11-02 20:15:00, or a number of
        seconds since 1970 at its beginning. Lines without a time, and those whose clock went
        back, have the time of the line before them; leading ones are there from the beginning.
    """
    lines: list[LogLine] = []
    latest, first = -math.inf, 0
    for line in content.splitlines(keepends=True):
        time = _line_time(line.decode("utf-8", "replace"), zone) - clock_offset
        if time > latest:
            latest = time
        lines.append(LogLine(latest, first, first + len(line)))
        first += len(line)
    return tuple(lines)


def _line_time(text: str, zone: tzinfo) -> float:
    """Seconds since 1970 UTC; NaN for a line without a time."""
    stamp = _STAMP.search(text)
    try:
        if stamp is not None:
            moment = datetime.fromisoformat(f"{stamp[1]}T{stamp[2]}{stamp[3] or ''}")
            return (moment if stamp[3] else moment.replace(tzinfo=zone)).timestamp()
    except (ValueError, OverflowError):
        return math.nan
    epoch = _EPOCH.match(text)
    return math.nan if epoch is None else float(epoch[1])


def plan_replay(
    frames: Sequence[FrameFile],
    logs: Sequence[LogFile],
    *,
    speed: float,
    parts: int = 4,
    writing: float = 0.5,
    rename: bool = False,
    torn: int = 10,
) -> list[ReplayAction]:
    """The steps of a replay in order.

    The replay begins with the start of the first exposure. What happened `s` seconds later
    is done ``s / speed`` seconds after the beginning. A frame appears at the end of its exposure;
    frames without a time, and lines of a log from before the first exposure, are there from the
    beginning. Lines from more than ten minutes after the last exposure follow at that time.

    Parameters
    ----------
    frames : sequence of FrameFile
        In any order.
    logs : sequence of LogFile
        Their lines in order of time.
    speed : float
        Seconds of the night in a second; infinite: everything at once, in the same order.
    parts : int
        In how many pieces a frame is written.
    writing : float
        Seconds (not of the night) from the first piece of a frame to the last, at most half
        the time that its exposure takes in the replay.
    rename : bool
        Write frames under their name with ".part" at its end, and rename them when complete.
    torn : int
        Every so many lines of a log, one is written in two halves, the second half-way to
        the next line; 0 for never.

    Returns
    -------
    list of ReplayAction
        In order of `at`, then of the time of the night.

    Raises
    ------
    InputError
        `speed` or `parts` is not above 0.
    """
    check_positive(speed=speed, parts=parts)
    dated = [frame for frame in frames if math.isfinite(frame.start)]
    times = [line.time for log in logs for line in log.lines if math.isfinite(line.time)]
    begin = min((frame.start for frame in dated), default=min(times, default=0.0))
    end = max((frame.start + frame.exposure for frame in dated), default=max(times, default=0.0))
    actions: list[ReplayAction] = []
    for log in logs:
        actions += _log_actions(log, begin, end + AFTER_END, speed, torn)
    for frame in sorted(frames, key=lambda frame: frame.start + frame.exposure):
        actions += _frame_actions(frame, begin, speed, (parts, writing, rename))
    # The sort is stable: what one file gets at one time stays in order.
    return sorted(actions, key=lambda action: (action.at, action.night))


def _frame_actions(
    frame: FrameFile, begin: float, speed: float, how: tuple[int, float, bool]
) -> list[ReplayAction]:
    parts, writing, rename = how
    dated = math.isfinite(frame.start)
    exposure = frame.exposure if dated else 0.0
    night = frame.start + exposure if dated else begin
    at = (night - begin) / speed
    pause = min(writing, 0.5 * exposure / speed) / max(parts - 1, 1)
    target = f"{frame.target}.part" if rename else frame.target
    parts = max(min(parts, frame.size), 1)
    cuts = [frame.size * k // parts for k in range(parts + 1)]
    actions = [
        ReplayAction(
            at + k * pause, night, frame.source, target, first, last, "",
            last == frame.size and not rename, True,
        )
        for k, (first, last) in enumerate(pairwise(cuts))
    ]  # fmt: skip
    if rename:
        actions.append(
            actions[-1]._replace(first=frame.size, last=frame.size, name=frame.target, whole=True)
        )
    return actions


def _log_actions(
    log: LogFile, begin: float, end: float, speed: float, torn: int
) -> list[ReplayAction]:
    actions: list[ReplayAction] = []
    nights = [min(max(line.time, begin), end) for line in log.lines]
    for k, (line, night) in enumerate(zip(log.lines, nights, strict=True)):
        at = (night - begin) / speed
        whole = ReplayAction(
            at, night, log.source, log.target, line.first, line.last, "", True, False
        )
        gap = nights[k + 1] - night if k + 1 < len(nights) else 0.0
        middle, half = (line.first + line.last) // 2, night + 0.5 * gap
        if torn and (k + 1) % torn == 0 and gap > 0 and middle > line.first:
            actions.append(whole._replace(last=middle, whole=False))
            actions.append(whole._replace(at=(half - begin) / speed, night=half, first=middle))
        else:
            actions.append(whole)
    return actions
