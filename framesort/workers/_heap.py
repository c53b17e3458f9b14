"""Memory and threads of a program of its own, as libraries below numpy handle them."""

import ctypes
import os
import sys
from typing import Any

__all__ = ["limit_library_threads", "release_memory", "tune_heaps"]

HEAPS = 2
"""Enough for threads that allocate large arrays now and then."""

MAPPED, KEPT = 1 << 25, 1 << 30
"""Bytes from which an array is mapped by itself (glibc allows no more), and that a heap keeps."""

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # of glibc's malloc.h


def _from_libc(name: str) -> Any:
    """A function of glibc, None elsewhere."""
    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None


def limit_library_threads() -> None:
    """Let libraries of linear algebra that are not loaded yet work in one thread at a call.

    Matrices here are small and work is spread over cores as a whole: threads of such a library
    only wait, at full load. For a program of its own, and the processes that it starts; what the
    environment has set already stays.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def tune_heaps() -> None:
    """Let all threads of this process allocate from two heaps (Linux with glibc, else nothing).

    glibc gives each thread a heap of its own, up to eight a core, and each keeps what was freed in
    it for later: several times what is in use. Arrays of bands of a picture, which come and go,
    stay in the heap: fresh memory is filled with zeros by the system each time. For a program of
    its own; in that of a caller this is the caller's to decide (``MALLOC_ARENA_MAX``).
    """
    if (mallopt := _from_libc("mallopt")) is not None:
        mallopt(_M_ARENA_MAX, HEAPS)
        mallopt(_M_MMAP_THRESHOLD, MAPPED)
        mallopt(_M_TRIM_THRESHOLD, KEPT)


def release_memory() -> None:
    """Give the memory of arrays that are gone back to the system (Linux with glibc, else nothing).

    glibc keeps what threads have freed, for each of them; after work on bands of a large picture
    that is several times the picture.
    """
    if (trim := _from_libc("malloc_trim")) is not None:
        trim(0)
