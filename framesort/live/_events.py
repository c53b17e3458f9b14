"""Changes of a folder as the system reports them, by watchfiles where it is installed."""

import os
import time
from collections.abc import Generator
from contextlib import suppress
from importlib import import_module
from importlib.util import find_spec
from typing import Any

__all__ = ["FolderEvents"]

STEP = 200
"""Milliseconds after which the library gives control back; also the longest it gathers events."""

MOST_MISSED = 3
"""So many changes found without having been reported, one after the other: nothing is reported."""


class FolderEvents:
    """Listens to a folder. Network drives often report nothing: then it says so and stops."""

    def __init__(self, folder: str) -> None:
        self._folder = folder
        self._usable = find_spec("watchfiles") is not None
        self._changes: Generator[Any, None, None] | None = None
        self._quiet = False  # the last wait ended without a report
        self._missed = 0

    @property
    def listening(self) -> bool:
        """Whether changes from now on are reported."""
        return self._changes is not None

    def start(self) -> bool:
        """Listen, if that is possible; true if it was not so before."""
        if not self._usable or self.listening or not os.path.isdir(self._folder):
            return False
        watch = import_module("watchfiles").watch
        self._changes = watch(
            self._folder,
            watch_filter=None,
            debounce=STEP,
            rust_timeout=STEP,
            yield_on_timeout=True,
            ignore_permission_denied=True,
        )
        self._next()  # the library begins to listen with the first call
        return self.listening

    def wait(self, seconds: float) -> bool:
        """Whether something changes within about so many seconds."""
        end = time.monotonic() + seconds
        while self.listening:
            if self._next():
                self._quiet, self._missed = False, 0
                return True
            if time.monotonic() >= end:
                break
        self._quiet = True
        return False

    def note_changes(self) -> None:
        """Changes were found; that nothing was reported of them is remembered."""
        if self._quiet and self.listening:
            self._quiet = False
            self._missed += 1
            if self._missed >= MOST_MISSED:
                self._usable = False
                self.close()

    def close(self) -> None:
        """Stop listening; `start` begins anew."""
        if self._changes is not None:
            changes, self._changes = self._changes, None
            with suppress(OSError, RuntimeError):
                changes.close()

    def _next(self) -> bool:
        if self._changes is None:
            return False
        try:
            return bool(next(self._changes, None))
        except (OSError, RuntimeError):  # no more watches, or a file system without them
            self._usable, self._changes = False, None
            return False
