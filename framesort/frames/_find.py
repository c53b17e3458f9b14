"""From what the user names (files, folders, patterns, lists) to the paths of frames."""

import glob
import os
import re
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any

from astropy.table import Table

from framesort.errors import InputError
from framesort.files import RAW_SUFFIXES

__all__ = ["check_apart", "find_frames"]

_IN_RESULTS = "{}: the frames lie in this folder, so results cannot go there; give another --out"
_FRAME_NAME = re.compile(
    rf"\.((fits|fit|fts)(\.(gz|fz))?|{'|'.join(end[1:] for end in RAW_SUFFIXES)})$", re.IGNORECASE
)


def find_frames(
    arguments: Any,
    *,
    exclude: str | os.PathLike[str] | None = None,
    stdin: IO[bytes] | None = None,
) -> list[Path]:
    """Expand files, folders, patterns and list files to paths of frames.

    Parameters
    ----------
    arguments : path, iterable of path, `~astropy.table.Table` or image collection
        A table's column ``file``; the files of ccdproc's ``ImageFileCollection``; else one or
        several of: a file; a folder (searched with its subfolders, links to folders are not
        followed); a pattern with ``*``, ``?`` or ``**``; ``@list.txt``, a file with one path
        a line or NUL-separated, relative ones counting from the list's folder;
        ``@-`` for such a list on standard input, counting from the current folder.
    exclude : path or None
        A folder whose files are not frames, normally the one for results. A folder of frames
        within it is refused.
    stdin : binary stream or None
        What ``@-`` reads; None for standard input.

    Returns
    -------
    list of `~pathlib.Path`
        Sorted by name with numbers in numeric order; each file once, also when it
        was named twice or through a link.

    Raises
    ------
    InputError
        A file or list does not exist, a pattern or folder holds no frame, or all frames lie
        in the folder for results.
    """
    shut = None if exclude is None else Path(exclude).resolve()
    found: dict[Path | tuple[int, int], Path] = {}
    arguments = list(_arguments(arguments))
    if exclude is not None:
        check_apart(arguments, exclude)
    for argument in arguments:
        for path in _expand(os.fspath(argument), stdin):
            real = Path(os.path.realpath(path))  # a link that leads to itself stays as it is
            if shut is None or not real.is_relative_to(shut):
                found.setdefault(_identity(real), path)
    if not found:
        raise InputError(_IN_RESULTS.format(exclude) if arguments else "no frame was named")
    return sorted(found.values(), key=_natural)


def check_apart(arguments: Any, results: str | os.PathLike[str]) -> None:
    """Refuse to write results where the frames lie; what needs no search of folders is seen.

    Raises
    ------
    InputError
        A folder of frames is the one for results or lies within it.
    """
    shut = Path(results).resolve()
    if isinstance(arguments, Iterator):  # it can be gone through once only
        return
    for argument in _arguments(arguments):
        if not isinstance(argument, str | os.PathLike):
            continue
        path = Path(argument)
        if path.is_dir() and path.resolve().is_relative_to(shut):
            raise InputError(_IN_RESULTS.format(results))


def _arguments(given: Any) -> Iterable[str | os.PathLike[str]]:
    """One path or several, of whatever kind of container."""
    if isinstance(given, str | os.PathLike):
        return [given]
    if isinstance(given, Table):
        if "file" not in given.colnames:
            raise InputError(f"a table of frames needs the column file, got {given.colnames}")
        # No pattern or list: these are names.
        return [Path(str(name)) for name in given["file"]]
    if hasattr(given, "files_filtered"):
        paths = list(given.files_filtered(include_path=True))
        if not paths:
            raise InputError("the collection of images holds no file")
        return [Path(path) for path in paths]
    if isinstance(given, Iterable):
        return given
    raise InputError(f"frames must be paths, a table or a collection, got {type(given).__name__}")


def _natural(path: Path) -> list[tuple[int, int, str]]:
    """Sort key in which frame_2 comes before frame_10."""
    parts = re.split(r"(\d+)", str(path))
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts]


def _expand(argument: str, stdin: IO[bytes] | None) -> Iterator[Path]:
    if argument.startswith("@") and not Path(argument).exists():
        yield from _read_list(argument[1:], stdin)
        return
    path = Path(argument)
    if path.is_dir():
        names = [Path(top, name) for top, _, files in os.walk(path) for name in files]
        frames = [name for name in names if _FRAME_NAME.search(name.name)]
        if not frames:
            raise InputError(
                f"{path}: no FITS file in this folder (.fits, .fit, .fts, also .fz, .gz), "
                "no camera raw file"
            )
        yield from frames
    elif path.exists():
        yield path
    elif glob.has_magic(argument):
        matches = [Path(name) for name in glob.glob(argument, recursive=True)]
        matches = [name for name in matches if name.is_file()]
        if not matches:
            raise InputError(f"{argument}: no file matches this pattern")
        yield from matches
    else:
        raise InputError(f"{argument}: no such file or folder")


def _read_list(name: str, stdin: IO[bytes] | None) -> Iterator[Path]:
    try:
        if name == "-":
            base, raw = Path(), (sys.stdin.buffer if stdin is None else stdin).read()
        else:
            base, raw = Path(name).parent, Path(name).read_bytes()
    except OSError as error:
        raise InputError(f"{name}: list of frames cannot be read ({error.strerror})") from error
    lines = raw.split(b"\0") if b"\0" in raw else raw.splitlines()
    texts = [os.fsdecode(line) for line in lines]
    entries = [text for text in texts if text.strip() and not text.startswith("# ")]
    if not entries:
        raise InputError(f"{name}: the list of frames is empty")
    for number, text in enumerate(entries, 1):
        path = base / text
        if not _is_file(path):
            raise InputError(f"{name}: entry {number} names no file: {text[:200]!r}")
        yield path


def _identity(path: Path) -> Path | tuple[int, int]:
    """What two names of one file have in common: its path, or what its hard links share."""
    try:
        state = path.stat()
    except OSError:
        return path
    return (state.st_dev, state.st_ino) if state.st_nlink > 1 else path


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # no name at all, a name too long
        return False
