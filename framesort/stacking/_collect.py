"""Bands put together to stacks, signed with what was done."""

from pathlib import PurePath

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.records import Stack
from framesort.stacking._bands import BandResult
from framesort.stacking._plan import Plan

__all__ = ["Collector"]

FULL_QUANTILE = 0.01  # of the values of pixels that were full in a frame of the set


class Collector:
    """Takes bands in order and gives the stacks."""

    def __init__(self, names: list[str], plan: Plan) -> None:
        self._names, self._plan = names, plan
        count = (len(names), *plan.shape)
        self._data = np.full(count, np.nan, dtype=np.float32)
        self._weight = np.zeros(count, dtype=np.float32)
        self._coverage = np.zeros(count, dtype=np.int16)
        self._gone = np.zeros(len(plan.frames), dtype=np.int64)
        self._seen = np.zeros(len(plan.frames), dtype=np.int64)
        self._full: list[list[NDArray[np.float32]]] = [[] for _ in names]

    def add(self, band: BandResult) -> None:
        """Put a band in its place."""
        self._data[:, band.rows] = band.data
        self._weight[:, band.rows] = band.weight
        self._coverage[:, band.rows] = band.coverage
        self._gone += band.gone
        self._seen += band.seen
        for values, more in zip(self._full, band.full_values, strict=True):
            values.append(more)

    def stacks(self, header: Header, notes: tuple[str, ...]) -> dict[str, Stack]:
        """The stack of every set."""
        share = self._gone / np.maximum(self._seen, 1)
        result = {}
        for s, name in enumerate(self._names):
            inside = self._plan.weights[s] > 0
            frames = tuple(f.path for f, use in zip(self._plan.frames, inside, strict=True) if use)
            level = self._saturation(s)
            result[name] = Stack(
                data=self._data[s],
                weight=self._weight[s],
                coverage=self._coverage[s],
                header=self._sign(header, name, frames, share[inside], level, notes),
                frames=frames,
                rejected=share[inside],
                saturation=level,
                notes=notes,
            )
        return result

    def _saturation(self, s: int) -> float:
        """Level from which a pixel of the stack must be taken as full.

        The lowest that a full pixel of a frame comes to in the middle of the grid; lower where
        the mean with frames that were not full there is lower.
        """
        levels = [
            frame.full * frame.factor - frame.surface[0]
            for frame, weight in zip(self._plan.frames, self._plan.weights[s], strict=True)
            if weight > 0
        ]
        level = min(levels)
        values = np.concatenate(self._full[s]) if self._full[s] else np.empty(0)
        values = values[np.isfinite(values)]
        if len(values):
            level = min(level, float(np.quantile(values, FULL_QUANTILE)))
        return float(level)

    def _sign(
        self,
        header: Header,
        name: str,
        frames: tuple[str, ...],
        rejected: NDArray[np.float64],
        level: float,
        notes: tuple[str, ...],
    ) -> Header:
        signed = header.copy()
        signed["NCOMBINE"] = (len(frames), "frames in this stack")
        signed["STACKSET"] = (ascii_text(name), "set of frames")
        signed["STACKKRN"] = (self._plan.kernel, "interpolation kernel")
        if np.isfinite(self._plan.clip):
            signed["STACKCLP"] = (self._plan.clip, "rejection beyond so many sigma")
        if np.isfinite(level):
            signed["SATURATE"] = (level, "[adu] pixels from here on may be full")
        else:
            signed.remove("SATURATE", ignore_missing=True, remove_all=True)
        signed["HISTORY"] = (
            f"framesort: {len(frames)} frames resampled ({self._plan.kernel}), background and "
            "flux matched, outliers rejected, mean with inverse-variance weights"
        )
        for path, share in zip(frames, rejected, strict=True):
            signed["HISTORY"] = f"frame {ascii_text(PurePath(path).name)} rejected {share:.5f}"
        for note in notes:
            signed["HISTORY"] = f"note {ascii_text(note)}"
        return signed


def ascii_text(text: str) -> str:
    """Text as FITS cards can hold it: printable ASCII, the rest as escapes."""
    return "".join(
        c if " " <= c <= "~" else c.encode("unicode_escape").decode("ascii") for c in text
    )
