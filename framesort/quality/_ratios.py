"""Flux ratios of pairs of frames kept between runs, found again by the stars of both."""

import hashlib
import json
from pathlib import Path

import numpy as np

import framesort
from framesort.errors import OutputError
from framesort.files import write_text
from framesort.records import STAR_COLUMNS, FrameQuality

__all__ = ["KeptRatios"]

FORMAT = 1
"""Raised whenever the ratio of the same stars comes out otherwise."""


class KeptRatios:
    """Ratios of one night in one file of the cache; a damaged file counts as none.

    Parameters
    ----------
    folder : path or None
        The cache; None to keep nothing.
    """

    def __init__(self, folder: Path | None) -> None:
        self._path = None if folder is None else folder / "ratios.json"
        self._known = self._read()
        self._used: dict[str, float] = {}
        self._digests: dict[int, str] = {}

    def _read(self) -> dict[str, float]:
        if self._path is None:
            return {}
        try:
            kept = json.loads(self._path.read_text(encoding="utf-8"))
            return {str(key): float(value) for key, value in kept.items()}
        except (OSError, ValueError, TypeError, AttributeError, RecursionError):
            return {}

    def key(self, one: FrameQuality, other: FrameQuality) -> str:
        """The name of a pair; "" where nothing is kept."""
        if self._path is None:
            return ""
        return f"{self._digest(one)} {self._digest(other)}"

    def _digest(self, quality: FrameQuality) -> str:
        found = self._digests.get(id(quality))
        if found is None:
            digest = hashlib.blake2b(f"{framesort.__version__} {FORMAT}".encode(), digest_size=16)
            for name in STAR_COLUMNS:
                digest.update(np.ascontiguousarray(quality.star_list[name]).tobytes())
            found = self._digests[id(quality)] = digest.hexdigest()
        return found

    def get(self, key: str) -> float | None:
        """The ratio kept under a name; None where there is none."""
        value = self._known.get(key)
        if value is not None:
            self._used[key] = value
        return value

    def put(self, key: str, value: float) -> None:
        """Keep a ratio."""
        if key:
            self._used[key] = value

    def save(self) -> None:
        """Write those of this run; a folder that cannot be written is no reason to stop."""
        if self._path is None or self._used == self._known:
            return
        try:
            write_text(self._path, json.dumps(self._used))
        except OutputError:
            return
