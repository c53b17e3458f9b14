"""Values kept between runs in one file of JSON."""

import json
from pathlib import Path
from typing import Any

from framesort.errors import OutputError
from framesort.files._write import write_text

__all__ = ["KeptValues"]


class KeptValues:
    """What was calculated before, by name; only what is used again stays in the file.

    A damaged file counts as none, and one that cannot be written is no reason to stop.

    Parameters
    ----------
    path : path or None
        The file; None to keep nothing.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._known = self._read()
        self._used: dict[str, Any] = {}

    @property
    def keeps(self) -> bool:
        """Whether there is a file."""
        return self._path is not None

    def _read(self) -> dict[str, Any]:
        if self._path is None:
            return {}
        try:
            kept = json.loads(self._path.read_text(encoding="utf-8"))
        except (OSError, ValueError, RecursionError):
            return {}
        return kept if isinstance(kept, dict) else {}

    def get(self, key: str) -> Any:
        """The value kept under a name, of the kinds that JSON has; None where there is none."""
        value = self._known.get(key)
        if value is not None:
            self._used[key] = value
        return value

    def put(self, key: str, value: Any) -> None:
        """Keep a value of the kinds that JSON has; numbers may be NaN."""
        if key:
            self._used[key] = value

    def save(self) -> None:
        """Write the values of this run."""
        if self._path is None or self._used == self._known:
            return
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            write_text(self._path, json.dumps(self._used))
        except (OSError, OutputError):
            return
