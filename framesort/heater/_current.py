"""Supply current of a whole rig to the heater's power."""

import numpy as np
from numpy.typing import NDArray

from framesort.errors import HeaterLogError
from framesort.heater._forms import make_trace, note_gaps
from framesort.heater._label import Labelled, label_steps
from framesort.heater._steps import Step, find_steps
from framesort.records import HeaterTrace, Note

__all__ = ["trace_from_current"]

Floats = NDArray[np.float64]

_SURE = 0.8
"""Probability below which the power of an interval is unknown."""

_FINEST = 1.0
"""Shortest cadence in seconds; faster samples are averaged first."""


def _even_samples(seconds: Floats, current: Floats) -> tuple[Floats, Floats, float]:
    """Medians over at least a second each, their times and their cadence."""
    cadence = float(np.median(np.diff(seconds)))
    block = max(round(_FINEST / cadence), 1) if cadence < _FINEST else 1
    if block > 1:
        n = len(seconds) // block * block
        seconds = seconds[:n].reshape(-1, block).mean(axis=1)
        current = np.median(current[:n].reshape(-1, block), axis=1)
    return seconds, current, cadence * block


def trace_from_current(
    seconds: Floats,
    current: Floats,
    *,
    full_current: float | None,
    max_gap: float | None,
    where: str,
    notes: list[Note],
) -> HeaterTrace:
    """Heater power from the steps of a supply current.

    Parameters
    ----------
    seconds, current : (n,) float ndarray
        Times, increasing, and amperes.
    full_current : float or None
        Amperes of the heater at full power; None: its highest level.
    max_gap : float or None
        As for samples.
    where : str
        For messages.
    notes : list of Note
        What was found; they become the trace's.

    Raises
    ------
    HeaterLogError
        Too few samples, or `full_current` is not above 0.
    """
    if full_current is not None and not full_current > 0:
        raise HeaterLogError(f"full_current must be above 0 amperes, got {full_current}")
    if len(seconds) < 30:
        raise HeaterLogError(
            f"{where}: {len(seconds)} samples of a supply current are too few to find steps in; "
            "name the heater's own column with value_column (--value-column)"
        )
    seconds, current, cadence = _even_samples(seconds, current)
    steps, slews = find_steps(current, cadence=cadence)
    labelled = label_steps(steps, full_current=full_current, cadence=cadence, samples=len(current))
    _describe(steps, len(slews), labelled, full_current, notes)
    power, confidence = _powers(steps, labelled)
    edges = np.array([seconds[0], *((seconds[s.index - 1] + seconds[s.index]) / 2 for s in steps)])
    gaps = _gaps(seconds, cadence, max_gap)
    notes.extend(note_gaps(np.array([end - begin for begin, end in gaps])))
    holes = gaps + _hidden_switches(seconds, steps, labelled, slews)
    edges, power, confidence = _open_holes(holes, edges, power, confidence)
    same = (power[1:] == power[:-1]) | (np.isnan(power[1:]) & np.isnan(power[:-1]))
    first = np.flatnonzero(np.r_[True, ~same])
    # Stretches of one power, parted by another device's step, are as sure as the least sure.
    confidence = np.minimum.reduceat(confidence, first)
    return make_trace((np.r_[edges[first], seconds[-1] + cadence], power[first]), notes, confidence)


def _powers(steps: list[Step], labelled: Labelled) -> tuple[Floats, Floats]:
    """Percent and confidence of each stretch; levels near off and full are off and full."""
    if np.isnan(labelled.level).all():
        return labelled.level.copy(), labelled.confidence.copy()
    power = 100.0 * labelled.level / labelled.full
    error = 100.0 * float(np.median([s.error for s in steps])) / labelled.full
    near = np.maximum(3 * error * np.sqrt(len(steps)), 2.0)
    power[power < near] = 0.0
    power[np.abs(power - 100.0) < near] = 100.0
    power = np.where(labelled.confidence < _SURE, np.nan, np.clip(power, 0.0, 100.0))
    return power, np.where(np.isnan(power), np.nan, labelled.confidence)


def _describe(
    steps: list[Step],
    slews: int,
    labelled: Labelled,
    full_current: float | None,
    notes: list[Note],
) -> None:
    ours = int(labelled.heater.sum())
    if ours == 0:
        text = (
            f"None of the {len(steps)} steps of the supply current can be attributed to the "
            "heater: its power is unknown. Give full_current, or a log of the heater itself."
        )
        notes.append(Note("current ambiguous", text))
        return
    others = ", ".join(
        f"{s.height:+.2f} A" for s, mine in zip(steps, labelled.heater, strict=True) if not mine
    )
    text = f"{ours} of {len(steps)} steps of the supply current are the heater's" + (
        f"; of another device, such as a cooler: {others}." if others else "."
    )
    notes.append(Note("log interpreted", text))
    if slews:
        text = f"{slews} excursions of up to 150 s were treated as slews."
        notes.append(Note("log interpreted", text))
    if full_current is None:
        text = (
            f"The highest heater level, {labelled.full:.2f} A, is assumed to be full power; "
            "otherwise give full_current (--full-current)."
        )
        notes.append(Note("log assumption", text))
    notes.append(Note("log assumption", "The lowest heater level in the log is assumed to be off."))
    ambiguous = int(np.sum(labelled.confidence < _SURE))
    if ambiguous:
        text = (
            f"The steps are ambiguous in {ambiguous} of {len(labelled.level)} intervals: the power "
            "there is unknown."
        )
        notes.append(Note("current ambiguous", text))


def _gaps(seconds: Floats, cadence: float, max_gap: float | None) -> list[tuple[float, float]]:
    """Begin and end of the gaps of the log."""
    limit = max(60.0, 5 * cadence) if max_gap is None else max_gap
    gaps = np.diff(seconds)
    return [
        (float(seconds[i] + min(cadence, gaps[i] / 2)), float(seconds[i + 1]))
        for i in np.flatnonzero(gaps > limit)
    ]


def _hidden_switches(
    seconds: Floats, steps: list[Step], labelled: Labelled, slews: list[tuple[int, int]]
) -> list[tuple[float, float]]:
    """Slews during which the heater was switched: it is not known when."""
    ours = [s.index for s, mine in zip(steps, labelled.heater, strict=True) if mine]
    return [
        (float(seconds[begin]), float(seconds[min(end, len(seconds) - 1)]))
        for begin, end in slews
        if any(begin <= index <= end for index in ours)
    ]


def _open_holes(
    holes: list[tuple[float, float]], edges: Floats, power: Floats, confidence: Floats
) -> tuple[Floats, Floats, Floats]:
    """Make the power unknown in holes; `edges` are the starts of the stretches."""
    for begin, end in holes:
        inside = (edges >= begin) & (edges < end)
        last = int(np.searchsorted(edges, end, side="right")) - 1
        resumed = (power[last], confidence[last])
        keep = ~inside & (edges != end)
        edges = np.r_[edges[keep], begin, end]
        power = np.r_[power[keep], np.nan, resumed[0]]
        confidence = np.r_[confidence[keep], np.nan, resumed[1]]
        order = np.argsort(edges, kind="stable")
        edges, power, confidence = edges[order], power[order], confidence[order]
    return edges, power, confidence
