"""Follows a log to which another program appends."""

import codecs
import math
import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

from framesort.errors import InputError
from framesort.files import StrPath, open_whole

__all__ = ["LogFollower"]

COMPARED = 256
"""Bytes at the beginning and at the end of what was read by which a grown file is known again."""


class LogFollower:
    """Gives the text of a heater or weather log so far, and keeps it whatever becomes of the file.

    A half-written last line is left out until it ends, or has not changed for `settle` seconds.
    Where the file is replaced by another one or begins anew, the new content follows what was
    read before, without the lines that both begin with (the header) and without those that were
    read already, as when a program writes the whole log again or drops its oldest lines.

    Parameters
    ----------
    path : path
        The log; it may be missing for a while. It is only read.
    settle : float
        Seconds.
    clock : callable
        Seconds of a clock that never goes back.

    Attributes
    ----------
    path : `~pathlib.Path`
        As given.
    """

    def __init__(
        self,
        path: StrPath,
        *,
        settle: float = 2.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = Path(path)
        self._settle, self._clock = settle, clock
        self._earlier = b""  # text of earlier files
        self._content = b""  # what was read of the present one
        self._text = b""  # what was given
        self._state: tuple[int, int, int] | None = None  # inode, size, time of the last change
        self._since = -math.inf  # clock of the last change
        self._settled = True  # whether what was given has the last line, ended or not
        self._problems: list[str] = []
        self._problem = ""
        self._written: tuple[Path, bytes] | None = None

    def read(self) -> bytes:
        """All complete lines so far.

        Returns
        -------
        bytes
            As in the file, in UTF-8 where that is UTF-16. The same object as before if there is
            nothing new.
        """
        now = self._clock()
        try:
            state = os.stat(self.path)
            found = (state.st_ino, state.st_size, state.st_mtime_ns)
            changed = found != self._state
            if changed:
                with open(self.path, "rb") as stream:
                    self._take(stream, found)
                self._state, self._since = found, now
            self._problem = ""
        except OSError as error:
            problem = f"{self.path}: the log cannot be read ({error.strerror}); it is tried again"
            if problem != self._problem:
                self._problems.append(problem)
            self._problem = problem
            return self._text
        settled = now - self._since >= self._settle
        if changed or settled != self._settled:
            self._settled = settled
            content = _as_utf8(self._content)
            text = _join(self._earlier, content if settled else _whole_lines(content))
            if text != self._text:
                self._text = text
        return self._text

    def take_problems(self) -> list[str]:
        """What happened since the last call, one line each; each problem once."""
        problems, self._problems = self._problems, []
        return problems

    def snapshot(self, folder: StrPath) -> Path:
        """Write the text so far to a file of the log's name, for `read_heater_log`.

        Parameters
        ----------
        folder : path
            Where to; the file there is replaced whole, and only when there are new lines.

        Returns
        -------
        `~pathlib.Path`
            The file. There is none as long as nothing could be read.

        Raises
        ------
        InputError
            `folder` is the one in which the log lies.
        OutputError
            It cannot be written.
        """
        target, text = Path(folder) / self.path.name, self.read()
        if target.parent.resolve() == self.path.parent.resolve():
            raise InputError(f"{folder}: the log lies in this folder; its copy must go elsewhere")
        if text and (self._written is None or self._written != (target, text)):
            with open_whole(target) as stream:
                stream.write(text)
            self._written = target, text
        return target

    def _take(self, stream: IO[bytes], found: tuple[int, int, int]) -> None:
        """Read what is new in the file."""
        have = self._content
        if self._state is not None and found[0] == self._state[0] and found[1] > len(have) > 0:
            stream.seek(max(len(have) - COMPARED, 0))
            tail = stream.read(min(len(have), COMPARED))
            stream.seek(0)
            if have.startswith(stream.read(min(len(have), COMPARED))) and have.endswith(tail):
                stream.seek(len(have))
                self._content = have + stream.read()
                return
        stream.seek(0)
        content, whole = stream.read(), _whole_lines(have)
        if content.startswith(whole):
            self._content = content
        elif not whole.startswith(_whole_lines(content)):
            self._problems.append(f"{self.path}: the log began anew; what was read before is kept")
            self._earlier = self._text
            if not self._text.endswith((b"\n", b"\r")):
                self._earlier += b"\n"
            self._content = content
        # Else it was cut short: its program may be just writing it again.


def _as_utf8(content: bytes) -> bytes:
    """The text without the zeros of UTF-16; half a letter at its end is left out."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16", "ignore").encode()
    return content


def _whole_lines(content: bytes) -> bytes:
    """The text as far as its last line break."""
    ending = b"\n" if b"\n" in content else b"\r"
    return content[: content.rfind(ending) + 1]


def _join(earlier: bytes, later: bytes) -> bytes:
    """One text after another, without the lines of the second that the first has already."""
    if not earlier:
        return later
    old, new = earlier.splitlines(keepends=True), later.splitlines(keepends=True)
    pairs = enumerate(zip(old, new, strict=False))
    shared = next((k for k, (one, other) in pairs if one != other), min(len(old), len(new)))
    new = new[shared:]
    if new and new[0] in old:
        rest = old[old.index(new[0]) :]
        common = min(len(rest), len(new))
        if rest[:common] == new[:common]:
            new = new[common:]
    return earlier + b"".join(new) if new else earlier
