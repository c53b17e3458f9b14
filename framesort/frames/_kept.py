"""What headers were understood to say, kept between runs."""

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import astropy
import numpy as np
from numpy.typing import NDArray

import framesort
from framesort.files import KeptValues

__all__ = ["KeptHeaders"]

FORMAT = 1
"""Raised whenever the same header comes out otherwise."""

_HEAD = 2880 * 8
"""Bytes at the beginning of a file that count: a header of 288 cards."""


class KeptHeaders:
    """Headers and places of the sky in one file of the cache.

    A header is found again by the name, size and time of change of its file and by what the file
    begins with.

    Parameters
    ----------
    folder : path or None
        The cache; None to keep nothing.
    options : str
        What else decides how a header is understood.
    """

    def __init__(self, folder: Path | None, options: str) -> None:
        self._values = KeptValues(None if folder is None else folder / "headers.json")
        self._made = f"{framesort.__version__} {FORMAT} {astropy.__version__}"
        self._options = options

    def _key(self, *parts: bytes) -> str:
        digest = hashlib.blake2b(self._made.encode(), digest_size=16)
        for part in parts:
            digest.update(len(part).to_bytes(8, "little") + part)
        return digest.hexdigest()

    def header_key(self, path: str) -> str:
        """The name of a file's header; "" where nothing is kept or the file cannot be read."""
        if not self._values.keeps:
            return ""
        try:
            with open(path, "rb") as stream:
                state = os.fstat(stream.fileno())
                head = stream.read(_HEAD)
        except OSError:
            return ""
        about = f"{path} {state.st_size} {state.st_mtime_ns} {self._options}"
        return self._key(os.fsencode(about), head)

    def get(self, key: str) -> dict[str, Any] | None:
        """What is kept of a header; None where nothing is."""
        value = self._values.get(key) if key else None
        return value if isinstance(value, dict) else None

    def put(self, key: str, value: dict[str, Any]) -> None:
        """Keep what a header says."""
        self._values.put(key, value)

    def columns(
        self, inputs: str, count: int, find: Callable[[], dict[str, NDArray[np.float64]]]
    ) -> dict[str, NDArray[np.float64]]:
        """Columns of `count` values found for the same inputs before, else by calling `find`."""
        key = self._key(b"columns", inputs.encode()) if self._values.keeps else ""
        try:
            kept = self.get(key) or {}
            known = {name: np.array(values, dtype=float) for name, values in kept.items()}
        except (TypeError, ValueError):
            known = {}
        whole = known and all(values.shape == (count,) for values in known.values())
        found = known if whole else find()
        self._values.put(key, {name: values.tolist() for name, values in found.items()})
        return found

    def save(self) -> None:
        """Write those of this run."""
        self._values.save()
