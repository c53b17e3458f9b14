"""A file read once: whoever opens it within the block reads from memory."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from io import BytesIO
from pathlib import Path
from typing import IO

from framesort.files._text import StrPath

__all__ = ["hold_content", "open_content"]

_HELD: ContextVar[tuple[str, bytes] | None] = ContextVar("held", default=None)


@contextmanager
def hold_content(path: StrPath) -> Iterator[bytes]:
    """Read a file whole, and let `open_content` of the same path read from memory.

    Parameters
    ----------
    path : path
        A regular file.

    Yields
    ------
    bytes
        What the file holds.

    Raises
    ------
    OSError
        It cannot be read.
    """
    content = Path(path).read_bytes()
    token = _HELD.set((os.fspath(path), content))
    try:
        yield content
    finally:
        _HELD.reset(token)


def open_content(path: StrPath) -> IO[bytes]:
    """Open a file for reading: from memory where `hold_content` has it, else from disk.

    A gzipped file is read from disk in any case: readers unpack only what has a name.
    """
    held = _HELD.get()
    if held is not None and held[0] == os.fspath(path) and not held[1].startswith(b"\x1f\x8b"):
        return BytesIO(held[1])
    return open(path, "rb")
