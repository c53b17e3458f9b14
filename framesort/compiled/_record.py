"""Recording which compiled loops a piece of work needs, with which types of arguments."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from framesort.compiled._types import describe_type

__all__ = ["LoopRecord", "record_loops"]


@dataclass(frozen=True, kw_only=True)
class LoopRecord:
    """One function that was compiled for one set of types.

    Attributes
    ----------
    module, name : str
        Where it is.
    types : str or list
        Types of the arguments: lists of names that JSON can hold; None if they cannot be described.
    seconds : float
        Processor time, s, with that of the functions that it calls.
    called : bool
        Whether it was called from Python, not compiled as a part of another.
    """

    module: str
    name: str
    types: Any
    seconds: float
    called: bool


@contextmanager
def record_loops() -> Iterator[list[LoopRecord]]:
    """Record what is compiled in this process while the block runs; nothing of what is loaded."""
    import numba.core.event as events

    found: list[LoopRecord] = []
    begun: list[float] = []

    class Listener(events.Listener):
        """Compiling is done under a lock, so what begins within another belongs to it."""

        def on_start(self, event: Any) -> None:
            begun.append(time.thread_time())

        def on_end(self, event: Any) -> None:
            seconds = time.thread_time() - begun.pop()
            function = event.data["dispatcher"].py_func
            try:
                types = [describe_type(kind) for kind in event.data["args"]]
            except TypeError:
                types = None
            found.append(
                LoopRecord(
                    module=function.__module__,
                    name=function.__qualname__,
                    types=types,
                    seconds=seconds,
                    called=not begun,
                )
            )

    with events.install_listener("numba:compile", Listener()):
        yield found
