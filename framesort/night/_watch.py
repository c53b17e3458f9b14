"""During the night: frames measured as they come in, what they say kept up to date."""

import logging
import math
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from framesort.errors import FramesortError, InputError
from framesort.live import (
    EventCommands,
    FolderFollower,
    Journal,
    LiveFrame,
    LiveStatus,
    LogFollower,
    Scan,
    SkyVerdict,
    collect_minutes,
    describe_heater,
    describe_state,
    equal_depth_minutes,
    find_events,
    find_hints,
    find_switch,
    judge_sky,
    since_switch,
)
from framesort.night._folder import CACHE, SCRATCH, hold_folder
from framesort.night._live import LiveNight
from framesort.night._notes import collect_warnings
from framesort.night._read import settle_masters
from framesort.night._run import NightRun
from framesort.night._star_picture import draw_star
from framesort.night._states import OneHeater, read_traces
from framesort.planning import read_forecast
from framesort.records import HeaterTrace, unix_seconds
from framesort.settings import Settings

__all__ = ["WatchOptions", "watch_night"]

_LOG = logging.getLogger(__name__)

JOURNAL = "events.jsonl"
"""Events that were reported, in the folder of results."""

FEWEST_ROWS = 3
"""Lines of a log that has begun; with fewer its columns are not known yet."""

SHOWN = 1000
"""Frames of a status, the last ones."""

LISTED = 3
"""One of so many looks lists the folder although no change in it is reported."""

BATCH = 8
"""Frames measured before the state is shown again, where many are waiting."""


@dataclass(frozen=True, kw_only=True)
class WatchOptions:
    """What a caller of `watch_night` can choose.

    Attributes
    ----------
    goals : mapping of str to float
        Heater-off minutes wanted by filter; "" for all others.
    equal_depth : bool
        Instead: as many as make stars of S/N 10 as faint as in the stack of all frames.
    commands : mapping of str to str
        The user's command by kind of event: "dew", "forgotten", "goal", "cloud", "frame-bad".
    weather : path or None
        Weather log (CSV with time, temperature, humidity) that may grow.
    until : float
        When to end, seconds since 1970 UTC; infinite for never.
    poll : float
        Longest time between two looks at the folder, seconds.
    settle : float
        Seconds without change after which a packed file counts as finished.
    """

    goals: Mapping[str, float] = field(default_factory=dict)
    equal_depth: bool = False
    commands: Mapping[str, str] = field(default_factory=dict)
    weather: str | os.PathLike[str] | None = None
    until: float = math.inf
    poll: float = 2.0
    settle: float = 2.0


def watch_night(
    folder: str | os.PathLike[str],
    *,
    out: str | os.PathLike[str],
    heater: OneHeater | None = None,
    settings: Settings | None = None,
    options: WatchOptions | None = None,
    show: Callable[[LiveStatus, list[LiveFrame], list[str]], None] | None = None,
    stop: threading.Event | None = None,
    executor: Executor | None = None,
) -> LiveStatus:
    """Measure frames as they are written into a folder, until `stop` or the given time.

    Measurements are kept in `out` as `sort_night` keeps them: a night sorted there afterwards
    measures nothing again and gives the same table. The heater is never switched.

    Parameters
    ----------
    folder : path
        Where the camera's program writes frames; folders in it are followed too.
    out : path
        Folder for results; not `folder` itself nor in it.
    heater : path, float or None
        Heater log that may grow, or a constant power in percent; None if there is none.
    settings : Settings or None
        As for `sort_night`.
    options : WatchOptions or None
        None for the defaults.
    show : callable or None
        Takes the status, the frames that are new in it, and lines on what went wrong.
    stop : `threading.Event` or None
        Set by the caller to end.
    executor : `~concurrent.futures.Executor` or None
        Where many frames that wait are measured; one alone is measured in this process.

    Returns
    -------
    LiveStatus
        The last one.

    Raises
    ------
    InputError
        `folder` is not there, or an option is wrong.
    OutputError
        `out` cannot be written, or another run holds it.
    """
    options = WatchOptions() if options is None else options
    place = Path(folder)
    if not place.is_dir():
        raise InputError(f"{place}: no such folder")
    target = Path(out).absolute()
    if target == place.absolute() or place.absolute() in target.parents:
        raise InputError(f"{target}: lies in the watched folder; choose a folder elsewhere")
    stop = threading.Event() if stop is None else stop
    with hold_folder(out, make=True) as held:
        run = NightRun(
            settings=settle_masters(Settings() if settings is None else settings),
            executor=executor,
            cache=held / CACHE,
            scratch=held / SCRATCH,
        )
        watch = _Watch(run, place, held, heater, options)
        try:
            while not stop.is_set():
                news, troubles = watch.look()
                if show is not None and (news or troubles or not watch.shown):
                    show(watch.status, news, troubles)
                    watch.shown = True
                if time.time() >= options.until:
                    break
                if not watch.waiting:
                    watch.wait(min(options.poll, max(options.until - time.time(), 0.0)))
        finally:
            troubles = watch.end()
            if show is not None and troubles:
                show(watch.status, [], troubles)
        return watch.status


