"""How a task is done on a machine that may not see this one's files."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Away"]


@dataclass(frozen=True, kw_only=True)
class Away:
    """What a cluster needs to know of tasks beyond the function that does them on one machine.

    Attributes
    ----------
    function : callable
        Takes an item on the other machine, where it must be importable by name. It finds the files
        of the item under other paths if they had to be sent, and writes nothing.
    files : callable
        Takes an item, gives the paths of the files that the function reads.
    before : callable or None
        Takes an item on this machine, in a thread; gives the result if there is one already,
        else None.
    after : callable or None
        Takes an item and what the function gave, on this machine, in a thread; gives the result.
    """

    function: Callable[[Any], Any]
    files: Callable[[Any], Sequence[str]]
    before: Callable[[Any], Any] | None = None
    after: Callable[[Any, Any], Any] | None = None
