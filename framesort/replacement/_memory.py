"""Memory of arrays that are gone."""

import ctypes
import sys

__all__ = ["release_memory"]


def release_memory() -> None:
    """Give the memory of arrays that are gone back to the system (Linux with glibc, else nothing).

    glibc keeps what threads have freed, for each of them; after work on bands of a large picture
    that is several times the picture.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)
