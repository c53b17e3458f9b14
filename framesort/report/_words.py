"""The first answers of the report in plain words, each from numbers in the results."""

import math

import numpy as np

from framesort.records import column_values
from framesort.report._columns import (
    as_dicts,
    as_number,
    as_sentences,
    column_truths,
)
from framesort.report._phrases import (
    format_duration,
    listing,
    name_group,
    percent,
    plural,
)
from framesort.report._read import GroupSummary, Results
from framesort.report._style import STATES
from framesort.report._timeline import states_of

__all__ = ["describe_cost", "describe_frames", "describe_gap"]


def describe_frames(results: Results) -> list[str]:
    """Which frames: how many of each heater state, and what went into the two sets."""
    table = results.table
    if not len(table):
        return ["No frame could be used."]
    states = states_of(table)
    counts = {state: int(np.sum(states == state)) for state in STATES}
    words = {
        "off": "{} with the heater off",
        "part": "{} while it was switched or changed",
        "on": "{} with it on",
        "unknown": "{} in a state that is not known",
    }
    told = listing(words[s].format(n) for s, n in counts.items() if n)
    hours = float(np.nansum(column_values(table, "exposure"))) / 3600
    sentences = list(as_sentences(results.summary.get("contradictions")))
    sentences += [f"{plural(len(table), 'frame')}, {format_duration(hours)} in all: {told}."]
    if {"sharp_set", "deep_set"} <= set(table.colnames):
        parts = []
        for kind in ("sharp", "deep"):
            chosen = column_truths(table, f"{kind}_set")
            long = float(np.nansum(column_values(table, "exposure")[chosen])) / 3600
            parts.append(f"{plural(int(chosen.sum()), 'frame')} ({format_duration(long)})")
        sentences.append(f"The stars come from {parts[0]}, the faint light from {parts[1]}.")
    left = len(as_dicts(results.summary.get("left_out")))
    if left:
        sentences.append(f"{plural(left, 'file')} could not be used; the list is below.")
    return sentences


def _cost_from_response(group: GroupSummary, results: Results) -> str:
    """The highest power that was measured for the group, "" if none."""
    found = [
        entry
        for entry in as_dicts(results.summary.get("response"))
        if str(entry.get("filter", "")) == group.filter
        and not abs(as_number(entry.get("exposure")) - group.exposure) > 0.01 * group.exposure
        and as_number(entry.get("power")) > 0
        and math.isfinite(as_number(entry.get("fwhm_growth")))
    ]
    if not found:
        return ""
    most = max(found, key=lambda entry: as_number(entry.get("power")))
    wider = as_number(most.get("fwhm_growth")) - 1
    line, spike_err = as_number(most.get("line")), as_number(most.get("spike_err"))
    tail = ""
    if math.isfinite(line):
        seen = not math.isfinite(spike_err) or line > 2 * spike_err
        tail = (
            f", and bright stars had {percent(line, spike_err)} of their light in the line"
            if seen
            else ", and no spike stood out from the noise"
        )
    growth = (
        f"{percent(abs(wider), as_number(most.get('fwhm_growth_err')))} "
        f"{'wider' if wider >= 0 else 'narrower'} than with the heater off"
    )
    return (
        f"At {as_number(most.get('power')):.0f} % power, stars{name_group(group, results)} "
        f"were {growth}{tail}."
    )


def _cost_from_table(group: GroupSummary, results: Results) -> str:
    """Median FWHM with the heater on against off, "" if one is missing."""
    fwhm = column_values(results.table, "fwhm")[group.rows]
    states = states_of(results.table)[group.rows]
    with np.errstate(invalid="ignore"):
        off, on = (fwhm[(states == s) & np.isfinite(fwhm)] for s in ("off", "on"))
    if not off.size or not on.size:
        return ""
    a, b = float(np.median(off)), float(np.median(on))
    return (
        f"With the heater on, stars{name_group(group, results)} were {b:.2f} px wide, "
        f"{a:.2f} px with it off (medians)."
    )


def _clocks(results: Results) -> list[str]:
    """What the stars say of a log's clock that is wrong, for each night."""
    nights = [n for n in as_dicts(results.summary.get("nights")) if n.get("clock")]
    told = [(str(n.get("night", "")), n["clock"]) for n in nights]
    told = told or [("", results.summary.get("clock"))]
    return [
        f"{name}: {text}" if name and len(told) > 1 else text
        for name, clock in told
        if isinstance(clock, dict) and clock.get("significant") is True
        for text in as_sentences(clock.get("sentence"))
    ]


def describe_cost(results: Results) -> list[str]:
    """What the heater cost in sharpness, for each group."""
    states = states_of(results.table)
    if not np.isin(states, ["on", "part"]).any():
        known = bool((states == "off").any())
        return [
            "Nothing: the heater was off in every frame."
            if known and not (states == "unknown").any()
            else "That cannot be told: no frame is known to have been taken with the heater on."
        ]
    found = [
        _cost_from_response(group, results) or _cost_from_table(group, results)
        for group in results.groups
    ]
    sentences = [sentence for sentence in found if sentence]
    sentences += _clocks(results)
    return sentences or [
        "That cannot be told: no group has frames both with the heater off and on."
    ]


def describe_gap(results: Results) -> list[str]:
    """What the spike's direction says of its cause, where the night asked for it."""
    sentences: list[str] = []
    for name in ("spike_follows", "gap"):
        told = results.summary.get(name)
        for entry in [told] if isinstance(told, dict) else as_dicts(told):
            sentences += as_sentences(entry.get("sentence"))
    return sentences
