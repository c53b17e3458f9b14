"""The summary sentences of the report, each from numbers in the results."""

import math

import numpy as np

from framesort.records import ClockOffset, column_values
from framesort.report._columns import column_truths
from framesort.report._phrases import (
    format_duration,
    listing,
    name_group,
    percent,
    plural,
)
from framesort.report._read import GroupResults, Results
from framesort.report._style import STATES
from framesort.report._timeline import states_of

__all__ = ["describe_effect", "describe_frames", "describe_gap"]


def describe_frames(results: Results) -> list[str]:
    """How many frames of each heater state there are, and which set they are in."""
    table = results.table
    if not len(table):
        return ["No frame could be used."]
    states = states_of(table)
    counts = {state: int(np.sum(states == state)) for state in STATES}
    words = {
        "off": "{} with the heater off",
        "part": "{} with a change during the exposure",
        "on": "{} with the heater on",
        "unknown": "{} with unknown heater state",
    }
    parts = listing(words[s].format(n) for s, n in counts.items() if n)
    hours = float(np.nansum(column_values(table, "exposure"))) / 3600
    sentences = [str(note) for note in results.summary.notes if note.severity == "error"]
    sentences += [f"{plural(len(table), 'frame')}, {format_duration(hours)} in total: {parts}."]
    if {"sharp_set", "deep_set"} <= set(table.colnames):
        members = []
        for kind in ("sharp", "deep"):
            chosen = column_truths(table, f"{kind}_set")
            total = float(np.nansum(column_values(table, "exposure")[chosen])) / 3600
            members.append(f"{plural(int(chosen.sum()), 'frame')} ({format_duration(total)})")
        sentences.append(f"Sharp-star set: {members[0]}. Deep-signal set: {members[1]}.")
    left = len(results.summary.left_out)
    if left:
        sentences.append(f"{plural(left, 'file')} could not be used (listed under Reasons).")
    return sentences


def _effect_from_response(group: GroupResults, results: Results) -> str:
    """Effect at the highest power measured for the group, "" if none."""
    found = [
        entry
        for entry in results.summary.response
        if entry.filter == group.filter
        and not abs(entry.exposure - group.exposure) > 0.01 * group.exposure
        and entry.power > 0
        and math.isfinite(entry.fwhm_growth)
    ]
    if not found:
        return ""
    most = max(found, key=lambda entry: entry.power)
    growth = most.fwhm_growth - 1
    spike, spike_err = most.spike, most.spike_err
    tail = ""
    if math.isfinite(spike):
        detected = not math.isfinite(spike_err) or spike > 2 * spike_err
        tail = (
            f"; the spike contains {percent(spike, spike_err)} of the light of bright stars"
            if detected
            else "; no spike is detected"
        )
    size = percent(abs(growth), most.fwhm_growth_err)
    return (
        f"At {most.power:.0f} % power, FWHM{name_group(group, results)} "
        f"is {'up' if growth >= 0 else 'down'} {size} relative to heater off{tail}."
    )


def _effect_from_table(group: GroupResults, results: Results) -> str:
    """Median FWHM with the heater on against off, "" if one is missing."""
    fwhm = column_values(results.table, "fwhm")[group.rows]
    states = states_of(results.table)[group.rows]
    with np.errstate(invalid="ignore"):
        off, on = (fwhm[(states == s) & np.isfinite(fwhm)] for s in ("off", "on"))
    if not off.size or not on.size:
        return ""
    a, b = float(np.median(off)), float(np.median(on))
    return (
        f"Median FWHM{name_group(group, results)}: {b:.2f} px with the heater on, "
        f"{a:.2f} px with the heater off."
    )


def _clocks(results: Results) -> list[str]:
    """Significant offset of the log's clock, as estimated from the stars, for each night."""
    summary = results.summary
    clocks: list[tuple[str, ClockOffset | None]] = []
    clocks += [(night.night, night.clock) for night in summary.nights if night.clock]
    return [
        f"{name}: {clock.sentence}" if name and len(clocks) > 1 else clock.sentence
        for name, clock in clocks or [("", summary.clock)]
        if clock is not None and clock.significant
    ]


def describe_effect(results: Results) -> list[str]:
    """Effect of the heater on FWHM and spike, for each group."""
    states = states_of(results.table)
    if not np.isin(states, ["on", "part"]).any():
        known = bool((states == "off").any())
        return [
            "None: the heater was off in every frame."
            if known and not (states == "unknown").any()
            else "Not measured: no frame is known to have been taken with the heater on."
        ]
    found = [
        _effect_from_response(group, results) or _effect_from_table(group, results)
        for group in results.groups
    ]
    sentences = [sentence for sentence in found if sentence]
    sentences += _clocks(results)
    return sentences or [
        "Not measured: no group has frames both with the heater off and with it on."
    ]


def describe_gap(results: Results) -> list[str]:
    """The direction of the spike compared with its possible causes, where this was analysed."""
    found = (results.summary.spike_follows, results.summary.gap)
    return [entry.sentence for entry in found if entry is not None and entry.sentence]
