"""What lies in a folder and its subfolders, listed once."""

import os
from collections.abc import Iterator
from typing import NamedTuple

__all__ = ["FoundFile", "Listing", "device_of", "list_folder"]

DEPTH = 3
"""How deep subfolders are followed."""

_UNFINISHED = (".tmp", ".part")


class FoundFile(NamedTuple):
    """A file as the folder lists it: bytes, time of the last change in ns, inode."""

    size: int
    changed: int
    inode: int


class Listing(NamedTuple):
    """Files of a folder.

    Attributes
    ----------
    files : dict of str to FoundFile
        Those with fitting names, by path.
    temporary : dict of int to FoundFile
        Those with names that are ignored, hidden or temporary, by inode.
    closed : dict of str to str
        Folders that could not be read, with the reason.
    """

    files: dict[str, FoundFile]
    temporary: dict[int, FoundFile]
    closed: dict[str, str]


def list_folder(folder: str, suffixes: tuple[str, ...], exclude: str | None = None) -> Listing:
    """List the files of a folder and of its subfolders; links to folders are not followed.

    Parameters
    ----------
    folder : str
        Where to look.
    suffixes : tuple of str
        Endings of the names, lower case.
    exclude : str or None
        Absolute path of a subfolder that is not looked into.
    """
    listing = Listing({}, {}, {})
    for entry in _walk(folder, DEPTH, exclude, listing.closed):
        name = entry.name.lower()
        hidden = name.startswith(".") or name.endswith(_UNFINISHED)
        if not hidden and not name.endswith(suffixes):
            continue
        try:
            if entry.is_file():
                state = entry.stat()
                found = FoundFile(state.st_size, state.st_mtime_ns, state.st_ino)
                if hidden:
                    listing.temporary[found.inode] = found
                else:
                    listing.files[entry.path] = found
        except OSError:  # it went away meanwhile
            continue
    return listing


def _walk(
    folder: str, depth: int, exclude: str | None, closed: dict[str, str]
) -> Iterator["os.DirEntry[str]"]:
    """What is no folder, in a folder and below it; unreadable folders go into `closed`."""
    folders = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if not entry.is_dir(follow_symlinks=False):
                    yield entry
                elif not entry.name.startswith("."):
                    folders.append(entry.path)
    except OSError as error:
        closed[folder] = error.strerror or type(error).__name__
        return
    for path in folders if depth else ():
        if exclude is None or os.path.abspath(path) != exclude:
            yield from _walk(path, depth - 1, exclude, closed)


def device_of(folder: str) -> int:
    """Number of the drive on which a folder lies; -1 if there is no such folder."""
    try:
        return os.stat(folder).st_dev
    except OSError:
        return -1
