"""How many cores and how much memory there are, and bands of rows side by side."""

import os
import sys
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

__all__ = ["core_count", "free_memory", "run_bands", "run_each"]

Item = TypeVar("Item")
Result = TypeVar("Result")


def core_count() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def free_memory() -> int | None:
    """Bytes of memory that this process may still take; None where the system does not say.

    On Linux what the kernel counts as available, less where a control group (a container's limit)
    or a limit of this process's address space leaves less.
    """
    if sys.platform != "linux":
        return None
    import resource

    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        free = next(int(line.split()[1]) << 10 for line in lines if line.startswith("MemAvail"))
        if resource.getrlimit(resource.RLIMIT_AS)[0] != resource.RLIM_INFINITY:
            return None
    except (OSError, StopIteration, ValueError):
        return None
    with suppress(OSError, ValueError):  # no such group, or no limit
        group = Path("/sys/fs/cgroup")
        limit = int((group / "memory.max").read_text(encoding="ascii"))
        free = min(free, limit - int((group / "memory.current").read_text(encoding="ascii")))
    return free


def run_bands(
    work: Callable[[int, int], object], rows: int, *, band: int, threads: int | None = None
) -> None:
    """Call ``work(first, last)`` for bands of rows, side by side in threads.

    For compiled loops and array arithmetic, which let go of the interpreter. Bands do not depend on
    the number of threads, so nor do results. The calling thread takes bands as well: bands within
    bands never wait for a thread. Of several errors that of the first band is raised.

    Parameters
    ----------
    work : callable
        Must change nothing but its own rows.
    rows : int
        Number of rows in all.
    band : int
        Rows of a band.
    threads : int or None
        At most so many; None for one a core.
    """
    parts = range(0, rows, band)
    threads = min(core_count() if threads is None else threads, len(parts))
    if threads < 2:
        for first in parts:
            work(first, min(first + band, rows))
        return
    left = iter(parts)  # threads take turns at it
    failed: list[tuple[int, BaseException]] = []

    def take() -> None:
        for first in left:
            if failed:
                return
            try:
                work(first, min(first + band, rows))
            except BaseException as error:  # of another thread; raised below
                failed.append((first, error))

    helpers = _start_helpers(take, threads - 1)
    take()
    for helper in helpers:
        if not helper.cancel():
            helper.result()
    if failed:
        raise min(failed, key=lambda pair: pair[0])[1]


def run_each(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """What a function gives for each item, in order; side by side in threads as `run_bands`."""
    items = list(items)
    found: list[Any] = [None] * len(items)

    def one(number: int, _: int) -> None:
        found[number] = work(items[number])

    run_bands(one, len(items), band=1)
    return found


_helpers: ThreadPoolExecutor | None = None
_lock = threading.Lock()


def _start_helpers(task: Callable[[], None], number: int) -> list[Future[None]]:
    """Run a task in so many threads, which stay for later; in fewer where none can be started."""
    global _helpers
    with _lock:
        if _helpers is None:
            _helpers = ThreadPoolExecutor(os.cpu_count(), thread_name_prefix="framesort-bands")
        pool = _helpers
    started: list[Future[None]] = []
    with suppress(RuntimeError):  # the interpreter ends, or no thread can be started
        for _ in range(number):
            started.append(pool.submit(task))
    return started


def _forget_helpers() -> None:
    """Threads do not survive a fork."""
    global _helpers, _lock
    _helpers, _lock = None, threading.Lock()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_helpers)
