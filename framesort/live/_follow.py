"""Follows a folder into which a camera program writes: which files are new and complete."""

import math
import os
import re
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Self

from framesort.errors import FrameError
from framesort.files import RAW_SUFFIXES, StrPath, promised_size
from framesort.live._events import FolderEvents
from framesort.live._listing import FoundFile, Listing, device_of, list_folder

__all__ = ["FolderFollower", "Scan"]

_PLAIN_FITS = (".fits", ".fit", ".fts")

FRAME_SUFFIXES = (
    *_PLAIN_FITS,
    *(f"{ending}{packed}" for ending in _PLAIN_FITS for packed in (".fz", ".gz")),
    *RAW_SUFFIXES,
)
"""Endings of the names of frames."""

PATIENCE = 600.0
"""Seconds after which a file that is still incomplete is named."""

RARELY = 60.0
"""Seconds between two looks into such a file, unless it changes."""

POLL = 1.0
"""Seconds between two listings of the folder where the system reports no changes."""


class Scan(NamedTuple):
    """What a scan found.

    Attributes
    ----------
    finished : tuple of `~pathlib.Path`
        Files that are complete since the last scan, in order of the time of their last change.
    waiting : tuple of `~pathlib.Path`
        Files that are not complete yet.
    gone : tuple of `~pathlib.Path`
        Files that were there at the last scan, complete or not, and were removed or renamed.
    rewritten : tuple of `~pathlib.Path`
        Those of `finished` that replace a file of the same name that was given before.
    problems : tuple of str
        One line each, each problem once.
    """

    finished: tuple[Path, ...] = ()
    waiting: tuple[Path, ...] = ()
    gone: tuple[Path, ...] = ()
    rewritten: tuple[Path, ...] = ()
    problems: tuple[str, ...] = ()


@dataclass(slots=True)
class _State:
    """What is known of a file: as it was found last, and as it was given."""

    found: FoundFile
    first: float  # clock when it was seen incomplete for the first time
    since: float  # clock of its last change
    given: tuple[int, int] | None = None  # size and time of the last change
    there: bool = True
    waits: bool = True
    overdue: bool = False
    settles: bool = False  # complete when it has not changed for a while
    looked: float = -math.inf  # clock of the last look into it