class _Watch:
    """The loop's state: what is followed, what is known, what was reported."""

    def __init__(
        self,
        run: NightRun,
        folder: Path,
        out: Path,
        heater: OneHeater | None,
        options: WatchOptions,
    ) -> None:
        self._run, self._out, self._options = run, out, options
        self._night = LiveNight(run)
        self._follower = FolderFollower(folder, settle=options.settle)
        self._events = EventCommands(options.commands, Journal(out / JOURNAL))
        path = heater if isinstance(heater, str | os.PathLike) else None
        self._log = None if path is None else LogFollower(path)
        self._weather = None if options.weather is None else LogFollower(options.weather)
        self._trace: HeaterTrace | None = None
        self._seen: dict[str, object] = {}
        self._last_trouble: dict[str, str] = {}
        self._verdicts: deque[SkyVerdict] = deque(maxlen=5)
        self._stars: dict[str, str] = {}
        self.waiting: list[Path] = []
        self._quiet, self._incomplete = 0, False
        self.status = LiveStatus(time=time.time())
        self.shown = False
        if path is None and heater is not None:
            self._trace, _ = read_traces(heater, run.settings)

    def wait(self, seconds: float) -> None:
        """Until something changes in the folder, or so long."""
        self._quiet = 0 if self._follower.wait(seconds) else self._quiet + 1

    def _scan(self) -> Scan:
        """Look at the folder; where no change is reported and no file is waited for, not always.

        Listing 2000 files every two seconds takes half a percent of a core.
        """
        if self._quiet % LISTED and not self._incomplete:
            return Scan()
        scan = self._follower.scan()
        self._incomplete = bool(scan.waiting)
        return scan

    def look(self) -> tuple[list[LiveFrame], list[str]]:
        """Take what is new; the new frames, and what went wrong, a line each."""
        troubles = self._read_logs()
        scan = self._scan()
        troubles += scan.problems
        troubles += self._forget(scan)
        self.waiting += [path for path in scan.finished if path not in self.waiting]
        batch, self.waiting = self.waiting[:BATCH], self.waiting[BATCH:]
        news = []
        if batch:
            names, found = self._measure(batch)
            troubles += found
            for name in names:
                news += self._include(name, troubles)
        troubles += self._events.collect()
        for text in troubles:
            _LOG.warning("%s", text)
        return news, troubles

    def _forget(self, scan: Scan) -> list[str]:
        """Drop frames that were written again, or are no longer there; a line on each kind."""
        again = [path for path in scan.rewritten if str(path.absolute()) in self._night]
        gone = [path for path in scan.gone if str(path.absolute()) in self._night]
        for path in (*again, *gone):
            self._night.forget(str(path.absolute()))
        self.waiting = [path for path in self.waiting if path not in scan.gone]
        if gone:
            self._renew(self._night.frames())
        kinds = ((again, "written again, and measured again"), (gone, "removed or renamed"))
        return [
            f"measured frames {what}: {len(paths)} (first: {paths[0].name})"
            for paths, what in kinds
            if paths
        ]

    def _once(self, about: str, text: str) -> list[str]:
        """The line, unless it was the last one about this; none for ""."""
        new = text != self._last_trouble.get(about, "")
        self._last_trouble[about] = text
        return [text] if text and new else []

    def end(self) -> list[str]:
        """Wait for the user's commands; what failed, a line each."""
        self._follower.close()
        return self._events.collect(wait=True)

    def _measure(self, batch: list[Path]) -> tuple[list[str], list[str]]:
        """Names of the frames measured, and lines on those that could not be."""
        with collect_warnings() as notes:
            try:
                names = self._night.add(batch, self._trace)
            except FramesortError as error:
                if len(batch) == 1:
                    return [], [str(error)]
                both = [self._measure([path]) for path in batch]  # one bad file spoils no other
                return [n for names, _ in both for n in names], [t for _, ts in both for t in ts]
        if not any(note.code == "not kept" for note in notes):
            self._once("not kept", "")
        return names, [
            str(note)
            for note in notes
            if note.code != "header time"
            and (note.code != "not kept" or self._once(note.code, note.code))  # once in a row
        ]

    def _include(self, name: str, troubles: list[str]) -> list[LiveFrame]:
        """Bring the status up to date with one more frame, and report its events."""
        self._night.measure_spike(name)
        frames = self._night.frames()
        at = next((i for i, frame in enumerate(frames) if frame.file == name), None)
        if at is None:  # a dark or flat: shown, but no part of the night
            return [self._night[name]]
        self._verdicts.append(judge_sky(frames))
        self._cut_stars(frames[at])
        self._renew(frames)
        for event in find_events(
            frames,
            list(self._verdicts),
            self.status.minutes,
            last=frames[at],
            now=self.status.time,
        ):
            stamp = datetime.fromtimestamp(event.time, UTC).isoformat(timespec="seconds")
            troubles += self._events.report(event, stamp)
        self.status = replace(self.status, events=tuple(self._events.reported()))
        return [frames[at]]

    def _renew(self, frames: list[LiveFrame]) -> None:
        """Make the status anew, and let it be shown."""
        self.shown = False
        if not frames:
            self.status = LiveStatus(time=time.time(), events=tuple(self._events.reported()))
            return
        sky = self._verdicts[-1]
        goals = equal_depth_minutes(frames) if self._options.equal_depth else self._options.goals
        minutes = collect_minutes(frames, goals)
        switched = find_switch(frames, self._trace)
        since, change = since_switch(frames, switched)
        self.status = LiveStatus(
            sentence=describe_state(frames, sky, minutes),
            time=time.time(),
            heater=describe_heater(frames[-1]),
            switched=switched,
            frames_since_switch=since,
            fwhm_since_switch=change,
            frames=tuple(frames[-SHOWN:]),
            minutes=minutes,
            sky=sky,
            events=tuple(self._events.reported()),
            hints=find_hints(frames, sky, minutes),
            star_last=self._stars.get("last", ""),
            star_off=self._stars.get("off", ""),
        )

    def _read_logs(self) -> list[str]:
        """Read logs that have grown; what went wrong, a line each and once."""
        troubles: list[str] = []
        if self._log is not None:
            troubles += self._follow(self._log, "heater", self._take_heater)
        if self._weather is not None:
            troubles += self._follow(self._weather, "weather", self._take_weather)
        return troubles

    def _follow(self, log: LogFollower, name: str, take: Callable[[Path], list[str]]) -> list[str]:
        """Hand a log to its reader when it has changed."""
        text = log.read()
        troubles = log.take_problems()
        if text.count(b"\n") < FEWEST_ROWS or self._seen.get(name) is text:
            return troubles
        scratch = self._out / SCRATCH
        try:
            scratch.mkdir(exist_ok=True)
            copy = log.snapshot(scratch)
        except OSError as error:  # tried again at the next look
            why = error if isinstance(error, FramesortError) else error.strerror
            return [*troubles, *self._once(name, f"{name} log: its copy cannot be written ({why})")]
        self._seen[name] = text
        try:
            troubles += take(copy)
        except FramesortError as error:
            # Of the snapshot; the user knows the log itself.
            why = str(error).replace(str(scratch) + os.sep, "")
            return [*troubles, *self._once(name, f"{name} log: {why}")]
        self._once(name, "")
        if self._verdicts:
            self._renew(self._night.frames())
        return troubles

    def _take_heater(self, path: Path) -> list[str]:
        self._trace, notes = read_traces(path, self._run.settings)
        self._night.tag(self._trace)
        found = {note.code: note for note in notes[::-1] if note.severity != "info"}
        place = str(path.parent) + os.sep
        return [
            f"heater log: {str(note).replace(place, '')}"
            for code, note in found.items()
            if self._once(f"heater log, {code}", code)  # once a night
        ]

    def _take_weather(self, path: Path) -> list[str]:
        table = read_forecast(path)
        self._night.set_weather(
            list(unix_seconds(table["time"])), list(table["temperature"]), list(table["humidity"])
        )
        return []

    def _cut_stars(self, frame: LiveFrame) -> None:
        """The brightest star of a frame as a picture, beside that of the last heater-off one."""
        star = self._night.brightest(frame.file)
        picture = "" if star is None else draw_star(frame.file, *star)
        if not picture:
            return
        self._stars["last"] = picture
        if frame.heater_state == "off":
            self._stars["off"] = picture
