"""A file read once: whoever opens it within the block reads from memory."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from io import BufferedReader, RawIOBase
from typing import Any

import numpy as np

from framesort.files._text import StrPath

__all__ = ["hold_content", "open_content"]

_HELD: ContextVar[tuple[str, memoryview] | None] = ContextVar("held", default=None)


@contextmanager
def hold_content(path: StrPath) -> Iterator[memoryview]:
    """Read a file whole, and let `open_content` of the same path read from memory.

    Parameters
    ----------
    path : path
        A regular file.

    Yields
    ------
    memoryview
        What the file holds.

    Raises
    ------
    OSError
        It cannot be read.
    """
    content = _read_whole(path)
    token = _HELD.set((os.fspath(path), content))
    try:
        yield content
    finally:
        _HELD.reset(token)


def open_content(path: StrPath) -> BufferedReader:
    """Open a file for reading: from memory where `hold_content` has it, else from disk.

    A gzipped file is read from disk in any case: readers unpack only what has a name.
    """
    held = _HELD.get()
    if held is not None and held[0] == os.fspath(path) and bytes(held[1][:2]) != b"\x1f\x8b":
        return BufferedReader(_Memory(held[1]))
    return open(path, "rb")


def _read_whole(path: StrPath) -> memoryview:
    """All of a file, in memory of numpy: that has large pages, which take half the time."""
    with open(path, "rb", buffering=0) as stream:
        buffer = np.empty(os.fstat(stream.fileno()).st_size + 1, np.uint8)
        done = 0
        while got := stream.readinto(buffer[done:].data):
            done += got
            if done == len(buffer):  # it has grown meanwhile
                buffer = np.concatenate([buffer, np.empty_like(buffer)])
    return buffer.data[:done].toreadonly()


class _Memory(RawIOBase):
    """A stream over what is held, without a copy of it."""

    def __init__(self, content: memoryview) -> None:
        self._content = content
        self._place = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        start = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: len(self._content)}
        self._place = max(0, start[whence] + offset)
        return self._place

    def readinto(self, buffer: Any) -> int:
        part = self._content[self._place : self._place + len(buffer)]
        buffer[: len(part)] = part
        self._place += len(part)
        return len(part)