class FolderFollower:
    """Finds which files of a folder are new and complete.

    A plain FITS file is complete when it is as long as its headers promise. Any other file, and a
    FITS file whose last block is not filled up, is complete when its size and time have not
    changed for `settle` seconds, or as soon as it is renamed from a name that is ignored and was
    seen. A file is known by its name, size and time of its last change; that time is never
    compared with a clock. Subfolders are followed to a depth of three, links to folders are not.
    Names that begin with a dot or end with .tmp or .part are ignored.

    Parameters
    ----------
    folder : path
        May be missing for a while: that is named once, and what was given is not given again
        when it is back.
    suffixes : sequence of str
        Endings of the names, dot included, also of several parts; by default those of FITS files,
        packed ones too, and camera raw files.
    settle : float
        Seconds.
    exclude : path or None
        A subfolder that is not looked into.
    events : bool
        Let `wait` follow changes that the system reports, if watchfiles is installed; else, and
        where the system reports none, the folder is listed once a second.
    clock, sleep : callable
        Seconds of a clock that never goes back, and waiting so many seconds.

    Attributes
    ----------
    folder : `~pathlib.Path`
        As given.
    """

    def __init__(
        self,
        folder: StrPath,
        *,
        suffixes: Sequence[str] = FRAME_SUFFIXES,
        settle: float = 2.0,
        exclude: StrPath | None = None,
        events: bool = True,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.folder = Path(folder)
        self._root = os.fspath(self.folder)
        self._suffixes = tuple(suffix.lower() for suffix in suffixes)
        self._settle = settle
        self._exclude = None if exclude is None else os.path.abspath(exclude)
        self._clock, self._sleep = clock, sleep
        self._events = FolderEvents(self._root) if events else None
        self._states: dict[str, _State] = {}
        self._listing = Listing({}, {}, {})
        self._device = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening to the system; `wait` begins anew."""
        if self._events is not None:
            self._events.close()

    def scan(self) -> Scan:
        """Look at the folder once.

        Returns
        -------
        Scan
            A file is in `finished` of one scan only, unless it is written again.
        """
        now, before = self._clock(), self._listing
        listing = self._listing = self._list()
        problems = [
            f"{_shown(folder)}: this folder cannot be read ({why}); it is tried again"
            for folder, why in listing.closed.items()
            if folder not in before.closed
        ]
        finished: list[tuple[int, str]] = []
        rewritten: list[str] = []
        for name, found in listing.files.items():
            state = self._update(name, found, before.temporary.get(found.inode), now)
            if not state.waits:
                continue
            if self._is_complete(name, state, now):
                finished.append((found.changed, name))
                if state.given is not None:
                    rewritten.append(name)
                state.given = (found.size, found.changed)
                state.waits = state.overdue = False
            elif now - state.first >= PATIENCE and not state.overdue:
                state.overdue = True
                problems.append(f"{_shown(name)}: incomplete for {PATIENCE / 60:g} minutes")
        gone = self._find_gone(listing, problems)
        if self._events is not None and finished:
            self._events.note_changes()
        finished.sort(key=lambda one: (one[0], _natural(one[1])))
        return Scan(
            finished=tuple(Path(name) for _, name in finished),
            waiting=tuple(Path(name) for name, state in self._states.items() if state.waits),
            gone=tuple(Path(name) for name in gone),
            rewritten=tuple(Path(name) for name in rewritten),
            problems=tuple(problems),
        )

    def wait(self, seconds: float) -> bool:
        """Wait until something has changed since the last scan.

        Parameters
        ----------
        seconds : float
            At most so long. It also ends when a file has not changed for `settle` seconds.

        Returns
        -------
        bool
            Whether a scan will probably find something.
        """
        there = (self._states[name] for name in self._listing.files if name in self._states)
        due = min(
            (s.since + self._settle for s in there if s.waits and s.settles), default=math.inf
        )
        end = min(self._clock() + seconds, due)
        while (left := end - self._clock()) > 0:
            step = min(left, POLL)
            events = None if self._root in self._listing.closed else self._events
            if events is not None and events.start() and self._differs():
                return True
            if events is not None and events.listening:
                if events.wait(step):
                    return True
                continue
            self._sleep(step)
            if self._differs():
                return True
        return due <= self._clock()

    def _list(self) -> Listing:
        """The files that are there; an empty place where a drive was counts as unreadable."""
        listing = list_folder(self._root, self._suffixes, self._exclude)
        device = device_of(self._root)
        if listing.files:
            self._device = device
        elif self._states and not listing.closed and device != self._device:
            listing.closed[self._root] = "its drive is not mounted"
        if self._root in listing.closed and self._events is not None:
            self._events.close()  # what comes back is another folder to the system
        return listing

    def _differs(self) -> bool:
        return self._list() != self._listing

    def _update(
        self, name: str, found: FoundFile, temporary: FoundFile | None, now: float
    ) -> _State:
        """Bring the state of a file up to date.

        `temporary` is the file of this inode that had an ignored name at the last scan.
        """
        state = self._states.get(name)
        if state is None:
            state = self._states[name] = _State(found, first=now, since=now)
        elif (found.size, found.changed) == state.given:  # as it was given, perhaps back again
            state.waits = state.overdue = False
        elif not state.there or found != state.found:
            if not state.waits:
                state.first, state.waits = now, True
            state.since, state.looked = now, -math.inf
        if state.waits and temporary is not None and state.since == now:
            grown = found.size >= temporary.size and found.changed >= temporary.changed
            state.since = -math.inf if grown else now
        state.found, state.there = found, True
        return state

    def _is_complete(self, name: str, state: _State, now: float) -> bool:
        some = state.found.size > 0
        settled = some and now - state.since >= self._settle
        if not name.lower().endswith(_PLAIN_FITS):
            state.settles = some
            return settled
        if state.overdue and not state.settles and now - state.looked < RARELY:
            return False
        state.looked, state.settles = now, True
        try:
            with open(name, "rb") as stream:
                promised = promised_size(stream)
        except FrameError:  # no FITS file, or a broken one: that is said when it is measured
            return settled
        except OSError:  # held by its writer, or gone meanwhile
            state.settles = False
            return False
        state.settles = promised.data <= state.found.size < promised.blocks
        return state.found.size >= promised.blocks or (state.settles and settled)

    def _find_gone(self, listing: Listing, problems: list[str]) -> list[str]:
        """Files that are no longer there; those in folders that cannot be read are not gone."""
        closed = tuple(os.path.join(folder, "") for folder in listing.closed)
        gone = [
            name
            for name, state in self._states.items()
            if state.there and name not in listing.files and not name.startswith(closed)
        ]
        for name in gone:
            state = self._states[name]
            if state.waits:
                problems.append(f"{_shown(name)}: removed or renamed before it was complete")
            state.there = state.waits = state.overdue = False
            if state.given is None:
                del self._states[name]  # others are remembered, since they may come back
        return gone


def _shown(name: str) -> str:
    """A path in one line."""
    return "".join(sign if sign.isprintable() else "?" for sign in name)


def _natural(name: str) -> list[tuple[int, str]]:
    """Sort key in which frame_2 comes before frame_10."""
    return [
        (int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)
    ]
