"""The summary of a night, step by step: sorted, placed, and each group merged."""

import os
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from erfa import ErfaWarning

from framesort.evidence import average_light_by_angle
from framesort.night._fields import placed_only, target_of
from framesort.night._lists import list_unplaced
from framesort.night._merge import MergedGroup
from framesort.night._nights import SpikeByNight, spikes_by_night
from framesort.night._place import PlacedNight
from framesort.night._sort import SortedNight
from framesort.night._states import night_rows
from framesort.records import (
    HEATER_STATES,
    AcceptablePower,
    GroupSummary,
    GrowthPoint,
    HeaterStep,
    HeaterSummary,
    HeaterTrace,
    LeftOut,
    NightPart,
    NightSummary,
    Note,
    ResponsePoint,
    TradeOffPoint,
    column_values,
    rows_as,
)
from framesort.replacement import ReplacementCheck
from framesort.selection import report_selection
from framesort.settings import Settings

__all__ = ["add_left_out", "add_merged", "add_placed", "summarise_night"]

FIELD_FROM = 3
"""Frames that match none of the others from which on they may be another field."""

_OF_MERGING = ("mirrored", "changed")
"""Codes of notes on the night that merging gives: a second merge gives them anew."""


def summarise_night(night: SortedNight, *, log: str = "") -> NightSummary:
    """The summary of a sorted night."""
    response = night.response
    summary = NightSummary(
        settings=night.settings.as_dict(),
        heater=_heater(night.trace, log),
        clock=night.clock,
        onset=night.onset,
        nights=tuple(_night(night, name) for name in night_rows(night.table) if name),
        groups=tuple(_group(night, name) for name in _groups(night.table)),
        left_out=tuple(LeftOut(file=file, reason=reason) for file, reason in night.left_out),
        notes=night.notes,
    )
    if response is not None:
        summary = replace(
            summary,
            response=rows_as(ResponsePoint, response.points),
            response_curve=rows_as(GrowthPoint, response.curve),
            highest_acceptable=rows_as(AcceptablePower, response.highest_acceptable),
        )
    return summary if night.line is None else _with_spike(summary, night.line)


def add_placed(
    summary: NightSummary, table: Table, placed: PlacedNight, settings: Settings, folder: Path
) -> NightSummary:
    """The summary with what registration left of the sets.

    Parameters
    ----------
    summary : NightSummary
        Of the sorted night. What an earlier merge said of its groups is dropped.
    table : `~astropy.table.Table`
        With the columns of registration.
    placed : PlacedNight
    settings : Settings
    folder : path
        Of the results, where the lists of sets stand.
    """
    lost = list_unplaced(table)
    left = placed_only(table)
    groups = []
    for group in summary.groups:
        files = lost.get(group.label, [])
        if files:
            group = replace(group, **_selection(left, group.label, settings))
        found = (_other_field(group.label, files, folder),) if len(files) >= FIELD_FROM else ()
        groups.append(
            replace(
                group, unmatched=len(files), notes=found,
                replaced=None, left=None, fwhm={}, spike={}, check={},
            )
        )  # fmt: skip
    notes = [note for note in summary.notes if note.code not in _OF_MERGING]
    summary = replace(
        summary,
        groups=tuple(groups),
        edges=placed.edges,
        notes=(*notes, *_mirrored(table, placed)),
    )
    return _with_spike(summary, spikes_by_night(table, settings, placed.transforms))


def add_merged(summary: NightSummary, merged: MergedGroup) -> NightSummary:
    """The summary with what merging gave for one group."""
    return replace(
        summary,
        groups=tuple(
            _merged(group, merged) if group.label == merged.label else group
            for group in summary.groups
        ),
    )


def _merged(group: GroupSummary, merged: MergedGroup) -> GroupSummary:
    notes = tuple(dict.fromkeys((*group.notes, *merged.notes)))
    if merged.replacement is None:
        return replace(group, notes=notes)
    replaced = sum(not reason for reason in merged.replacement.table["reason"])
    return replace(
        group,
        notes=notes,
        replaced=replaced,
        left=len(merged.replacement.table) - replaced,
        fwhm=merged.fwhm,
        spike=merged.spike,
        check={} if merged.check is None else _plain_check(merged.check),
    )


def add_left_out(summary: NightSummary, reasons: dict[str, str]) -> NightSummary:
    """The summary with further files that could not be used, those it has already excepted."""
    known = {entry.file for entry in summary.left_out}
    more = [LeftOut(file=f, reason=why) for f, why in reasons.items() if f not in known]
    return replace(summary, left_out=(*summary.left_out, *more))


