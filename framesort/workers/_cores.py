"""How many cores there are, and bands of rows side by side on them."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

__all__ = ["core_count", "run_bands"]


def core_count() -> int:
    """Number of cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


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
