"""Flux ratios of pairs of frames kept between runs, found again by the stars of both."""

import hashlib
from pathlib import Path

import numpy as np

import framesort
from framesort.files import KeptValues
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
        self._values = KeptValues(None if folder is None else folder / "ratios.json")
        self._digests: dict[int, str] = {}

    def key(self, one: FrameQuality, other: FrameQuality) -> str:
        """The name of a pair; "" where nothing is kept."""
        if not self._values.keeps:
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
        value = self._values.get(key)
        return float(value) if isinstance(value, int | float) else None

    def put(self, key: str, value: float) -> None:
        """Keep a ratio."""
        self._values.put(key, value)

    def save(self) -> None:
        """Write those of this run."""
        self._values.save()
