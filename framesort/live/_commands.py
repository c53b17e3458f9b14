"""Events of a night: reported once, by the user's own command, also after a restart."""

import json
import os
import shlex
import signal
import subprocess
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from framesort.errors import InputError, OutputError
from framesort.live._status import LiveEvent

__all__ = ["EVENT_KINDS", "EventCommands", "Journal"]

EVENT_KINDS = ("dew", "forgotten", "goal", "cloud", "frame-bad")
"""Kinds of events that a command can be given for."""

APART = 45 * 60.0
"""Seconds within which a second event of one kind and subject is the same one."""

LONGEST = 60.0
"""Seconds that a command may take; it is ended after that."""


class Journal:
    """The events that were reported, a line of JSON each; it survives the program.

    Parameters
    ----------
    path : path
        File, made where it is not there. A line that was cut off by a kill is ignored.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.events: list[LiveEvent] = []
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except FileNotFoundError:
            lines = []
        except (OSError, ValueError) as error:
            raise OutputError(f"{path}: cannot be read ({error})") from error
        for line in lines:
            try:
                self.events.append(LiveEvent(**json.loads(line)))
            except (ValueError, TypeError):
                continue

    def knows(self, event: LiveEvent) -> bool:
        """Whether this event was reported, or one of its subject a short time ago."""
        subject = event.key.partition(" ")[0]
        return any(
            event.key == known.key
            or (
                event.kind != "frame-bad"
                and subject == known.key.partition(" ")[0]
                and abs(event.time - known.time) < APART
            )
            for known in self.events
        )

    def add(self, event: LiveEvent) -> None:
        """Write an event down; on disk when this returns.

        Raises
        ------
        OutputError
            It cannot be written. The event counts as reported all the same.
        """
        self.events.append(event)
        line = json.dumps(vars(event), ensure_ascii=True) + "\n"
        try:
            with open(self._path, "a", encoding="ascii") as stream:
                if stream.tell() and not _ends_line(self._path):
                    stream.write("\n")
                stream.write(line)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as error:
            raise OutputError(f"{self._path}: cannot be written ({error.strerror})") from error


def _ends_line(path: Path) -> bool:
    """Whether the file's last line is whole; it is not after a kill."""
    with open(path, "rb") as stream:
        stream.seek(-1, os.SEEK_END)
        return stream.read(1) == b"\n"


class EventCommands:
    """The user's own commands, run once an event.

    A command is split into words as a shell would, but run without one. It gets the message on
    standard input and in the environment: FRAMESORT_EVENT (kind), FRAMESORT_MESSAGE (sentence),
    FRAMESORT_TIME (ISO 8601 UTC).

    Parameters
    ----------
    commands : mapping of str to str
        By kind of event.
    journal : Journal
        Written before a command runs: after a kill between the two it is not run again.

    Raises
    ------
    InputError
        A kind is unknown or a command is empty or cannot be split.
    """

    def __init__(self, commands: Mapping[str, str], journal: Journal) -> None:
        self._journal = journal
        self._commands: dict[str, list[str]] = {}
        for kind, text in commands.items():
            if kind not in EVENT_KINDS:
                raise InputError(f"--on {kind}: no such event; one of {', '.join(EVENT_KINDS)}")
            try:
                words = shlex.split(text)
            except ValueError as error:
                raise InputError(f"--on {kind}: {text!r} cannot be read ({error})") from error
            if not words:
                raise InputError(f"--on {kind}: the command is empty")
            self._commands[kind] = words
        self._running: list[tuple[LiveEvent, subprocess.Popen[bytes], float]] = []

    def reported(self) -> list[LiveEvent]:
        """All events of the journal, in the order in which they were reported."""
        return list(self._journal.events)

    def report(self, event: LiveEvent, stamp: str) -> list[str]:
        """Report an event that was not reported yet; what failed, a line each.

        Parameters
        ----------
        event : LiveEvent
        stamp : str
            Its time as a text.
        """
        if self._journal.knows(event):
            return []
        troubles = []
        try:
            self._journal.add(event)
        except OutputError as error:
            troubles.append(str(error))
        words = self._commands.get(event.kind)
        if words is None:
            return troubles
        variables = {
            "FRAMESORT_EVENT": event.kind,
            "FRAMESORT_MESSAGE": event.text,
            "FRAMESORT_TIME": stamp,
        }
        try:
            process = subprocess.Popen(
                words,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                env=os.environ | variables,
                start_new_session=True,  # Ctrl-C is for the watch
            )
        except (OSError, ValueError) as error:
            return [*troubles, f"--on {event.kind}: {words[0]} cannot be run ({error})"]
        assert process.stdin is not None
        try:
            process.stdin.write(event.text.encode("utf-8", "backslashreplace") + b"\n")
            process.stdin.close()
        except OSError:  # it does not read its input
            pass
        self._running.append((event, process, time.monotonic() + LONGEST))
        return troubles

    def collect(self, *, wait: bool = False) -> list[str]:
        """Commands that failed, or were ended after a minute, since the last call; a line each.

        Parameters
        ----------
        wait : bool
            Wait for those that run, until their minute is over.
        """
        troubles, running = [], []
        for event, process, end in self._running:
            status = process.poll()
            left = end - time.monotonic()
            if status is None and wait and left > 0:
                with suppress(subprocess.TimeoutExpired):
                    status = process.wait(left)
            if status is None and time.monotonic() >= end:
                _end(process)
                troubles.append(f"--on {event.kind}: the command was ended after {LONGEST:.0f} s")
            elif status is None:
                running.append((event, process, end))
            elif status:
                troubles.append(f"--on {event.kind}: the command ended with status {status}")
        self._running = running
        return troubles


def _end(process: "subprocess.Popen[bytes]") -> None:
    """Kill a command with what it has started."""
    if hasattr(os, "killpg"):
        with suppress(OSError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    process.wait()
