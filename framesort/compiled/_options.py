"""How the inner loops are compiled."""

from collections.abc import Callable
from typing import Any

__all__ = ["loop", "part"]

Function = Callable[..., Any]


def loop(**options: Any) -> Callable[[Function], Function]:
    """Decorate a loop that is called from Python.

    It lets go of the interpreter, is kept on disk, and divides as numpy does: a check for zero at
    each division takes time and keeps a loop from becoming vector instructions. There is no wrapper
    for calls from C.

    Parameters
    ----------
    **options
        Others of `numba.njit`.
    """
    return _compiled(cache=True, **options)


def part(**options: Any) -> Callable[[Function], Function]:
    """Decorate a function that only such loops call.

    The same without what a call from Python needs, which takes a tenth of the compiler's time.

    Parameters
    ----------
    **options
        Others of `numba.njit`.
    """
    return _compiled(no_cpython_wrapper=True, **options)


def _compiled(**options: Any) -> Callable[[Function], Function]:
    from numba import njit

    every: dict[str, Any] = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
    decorate: Callable[[Function], Function] = njit(**every, **options)
    return decorate
