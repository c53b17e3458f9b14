"""The command `watch`: frames measured as they come in, lines on the terminal, a page."""

import argparse
import math
import os
import signal
import sys
import threading
from argparse import Namespace
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from framesort.cli._options import add_settings
from framesort.errors import InputError

if TYPE_CHECKING:
    from framesort.live import LiveFrame, LiveStatus

__all__ = ["WATCH_EXAMPLE", "add_live_settings", "add_watch_options", "run_watch"]

WATCH_EXAMPLE = (
    "framesort watch lights/ --heater ring.csv --goal 60 --out result --serve\n"
    '  framesort watch lights/ --out result --on dew "mail -s dew me@example.org"'
)
LOOPBACK = "127.0.0.1"


def add_watch_options(watch: argparse.ArgumentParser) -> None:
    """Options of `watch` that are no settings."""
    watch.add_argument("folder", metavar="FOLDER", help="where the camera's program writes frames")
    watch.add_argument("--out", required=True, metavar="DIR", help="folder for the results")
    live = watch.add_argument_group("during the night")
    live.add_argument(
        "--goal",
        action="append",
        default=[],
        metavar="[FILTER=]MINUTES|equal|DIR",
        help="heater-off minutes wanted; equal: for stars of S/N 10 as faint as in the stack of "
        "all frames; DIR: what a sorted night would have needed for that; may be given again",
    )
    live.add_argument(
        "--on",
        action="append",
        nargs=2,
        default=[],
        metavar=("EVENT", "COMMAND"),
        help="your command, run once an event: dew, forgotten, goal, cloud, frame-bad; the "
        "message is on its standard input and in FRAMESORT_MESSAGE; no shell is used",
    )
    live.add_argument(
        "--weather", metavar="CSV", help="weather log, which may grow: time, temperature, humidity"
    )
    live.add_argument(
        "--until", metavar="TIME", help="end at this time, ISO 8601, UTC unless it names an offset"
    )
    live.add_argument(
        "--poll",
        type=float,
        default=2.0,
        metavar="S",
        help="longest pause between looks (default 2)",
    )
    page = watch.add_argument_group("page")
    page.add_argument(
        "--serve",
        type=int,
        nargs="?",
        const=8641,
        metavar="PORT",
        help="show the night on a page on this computer (default port 8641, 0 for any)",
    )
    page.add_argument(
        "--host", default=LOOPBACK, metavar="ADDRESS", help="another address; it needs a --token"
    )
    page.add_argument("--token", metavar="TEXT", help="asked of everyone who opens the page")


def add_live_settings(parser: argparse.ArgumentParser) -> None:
    """The heater log, and settings that count while frames are measured."""
    heater = parser.add_argument_group("heater")
    heater.add_argument(
        "--heater",
        metavar="LOG",
        default=None,
        help="heater log, which may grow, or a constant power in percent",
    )
    add_settings(heater)
    add_settings(parser.add_argument_group("frames"))
    add_settings(parser.add_argument_group("calibration, where frames are not calibrated yet"))


def run_watch(options: Namespace) -> int:
    """Watch until Ctrl-C or the given time; 0 if at least one frame was measured."""
    from framesort.cli._commands import one_heater, settings_of
    from framesort.cli._console import print_json, print_note, print_text
    from framesort.live import LiveStatus, serve_status
    from framesort.night import WatchOptions, watch_night
    from framesort.workers import open_executor

    goals, equal = _goals(options.goal)
    watch = WatchOptions(
        goals=goals,
        equal_depth=equal,
        commands=_commands(options.on),
        weather=options.weather,
        until=_moment(options.until),
        poll=_above_zero(options.poll),
    )
    if options.serve is None and (options.token or options.host != LOOPBACK):
        raise InputError("--host and --token are for --serve")
    heater = options.heater
    if heater is not None:
        heater = one_heater(heater, may_be_missing=True)
    stop = threading.Event()
    with ExitStack() as stack:
        stack.enter_context(_stopped_by_signals(stop))
        pool = stack.enter_context(open_executor(options.workers, cluster=options.executor))
        page, latest = None, [LiveStatus()]
        if options.serve is not None:
            page = stack.enter_context(
                serve_status(
                    lambda: latest[0], host=options.host, port=options.serve, token=options.token
                )
            )
            print_note(f"note: the night is shown at {page.url}")
        screen = _Screen(json=options.json)

        def show(status: LiveStatus, news: "list[LiveFrame]", troubles: list[str]) -> None:
            latest[0] = status
            if page is not None:
                page.publish(status)
            screen.show(status, news, troubles)

        status = watch_night(
            options.folder,
            out=options.out,
            heater=heater,
            settings=settings_of(options),
            options=watch,
            show=show,
            stop=stop,
            executor=pool,
        )
        screen.end()
    if options.json:
        print_json({"sentence": status.sentence, "frames": len(status.frames)})
    else:
        print_text(f"Watched {len(status.frames)} frames. {status.sentence}")
    print_note(
        f"note: framesort night {options.folder} --out {options.out} goes on from here without "
        "measuring again"
    )
    return 0 if status.frames else 1


