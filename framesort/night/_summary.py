"""What night.json holds of a sorted night, for the report and for machines."""

import warnings
from collections.abc import Callable
from dataclasses import asdict
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
from framesort.night._nights import SpikeByNight
from framesort.night._sort import SortedNight
from framesort.night._states import night_rows
from framesort.records import HeaterTrace, column_values
from framesort.replacement import ReplacementCheck
from framesort.selection import report_selection
from framesort.settings import Settings

__all__ = ["add_merged", "note_placed", "summarise_night", "summarise_spike"]

FIELD_FROM = 3
"""Frames that match none of the others from which on they may be another field."""


def summarise_night(night: SortedNight, *, log: str = "") -> dict[str, Any]:
    """The summary of a sorted night as plain values."""
    return {
        "settings": night.settings.as_dict(),
        "heater": {"log": log, **_heater(night)},
        "clock": None if night.clock is None else asdict(night.clock),
        "nights": [_night(night, name) for name in night_rows(night.table) if name],
        **({} if night.line is None else summarise_spike(night.line)),
        "groups": [_group(night, name) for name in _groups(night.table)],
        "response": [] if night.response is None else _rows(night.response.points),
        "response_curve": [] if night.response is None else _rows(night.response.curve),
        "highest_acceptable": []
        if night.response is None
        else _rows(night.response.highest_acceptable),
        "left_out": [{"file": file, "reason": reason} for file, reason in night.left_out],
        "warnings": list(night.warnings),
        "contradictions": list(night.contradictions),
    }


def summarise_spike(line: SpikeByNight) -> dict[str, Any]:
    """How the spike follows nights and flips, and whether a gap explains it."""
    shown: dict[str, Any] = {"spike_follows": None, "gap": None}
    if line.follows.sentence:
        shown["spike_follows"] = asdict(line.follows)
    if line.gap is not None:
        shown["gap"] = asdict(line.gap)
    return shown


def _night(night: SortedNight, name: str) -> dict[str, Any]:
    """One night: its frames, its clock and its spike."""
    rows = night.table[night_rows(night.table)[name]]
    clock = night.clocks.get(name)
    return {
        "night": name,
        "frames": len(rows),
        "first": _moment(rows["start"], min),
        "last": _moment(rows["start"], max),
        "states": _count(np.asarray(rows["heater_state"]), ("off", "part", "on", "unknown")),
        "clock": None if clock is None else asdict(clock),
    }


def _moment(start: Time, which: Callable[[list[float]], float]) -> str | None:
    """The first or last time known, ISO 8601; None where none is."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ErfaWarning)  # a clock that is decades out
        known = np.ma.compressed(np.ma.asarray(start.unix)).tolist()
        return str(Time(which(known), format="unix", precision=3).isot) if known else None


def _groups(table: Table) -> list[str]:
    """Names of the groups with a graded frame, sorted."""
    return sorted({str(row["group"]) for row in table if row["grade"]})


def _rows(table: Table) -> list[dict[str, Any]]:
    return [{name: row[name] for name in table.colnames} for row in table]


def _heater(night: SortedNight) -> dict[str, Any]:
    if night.trace is None:
        return {"source": "stars", "steps": [], "notes": []}
    return {
        "source": night.trace.source,
        "steps": _steps(night.trace),
        "notes": list(night.trace.notes),
    }


def _steps(trace: HeaterTrace) -> list[dict[str, Any]]:
    def text(edge: float) -> str | None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ErfaWarning)  # a clock that is decades out
            return Time(edge, format="unix").isot + "Z" if np.isfinite(edge) else None

    edges = [text(edge) for edge in trace.edges]
    return [
        {"start": start, "stop": stop, "power": float(power)}
        for start, stop, power in zip(edges[:-1], edges[1:], trace.power, strict=True)
    ]


def _count(values: np.ndarray, names: tuple[str, ...]) -> dict[str, int]:
    return {name: int(np.sum(values == name)) for name in names}


def _selection(table: Table, name: str, settings: Settings) -> dict[str, Any]:
    """What the sets of a group hold, and what more frames would bring."""
    points = settings.zero_points()
    filter_name = str(table["filter"][int(np.flatnonzero(table["group"] == name)[0])])
    chosen = report_selection(
        table, name, zero_point=points.get(filter_name, points.get("", np.nan))
    )
    return {
        "sharp": asdict(chosen.sharp),
        "deep": asdict(chosen.deep),
        "trade_off": _rows(chosen.curve),
        "advice": list(chosen.sentences),
    }


def note_placed(summary: dict[str, Any], table: Table, settings: Settings, folder: Path) -> None:
    """Put what registration left of the sets into the summary, and which frames are another field.

    Parameters
    ----------
    summary : dict
        Changed in place.
    table : `~astropy.table.Table`
        With the columns of registration.
    settings : Settings
    folder : path
        Of the results, where the lists of sets stand.
    """
    lost = list_unplaced(table)
    left = placed_only(table)
    for entry in summary["groups"]:
        files = lost.get(entry["label"], [])
        if files:
            entry |= _selection(left, entry["label"], settings)
        kept = entry.get("unmatched_note")
        summary["warnings"] = [note for note in summary["warnings"] if note != kept]
        entry["unmatched"], entry["unmatched_note"] = len(files), ""
        if len(files) >= FIELD_FROM:
            entry["unmatched_note"] = (
                f"{entry['label']}: {len(files)} frames match none of the others (first: "
                f"{Path(files[0]).name}) and are in no set; if they show another field, make it "
                f"with: framesort night @{folder / 'sets' / entry['label']}-unmatched.txt"
            )
            summary["warnings"].append(entry["unmatched_note"])


def _group(night: SortedNight, name: str) -> dict[str, Any]:
    here = np.flatnonzero(night.table["group"] == name)
    rows = night.table[here]
    return {
        "label": name,
        "target": target_of(night.table, int(here[0])),
        "filter": str(rows["filter"][0]),
        "exposure": float(np.median(column_values(rows, "exposure"))),
        "frames": len(rows),
        "states": _count(np.asarray(rows["heater_state"]), ("off", "part", "on", "unknown")),
        "grades": _count(np.asarray(rows["grade"]), ("sharp", "usable", "poor")),
        "light_by_angle": average_light_by_angle(
            [night.qualities[row] for row in here], rows["heater_state"]
        ),
        **_selection(night.table, name, night.settings),
    }


def add_merged(summary: dict[str, Any], group: MergedGroup) -> None:
    """Put what merging gave for a group into the summary."""
    entry = next(entry for entry in summary["groups"] if entry["label"] == group.label)
    # What an earlier merge of this folder said of the group no longer holds.
    kept = [note for note in summary["warnings"] if note not in entry.get("notes", [])]
    summary["warnings"] = [*kept, *(note for note in group.notes if note not in kept)]
    entry["notes"] = list(group.notes)
    if group.replacement is None:
        entry["replaced"] = entry["left"] = None
        return
    reasons = [str(reason) for reason in group.replacement.table["reason"]]
    entry["replaced"] = sum(not reason for reason in reasons)
    entry["left"] = sum(bool(reason) for reason in reasons)
    entry["fwhm"], entry["spike"] = group.fwhm, group.spike
    if group.check is not None:
        entry["check"] = _plain_check(group.check)


def _plain_check(check: ReplacementCheck) -> dict[str, Any]:
    """The self-check as plain values: its worst stars as rows, without its pictures.

    Its notes are warnings already.
    """
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
