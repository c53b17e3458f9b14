"""Stripes put together to stacks, signed with what was done."""

from pathlib import PurePath

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from framesort.records import Note, Stack
from framesort.stacking._bands import Sums
from framesort.stacking._plan import Plan

__all__ = ["Collector"]

SATURATED_QUANTILE = 0.01  # of the values of pixels that were saturated in a frame of the set


class Collector:
    """Takes what stripes give and makes the stacks of it."""

    def __init__(self, names: list[str], plan: Plan) -> None:
        self._names, self._plan = names, plan
        self._sums = Sums.empty(len(names), len(plan.frames), plan.shape)

    def part(self, rows: slice) -> Sums:
        """The place of some rows, to be filled and then added."""
        return self._sums.part(rows)

    def add(self, rows: slice, sums: Sums) -> None:
        """Add what was counted; pixels are put in their place if they are not there yet."""
        here = self._sums
        if not np.shares_memory(here.data, sums.data):
            here.data[:, rows] = sums.data
            here.weight[:, rows] = sums.weight
            here.coverage[:, rows] = sums.coverage
        here.gone[:] += sums.gone
        here.seen[:] += sums.seen
        for places, more in zip(here.saturated, sums.saturated, strict=True):
            places += more

    def stacks(self, header: Header, notes: tuple[Note, ...]) -> dict[str, Stack]:
        """The stack of every set."""
        share = self._sums.gone / np.maximum(self._sums.seen, 1)
        result = {}
        for s, name in enumerate(self._names):
            inside = self._plan.weights[s] > 0
            frames = tuple(f.path for f, use in zip(self._plan.frames, inside, strict=True) if use)
            level = self._saturation(s)
            result[name] = Stack(
                data=self._sums.data[s],
                weight=self._sums.weight[s],
                coverage=self._sums.coverage[s],
                header=self._sign(header, name, frames, share[inside], level, notes),
                frames=frames,
                rejected=share[inside],
                saturation=level,
                notes=notes,
            )
        return result

    def _saturation(self, s: int) -> float:
        """Level from which a pixel of the stack must be taken as saturated.

        The lowest that a saturated pixel of a frame comes to in the middle of the grid; lower where
        the mean with frames that were not saturated there is lower. The few saturated pixels below
        it are raised to it.
        """
        levels = [
            frame.saturation * frame.factor - frame.surface[0]
            for frame, weight in zip(self._plan.frames, self._plan.weights[s], strict=True)
            if weight > 0
        ]
        level = np.float32(min(levels))
        if self._sums.saturated[s]:
            y, x = np.concatenate(self._sums.saturated[s]).T
            values = self._sums.data[s, y, x]
            if len(values):
                level = min(level, np.float32(np.quantile(values, SATURATED_QUANTILE)))
                self._sums.data[s, y, x] = np.maximum(values, level)
        return float(level)

    def _sign(
        self,
        header: Header,
        name: str,
        frames: tuple[str, ...],
        rejected: NDArray[np.float64],
        level: float,
        notes: tuple[Note, ...],
    ) -> Header:
        signed = header.copy()
        signed["NCOMBINE"] = (len(frames), "frames in this stack")
        signed["STACKSET"] = (ascii_text(name), "set of frames")
        signed["STACKKRN"] = (self._plan.kernel, "interpolation kernel")
        if np.isfinite(self._plan.noise.clip):
            signed["STACKCLP"] = (self._plan.noise.clip, "rejection beyond so many sigma")
        if np.isfinite(level):
            signed["SATURATE"] = (level, "[adu] pixels from here on may be saturated")
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
