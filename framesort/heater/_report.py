"""The notes on a log, beside its trace."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framesort.records import Note

__all__ = ["Report", "name_lines"]


@dataclass
class Report:
    """Notes on the interpretation, and on rows that could not be read."""

    notes: list[Note] = field(default_factory=list)
    faults: list[Note] = field(default_factory=list)

    def fault(self, lines: NDArray[np.int_] | list[int], text: str) -> None:
        """Name rows by their line numbers."""
        if len(lines):
            self.faults.append(Note("log rows", f"{name_lines(lines)}: {text}"))


def name_lines(lines: NDArray[np.int_] | list[int]) -> str:
    """Line numbers in words, five at most."""
    shown = ", ".join(str(n) for n in lines[:5])
    more = f" and {len(lines) - 5} more" if len(lines) > 5 else ""
    return f"line{'s' if len(lines) > 1 else ''} {shown}{more}"