class _Screen:
    """A line a frame; on a terminal the state of the night below them, renewed in place."""

    def __init__(self, *, json: bool) -> None:
        self._json = json
        self._block = 0
        self._terminal = sys.stderr.isatty() and sys.stdout.isatty() and not json

    def show(self, status: "LiveStatus", news: "list[LiveFrame]", troubles: list[str]) -> None:
        """Print what is new."""
        from framesort.cli._console import plain, print_note, print_text
        from framesort.files import json_text
        from framesort.live import frame_line, status_lines

        self._clear()
        for frame in news:
            print_text(json_text(vars(frame), indent=None) if self._json else frame_line(frame))
        for text in troubles:
            print_note(f"warning: {text}")
        if self._terminal:
            width = os.get_terminal_size(sys.stderr.fileno()).columns
            lines = [plain(line)[: width - 1] for line in status_lines(status)]
            sys.stderr.write("".join(f"{line}\n" for line in lines))
            self._block = len(lines)
        sys.stdout.flush()
        sys.stderr.flush()

    def end(self) -> None:
        """Leave the last state on the screen."""
        self._block = 0

    def _clear(self) -> None:
        """Take the state of the night off the terminal."""
        if self._block:
            sys.stderr.write(f"\x1b[{self._block}A\x1b[J")
            self._block = 0


@contextmanager
def _stopped_by_signals(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C and a polite kill end the watch between two frames; a second Ctrl-C at once."""

    def take(number: int, frame: Any) -> None:
        if stop.is_set():
            raise KeyboardInterrupt
        stop.set()

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {n: signal.signal(n, take) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _goals(texts: list[str]) -> tuple[dict[str, float], bool]:
    """Minutes by filter, and whether equal depth is the goal."""
    goals: dict[str, float] = {}
    equal = False
    for text in texts:
        name, _, value = text.rpartition("=")
        if text == "equal":
            equal = True
        elif not name and Path(value).is_dir():
            goals |= _needs_of(value)
        else:
            try:
                goals[name] = _above_zero(float(value))
            except ValueError:
                raise InputError(
                    f"--goal must be minutes, FILTER=MINUTES, equal, or the folder of a sorted "
                    f"night, got {text!r}"
                ) from None
    return goals, equal


def _needs_of(folder: str) -> dict[str, float]:
    """Heater-off minutes that a sorted night needed for stars as faint as in its deep stack."""
    from framesort.errors import NotEnoughFramesError
    from framesort.night import read_sorted
    from framesort.planning import unheated_minutes_needed

    table, summary = read_sorted(folder)
    found: dict[str, float] = {}
    for group in summary.groups:
        if not group.deep.limit_flux > 0:
            continue
        try:
            rows = table[table["group"] == group.label]
            needs = unheated_minutes_needed(rows, flux=group.deep.limit_flux, snr=10.0)
        except NotEnoughFramesError:
            continue
        for need in needs:
            found[group.filter] = max(found.get(group.filter, 0.0), need.minutes)
    if not found:
        raise InputError(f"{folder}: no heater-off frame from which a goal follows")
    return found


def _commands(pairs: list[list[str]]) -> dict[str, str]:
    commands: dict[str, str] = {}
    for kind, command in pairs:
        if kind in commands:
            raise InputError(f"--on {kind} is given twice; one command for each event")
        commands[kind] = command
    return commands


def _moment(text: str | None) -> float:
    """Seconds since 1970 UTC of an ISO text; infinite without one."""
    if text is None:
        return math.inf
    from framesort.planning import read_moment

    try:
        return float(read_moment(text).unix)
    except InputError as error:
        raise InputError(f"--until: {error}") from None


def _above_zero(value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"a number above 0 is needed, got {value:g}")
    return value
