"""What is known of a reader of frames, built in or a user's own."""

import os
from typing import Any

__all__ = ["files_read", "reader_of"]


def files_read(read: Any, path: Any) -> list[str]:
    """The files from which a reader gives the pixels of a frame.

    Parameters
    ----------
    read : callable
        Asked by its method ``files(path)`` where it has one.
    path : path or what else the reader takes
        Anything but a path is no file.
    """
    if not isinstance(path, str | os.PathLike):
        return []
    known = getattr(read, "files", None)
    return [os.fspath(path)] if known is None else list(known(path))


def reader_of(read: Any, path: Any) -> Any:
    """A reader that knows one frame only, by its method ``only(path)``; else the same reader."""
    known = getattr(read, "only", None)
    return read if known is None or not isinstance(path, str | os.PathLike) else known(path)
