"""What a worker of a cluster does: a task, with files that it sees itself or is sent.

Only functions of this module are called there, by name, so that another version of this library
is found out before anything else is run.
"""

import hashlib
import io
import os
import pickle
import platform
import shutil
import tempfile
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from framesort import __version__
from framesort.errors import WorkerError

__all__ = [
    "FileMark",
    "describe_worker",
    "forget_run",
    "mark_file",
    "pack_task",
    "run_far",
    "unpack_answer",
]

PIECE = 1 << 16
"""Bytes at the beginning, in the middle and at the end of a file by which it is recognised."""

LIBRARIES = ("numpy", "scipy", "numba", "astropy", "photutils")
"""Libraries whose version results may depend on."""

_STORING = threading.Lock()


@dataclass(frozen=True)
class FileMark:
    """By what a file is recognised on another machine: path, bytes, digest of three pieces."""

    path: str
    size: int
    digest: str


def describe_worker() -> dict[str, str]:
    """Versions by name that must be the same on all machines."""
    found = {"framesort": __version__, "Python": ".".join(platform.python_version_tuple()[:2])}
    for name in LIBRARIES:
        with suppress(PackageNotFoundError):
            found[name] = version(name)
    return found


def mark_file(path: str) -> FileMark:
    """How to recognise a file elsewhere.

    Raises
    ------
    OSError
        It cannot be read, or is no regular file.
    """
    if not os.path.isfile(path):  # a pipe would never end
        raise FileNotFoundError(f"{path}: is no regular file")
    digest = hashlib.blake2b(digest_size=16)
    with open(path, "rb", buffering=0) as stream:
        size = os.fstat(stream.fileno()).st_size
        for place in sorted({0, max((size - PIECE) // 2, 0), max(size - PIECE, 0)}):
            stream.seek(place)
            digest.update(stream.read(PIECE))
    return FileMark(path, size, digest.hexdigest())


def _is_here(mark: FileMark) -> bool:
    try:
        return os.path.getsize(mark.path) == mark.size and mark_file(mark.path) == mark
    except OSError:
        return False


class _TaskPickler(pickle.Pickler):
    """Leaves out the paths of a task's files, which lie elsewhere on the other machine."""

    def __init__(self, stream: io.BytesIO, paths: Sequence[str]) -> None:
        super().__init__(stream, protocol=5)
        self._numbers = {path: number for number, path in enumerate(paths)}

    def persistent_id(self, value: Any) -> int | None:
        """The number of a path."""
        return self._numbers.get(value) if type(value) is str else None


class _TaskUnpickler(pickle.Unpickler):
    def __init__(self, stream: io.BytesIO, places: Sequence[str]) -> None:
        super().__init__(stream)
        self._places = places

    def persistent_load(self, number: int) -> str:
        """The path here."""
        return self._places[number]


class _AnswerPickler(pickle.Pickler):
    """Names files in texts, as messages, by their paths on the machine that asked."""

    def __init__(self, stream: io.BytesIO, names: Mapping[str, str]) -> None:
        super().__init__(stream, protocol=5)
        self._names = names

    def persistent_id(self, value: Any) -> str | None:
        """The text as it must be there, None where it is as it must be."""
        if type(value) is not str:
            return None
        text = value
        for here, there in self._names.items():
            text = text.replace(here, there)
        return text if text != value else None


class _AnswerUnpickler(pickle.Unpickler):
    def persistent_load(self, text: str) -> str:
        """The text itself."""
        return text


def pack_task(function: Any, item: Any, paths: Sequence[str]) -> bytes:
    """A function and its argument, the paths of files left open."""
    stream = io.BytesIO()
    _TaskPickler(stream, paths).dump((function, item))
    return stream.getvalue()


def unpack_answer(blob: bytes) -> tuple[str, Any]:
    """What `run_far` gave: "done" and a result, "error" and it, or "missing" and paths."""
    kind, value = _AnswerUnpickler(io.BytesIO(blob)).load()
    return kind, value


def _pack_answer(kind: str, value: Any, names: Mapping[str, str]) -> bytes:
    stream = io.BytesIO()
    try:
        _AnswerPickler(stream, names).dump((kind, value))
    except Exception as error:
        if kind != "error":
            return _pack_answer("error", error, names)
        return pickle.dumps(("error", WorkerError(f"{type(value).__name__}: {value}")))
    return stream.getvalue()


def _folder(run: str) -> Path:
    """Where this worker keeps files that it was sent in a run; dask removes it with the worker."""
    from distributed import get_worker

    folder = Path(get_worker().local_directory) / f"framesort-{run}"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def forget_run(run: str) -> None:
    """Remove all files of a run from this worker."""
    shutil.rmtree(_folder(run), ignore_errors=True)


def run_far(
    task: bytes, marks: Sequence[FileMark], data: Sequence[Any], keep: Sequence[bool], run: str
) -> bytes:
    """Do a task on this worker, see `unpack_answer`.

    Parameters
    ----------
    task : bytes
        From `pack_task`.
    marks : sequence of FileMark
        Files of the task, in the order of the paths that were left open.
    data : sequence of uint8 ndarray or None
        Their bytes where they are sent along.
    keep : sequence of bool
        Those that further tasks need.
    run : str
        Under which these are kept.
    """
    places: list[str] = []
    missing: list[str] = []
    own = ""  # a folder for this task alone
    try:
        for mark, content, stays in zip(marks, data, keep, strict=True):
            if content is None and _is_here(mark):
                places.append(mark.path)
                continue
            if content is None and not stays:
                missing.append(mark.path)
                continue
            if stays:
                place = _folder(run) / f"{mark.digest}-{os.path.basename(mark.path)}"
                if content is not None:
                    _store(place, content)
                elif not place.exists():
                    missing.append(mark.path)
            else:
                own = own or tempfile.mkdtemp(dir=_folder(run))
                place = Path(own) / os.path.basename(mark.path)
                content.tofile(place)
            places.append(str(place))
        if missing:
            return _pack_answer("missing", missing, {})
        names = {
            here: mark.path for here, mark in zip(places, marks, strict=True) if here != mark.path
        }
        try:
            function, item = _TaskUnpickler(io.BytesIO(task), places).load()
            return _pack_answer("done", function(item), names)
        except Exception as error:
            return _pack_answer("error", error, names)
    except OSError as error:
        text = f"a worker has no room for the frames that it is sent: {error}"
        return _pack_answer("error", WorkerError(text), {})
    finally:
        if own:
            shutil.rmtree(own, ignore_errors=True)


def _store(place: Path, data: Any) -> None:
    """Write a file that stays, once, whole or not at all."""
    with _STORING:
        if not place.exists():
            part = place.with_name(f"{place.name}.part")
            data.tofile(part)
            os.replace(part, place)
