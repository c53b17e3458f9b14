"""Several nights in one table: each its own reference frames, and one spike through all."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence import (
    compare_gap,
    follow_spike,
    mean_spike_angle,
)
from framesort.night._states import night_rows
from framesort.records import (
    GapVerdict,
    SpikeFollows,
    SpikeOnSide,
    Transform,
    add_column,
    column_values,
)
from framesort.settings import Settings

__all__ = ["SpikeByNight", "by_night", "spikes_by_night"]


@dataclass(frozen=True, kw_only=True)
class SpikeByNight:
    """How the spike follows flips and turns of the camera, and whether a gap explains it.

    `gap` is None where no place of a gap was given or no spike was seen.
    """

    follows: SpikeFollows
    gap: GapVerdict | None = None

    @property
    def sentences(self) -> list[str]:
        """For the user."""
        gap = "" if self.gap is None else self.gap.sentence
        return [sentence for sentence in (self.follows.sentence, gap) if sentence]


def by_night(table: Table) -> Table:
    """A copy in which frames of different nights belong to different groups.

    Transparency is that against the group's best frames of the same night. The table itself
    where there is one night only.
    """
    nights = night_rows(table)
    if len(nights) < 2:
        return table
    work = table.copy()
    groups = np.array([str(group) for group in table["group"]], dtype=object)
    clear = column_values(table, "transparency").copy()
    for rows in nights.values():
        for label in sorted(set(groups[rows]) - {""}):
            mine = rows[groups[rows] == label]
            if np.isfinite(clear[mine]).any():
                clear[mine] /= np.nanpercentile(clear[mine], 90)
    names = [str(name) for name in table["night"]]
    work["group"] = np.array(
        [f"{g} {n}" if g and n else g for g, n in zip(groups, names, strict=True)], dtype=object
    )
    add_column(work, "transparency", clear)
    return work


def spikes_by_night(
    table: Table, settings: Settings, transforms: Sequence[Transform] | None = None
) -> SpikeByNight:
    """The spike by night and side of the meridian.

    Parameters
    ----------
    table : `~astropy.table.Table`
        A sorted night.
    settings : Settings
        Its gap_angle, camera_angle and mirrored count.
    transforms : sequence of Transform or None
        Onto the common grid, one a row; None before frames are placed.
    """
    turn = np.full(len(table), np.nan)
    if transforms is not None:
        turn = np.array([t.rotation if t else np.nan for t in transforms])
    heated = column_values(table, "heater_share") > 0
    if transforms is not None:
        # In a mirror image the spike has another angle, whatever the camera did.
        heated &= np.array([not (t and t.mirrored) for t in transforms], dtype=bool)
    sides: list[SpikeOnSide] = []
    nights = night_rows(table)
    for night, rows in nights.items():
        for name, mine in _sides(night if len(nights) > 1 else "", rows, turn[rows]):
            mine = mine[heated[mine]]
            if not mine.size:
                continue
            angle, error, frames = mean_spike_angle(
                column_values(table, "spike_angle")[mine],
                column_values(table, "spike_strength")[mine],
                column_values(table, "spike_strength_err")[mine],
            )
            sides.append(
                SpikeOnSide(
                    name=name, angle=angle, error=error, turn=_middle(turn[mine]), frames=frames
                )
            )
    follows = follow_spike(sides)
    known = [side for side in sides if np.isfinite(side.angle)]
    gap = None
    if settings.gap_angle is not None and known:
        gap = compare_gap(
            known[0].angle,
            known[0].error,
            settings.gap_angle,
            camera_angle=settings.camera_angle,
            mirrored=settings.mirrored,
        )
    return SpikeByNight(follows=follows, gap=gap)


def _sides(
    night: str, rows: NDArray[np.intp], turn: NDArray[np.float64]
) -> list[tuple[str, NDArray[np.intp]]]:
    """Frames of a night before and after a flip, by the rotation onto the grid."""
    first = turn[np.isfinite(turn)][:1]
    if not first.size:
        return [(night or "this night", rows)]
    over = np.abs((turn - first[0] + 180) % 360 - 180) > 90
    if not over.any():
        return [(night or "this night", rows)]
    return [
        (f"{night} {word} the flip".strip(), rows[side])
        for word, side in (("before", ~over), ("after", over))
    ]


def _middle(turn: NDArray[np.float64]) -> float:
    """Median of turns that are all within half a turn of the first."""
    known = turn[np.isfinite(turn)]
    if not known.size:
        return np.nan
    return float(known[0] + np.median((known - known[0] + 180) % 360 - 180))
