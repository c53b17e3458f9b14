"""Compile the loops of a kept list, as many at a time as there are workers."""

import glob
import hashlib
import importlib
import json
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

from framesort.compiled._stamp import (
    loops_there,
    module_path,
    shared_folders,
    stamp_folders,
    stamp_name,
    write_stamp,
)
from framesort.compiled._types import make_type
from framesort.errors import WorkerError
from framesort.workers import Progress, no_search, own_processes, run_tasks

__all__ = ["COMPILING", "compile_loops", "read_list"]

COMPILING = "compiling, once after installation"
"""Name of the stage."""

PATIENCE = 300.0  # seconds that another run is waited for which compiles the same

Loop = tuple[str, str, float, Any]


@cache
def read_list() -> dict[str, Any]:
    """The kept list: for each subpackage its modules with loops, and the loops called from Python.

    A loop is its module, its name, the seconds that it takes to compile, and its types.
    """
    text = Path(__file__).with_name("loops.json").read_text()
    result: dict[str, Any] = json.loads(text)
    return result


def compile_loops(
    *subpackages: str,
    executor: Executor | None,
    progress: Callable[[str], Progress] | None = None,
) -> int:
    """Compile the loops of some subpackages, unless that was done for this installation.

    Workers, and threads, then load them. This is only a matter of time: what is not compiled here,
    for whatever reason, is compiled where it is first called.

    Parameters
    ----------
    *subpackages : str
        Such as "stars".
    executor : `~concurrent.futures.Executor` or None
        The processes of a pool of `~framesort.workers.open_executor` compile side by side. With any
        other nothing is done.
    progress : callable or None
        Takes the stage's name, `COMPILING`, gives a callable that wraps the iteration. Not called
        if there is nothing to do.

    Returns
    -------
    int
        How many functions were compiled, or loaded as compiled before.
    """
    if own_processes(executor) is None:
        return 0
    if not _missing(subpackages):
        return 0
    with _hold_lock():
        missing = _missing(subpackages)
        if not missing:  # another run has done it meanwhile
            return 0
        for name in missing:
            _drop_stale(read_list()[name]["modules"])
        modules = _by_module(missing)
        with suppress(WorkerError):
            done: Iterator[list[str] | None] = run_tasks(
                compile_module,
                modules,
                executor=executor,
                progress=None if progress is None or not modules else progress(COMPILING),
                ahead=len(modules),
                instead=lambda loops: None,
            )
            files: dict[str, list[list[str] | None]] = {name: [] for name in missing}
            for loops, found in zip(modules, done, strict=True):
                files[loops[0][0].split(".")[1]].append(found)
            for name, stamp in missing.items():
                whole = [found for found in files[name] if found is not None]
                if len(whole) == len(files[name]):  # no worker has died
                    write_stamp(name, stamp, [file for found in whole for file in found])
        return sum(map(len, modules))


def _by_module(subpackages: Iterable[str]) -> list[list[Loop]]:
    """The loops of each module, which share parts; those that take longest first."""
    modules: dict[str, list[Loop]] = {}
    for name in subpackages:
        for loop in read_list()[name]["loops"]:
            modules.setdefault(loop[0], []).append(loop)
    return sorted(modules.values(), key=lambda loops: -sum(loop[2] for loop in loops))


def _missing(subpackages: Sequence[str]) -> dict[str, str]:
    """Those whose loops are not all there, with the names of their stamps."""
    names = {name: stamp_name(name, read_list()[name]["modules"]) for name in subpackages}
    return {name: stamp for name, stamp in names.items() if not loops_there(stamp)}


@contextmanager
def _hold_lock() -> Iterator[None]:
    """Hold what only one run may hold; without it where no file can be written."""
    from filelock import FileLock, Timeout

    with ExitStack() as held:
        for folder in stamp_folders():
            with suppress(OSError, Timeout, NotImplementedError):
                folder.mkdir(parents=True, exist_ok=True)
                held.enter_context(FileLock(folder / "loops.lock", timeout=PATIENCE))
                break
        yield


def compile_module(loops: Sequence[Loop]) -> list[str]:
    """Compile the loops of a module; the files by which numba finds them."""
    return [file for loop in loops for file in compile_loop(loop)]


def compile_loop(loop: Loop) -> list[str]:
    """Compile one loop, or load it; the files by which numba finds it.

    No files for a loop that is not as the list has it: its call will compile it.
    """
    module, name, _, types = loop
    with suppress(Exception), no_search():  # it takes a compiler a seventh of its time
        function = getattr(importlib.import_module(module), name)
        function.compile(tuple(make_type(kind) for kind in types))
        start = f"{module.split('.')[-1]}.{name}-"
        return glob.glob(os.path.join(glob.escape(function.stats.cache_path), f"{start}*.nbi"))
    return []


def _drop_stale(modules: Sequence[str]) -> None:
    """Remove what was compiled before the sources came.

    numba compares each function with its own file only, not with those of the functions it calls.
    """
    sources = [module_path(module).absolute() for module in modules]
    with suppress(OSError):
        newest = max(path.stat().st_mtime for path in sources)
        for source in sources:
            for folder in _cache_folders(source):
                for file in folder.glob(f"{source.stem}.*.nbi"):
                    if file.stat().st_mtime < newest:
                        file.unlink(missing_ok=True)


def _cache_folders(source: Path) -> list[Path]:
    """Where numba may keep the functions of a source file."""
    place = str(source.parent)
    own = f"{source.parent.name}_{hashlib.sha1(place.encode()).hexdigest()}"
    return [source.parent / "__pycache__", *(folder / own for folder in shared_folders())]
