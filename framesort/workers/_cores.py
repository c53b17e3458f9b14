"""How many cores and how much memory there are, and bands of rows side by side."""

import os
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path

__all__ = ["core_count", "free_memory", "run_bands"]


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
    the number of threads, so nor do results.

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
    parts = [(first, min(first + band, rows)) for first in range(0, rows, band)]
    threads = min(core_count() if threads is None else threads, len(parts))
    if threads < 2:
        for part in parts:
            work(*part)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, *part) for part in parts]:
            done.result()
