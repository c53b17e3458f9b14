"""Recommendations for the next night, from numbers in the results."""

import math

import numpy as np

from framesort.report._columns import column_texts, column_truths, start_seconds
from framesort.report._phrases import clock_text, listing, name_filter, name_group, plural
from framesort.report._read import GroupResults, Results
from framesort.report._timeline import states_of

__all__ = ["describe_next", "minutes_fainter"]

_NUMBERS_ONLY = ("Stars fainter than", "The background noise of the deep stack")
"""Beginnings of advice that repeats numbers of the table of the sets and asks for no action."""


def minutes_fainter(group: GroupResults) -> float:
    """Additional heater-off minutes for replaced stars one magnitude fainter; NaN if not known.

    From the summary if it has them. Otherwise sky noise is assumed to dominate: S/N grows with
    the square root of time, so one magnitude, a factor of 10^0.4 in flux, takes 10^0.8 = 6.3
    times the exposure.
    """
    if math.isfinite(group.sharp.fainter_minutes):
        return group.sharp.fainter_minutes
    have = 60 * group.sharp.hours
    return (10**0.8 - 1) * have if group.sharp.frames and have > 0 else math.nan


def describe_next(results: Results) -> list[str]:
    """Recommendations: heater power, then heater-off time, then avoidable losses."""
    sentences = [
        *_power(results),
        *_more_time(results),
        *_advice(results),
        *([results.summary.edges] if results.summary.edges else []),
        *_incidents(results),
    ]
    for group in results.groups:
        if sum(group.states.values()) and not group.states.get("off"):
            sentences.append(
                f"Begin with heater-off frames{name_group(group, results)}: this night has none, "
                "so there are no reference frames."
            )
    return list(dict.fromkeys(sentences)) or ["No recommendation follows from this night."]


def _power(results: Results) -> list[str]:
    """The highest acceptable power: one sentence where every group has one."""
    entries = results.summary.highest_acceptable
    names = [name_filter(entry.filter, entry.exposure) for entry in entries]
    powers = [entry.power for entry in entries]
    if len(entries) < 2 or not all(map(math.isfinite, powers)):
        return [
            f"{name}: {entry.sentence}" if len(results.groups) > 1 else entry.sentence
            for name, entry in zip(names, entries, strict=True)
            if entry.sentence
        ]
    limits = listing(f"{n} {p:.0f} %" for n, p in zip(names, powers, strict=True))
    sentences = [
        f"Highest acceptable power: about {min(powers):.0f} %; above it the FWHM grows by more "
        f"than 5 % ({limits})."
    ]
    above = [entry.spike_above for entry in entries]
    below = [entry.spike_below for entry in entries]
    if all(map(math.isfinite, (*above, *below))):
        sentences.append(
            f"The spike appears between {min(above):.0f} and {max(below):.0f} % power."
        )
    return sentences


def _more_time(results: Results) -> list[str]:
    wanted = [(group, minutes_fainter(group)) for group in results.groups]
    parts = [
        f"{minutes:.0f} min{name_group(group, results).replace(' of ', ' in ')}"
        for group, minutes in wanted
        if math.isfinite(minutes)
    ]
    if not parts:
        return []
    return [
        f"Replaced stars one magnitude fainter need additional heater-off time: {listing(parts)}."
    ]


def _advice(results: Results) -> list[str]:
    """Advice of the groups; advice common to several is given once."""
    shared: dict[str, list[str]] = {}
    for group in results.groups:
        for text in group.advice:
            if not text.startswith(_NUMBERS_ONLY):
                shared.setdefault(text, []).append(name_group(group, results).removeprefix(" of "))
    return [f"{listing(names)}: {text}" if any(names) else text for text, names in shared.items()]


def _incidents(results: Results) -> list[str]:
    """Avoidable losses of frames."""
    table = results.table
    reasons = column_texts(table, "reason")
    sentences = []
    parts = int(np.sum((states_of(table) == "part") & ~column_truths(table, "sharp_set")))
    if parts:
        sentences.append(
            f"Switch the heater between exposures: in {plural(parts, 'frame')} the power changed "
            "during the exposure, so they are not in the sharp-star set."
            if parts > 1
            else "Switch the heater between exposures: in 1 frame the power changed during the "
            "exposure, so it is not in the sharp-star set."
        )
    dewy = np.array(["dew" in text.split("; ") for text in reasons], dtype=bool)
    starts = start_seconds(table)[dewy] if len(table) else np.empty(0)
    if np.isfinite(starts).any():
        sentences.append(
            f"Dew formed from about {clock_text(float(np.nanmin(starts)))} UTC with the heater "
            "off: switch the heater on shortly before that time."
        )
    return sentences