def _with_spike(summary: NightSummary, line: SpikeByNight) -> NightSummary:
    """How the spike follows nights and flips, and whether a gap explains it."""
    return replace(
        summary, spike_follows=line.follows if line.follows.sentence else None, gap=line.gap
    )


def _other_field(label: str, files: list[str], folder: Path) -> Note:
    return Note(
        "other field",
        f"{label}: {len(files)} frames match none of the others (first: {Path(files[0]).name}) "
        "and are in no set; if they show another field, make it with: framesort night "
        f"@{folder / 'sets' / label}-unmatched.txt",
        files,
    )


def _mirrored(table: Table, placed: PlacedNight) -> list[Note]:
    """A note on frames that are mirror images on the grid."""
    over = [
        str(file)
        for file, transform in zip(table["file"], placed.transforms, strict=True)
        if transform and transform.mirrored
    ]
    if not over:
        return []
    one = len(over) == 1
    what = "1 frame is a mirror image" if one else f"{len(over)} frames are mirror images"
    text = (
        f"{what} of the others and {'was' if one else 'were'} turned over "
        f"(first: {os.path.basename(over[0])})"
    )
    return [Note("mirrored", text, over)]


def _night(night: SortedNight, name: str) -> NightPart:
    """One night: its frames and its clock."""
    rows = night.table[night_rows(night.table)[name]]
    return NightPart(
        night=name,
        frames=len(rows),
        first=_moment(rows["start"], min),
        last=_moment(rows["start"], max),
        states=_count(np.asarray(rows["heater_state"]), tuple(HEATER_STATES)),
        clock=night.clocks.get(name),
    )


def _moment(start: Time, which: Callable[[list[float]], float]) -> str | None:
    """The first or last time known, ISO 8601; None where none is."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ErfaWarning)  # a clock that is decades out
        known = np.ma.compressed(np.ma.asarray(start.unix)).tolist()
        return str(Time(which(known), format="unix", precision=3).isot) if known else None


def _groups(table: Table) -> list[str]:
    """Names of the groups with a graded frame, sorted."""
    return sorted({str(row["group"]) for row in table if row["grade"]})


def _heater(trace: HeaterTrace | None, log: str) -> HeaterSummary:
    if trace is None:
        return HeaterSummary(log=log)
    return HeaterSummary(log=log, source=trace.source, steps=_steps(trace), notes=trace.notes)


def _steps(trace: HeaterTrace) -> tuple[HeaterStep, ...]:
    def text(edge: float) -> str | None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ErfaWarning)  # a clock that is decades out
            return Time(edge, format="unix").isot + "Z" if np.isfinite(edge) else None

    edges = [text(edge) for edge in trace.edges]
    return tuple(
        HeaterStep(start=start, stop=stop, power=float(power))
        for start, stop, power in zip(edges[:-1], edges[1:], trace.power, strict=True)
    )


def _count(values: np.ndarray, names: tuple[str, ...]) -> dict[str, int]:
    return {name: int(np.sum(values == name)) for name in names}


def _selection(table: Table, name: str, settings: Settings) -> dict[str, Any]:
    """Fields of a group: what its sets hold, and what more frames would bring."""
    points = settings.zero_points()
    filter_name = str(table["filter"][int(np.flatnonzero(table["group"] == name)[0])])
    chosen = report_selection(
        table, name, zero_point=points.get(filter_name, points.get("", np.nan))
    )
    return {
        "sharp": chosen.sharp,
        "deep": chosen.deep,
        "trade_off": rows_as(TradeOffPoint, chosen.curve),
        "advice": chosen.sentences,
    }


def _group(night: SortedNight, name: str) -> GroupSummary:
    here = np.flatnonzero(night.table["group"] == name)
    rows = night.table[here]
    light = average_light_by_angle([night.qualities[row] for row in here], rows["heater_state"])
    return GroupSummary(
        label=name,
        target=target_of(night.table, int(here[0])),
        filter=str(rows["filter"][0]),
        exposure=float(np.median(column_values(rows, "exposure"))),
        frames=len(rows),
        states=_count(np.asarray(rows["heater_state"]), tuple(HEATER_STATES)),
        grades=_count(np.asarray(rows["grade"]), ("sharp", "usable", "poor")),
        light_by_angle={state: list(map(float, values)) for state, values in light.items()},
        **_selection(night.table, name, night.settings),
    )


def _plain_check(check: ReplacementCheck) -> dict[str, Any]:
    """The self-check as plain values: tables as rows, without its pictures and notes."""
    shown = {
        name: value
        for name, value in vars(check).items()
        if name != "notes" and not isinstance(value, np.ndarray)
    }
    return {
        name: [dict(zip(value.colnames, row, strict=True)) for row in value.iterrows()]
        if isinstance(value, Table)
        else value
        for name, value in shown.items()
    }
