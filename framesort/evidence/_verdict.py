"""Whether each state of a night is heated, unheated, or unknown."""

from typing import Literal

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence._mixture import States
from framesort.records import column_values, step_noise

__all__ = ["Verdict", "find_hidden_heat", "find_progress", "judge_states"]

Floats = NDArray[np.float64]
Verdict = Literal["on", "off", "unknown"]

_FEWEST = 8
"""Frames with a known shape needed to identify a trail."""

_WIDER = 0.04
"""Minimum growth of log FWHM attributed to the heater."""

_SIGMAS = 5.0
"""Significance required of an added spike while no spike of the heater is known."""

_AGAIN = 3.0
"""The same along the known angle of the heater's spike."""

_SAME_ANGLE = 0.7
"""Cosine, in double angle, above which two spikes have the same angle: within 22 degrees."""

_APART = 4.0
"""Standard errors by which two parts of a run may differ in their spike, for any division."""

_INFLATE = 3.0
"""Correlated frames that count as one independent frame when means are compared."""

_SUDDEN = 0.5
"""Share of the spike's change that must happen at the switch."""

_BESIDE = 4
"""Frames on either side of a switch."""

_WANDER = 0.06
"""Typical drift of log FWHM over an hour, from seeing and focus (common practice)."""


def judge_states(
    states: States, hours: Floats, table: Table, rows: NDArray[np.intp]
) -> list[Verdict]:
    """Whether each state is heated.

    A state is heated if it has an additional spike relative to state 0 and both the spike and the
    width change together where the state begins and ends. Once such a spike is known, a weaker
    one at its angle suffices, if the width jumps. A jump of the width without a spike is weak heat
    or seeing: unknown. A drift of the width is not the heater.

    Parameters
    ----------
    states : States
        From `fit_states`.
    hours : (n,) float ndarray
        Times of the frames, increasing.
    table : `~astropy.table.Table`
        Table of the night, for the shapes of its stars.
    rows : (n,) int ndarray
        Its rows, in order of `hours`.

    Returns
    -------
    list of str
        "on", "off" or "unknown" for each state; all "unknown" if none is heated.
    """
    count = states.chance.shape[1]
    verdicts: list[Verdict] = ["unknown"] * count
    heated = _find_heated(states, table, rows)
    if not heated.any():
        return verdicts
    mass = states.chance.sum(axis=0)
    spikes = states.mean[:, 1:] - states.mean[0, 1:]
    ours = (spikes * (mass * heated)[:, None]).sum(axis=0)
    ours /= np.hypot(*ours)
    across = float(ours @ states.scatter[1:, 1:] @ ours)
    along = (spikes @ ours) / np.sqrt(across * (1 / mass[0] + 1 / np.maximum(mass, 1e-9)))
    verdicts[0] = "off"
    # The strongest first: a switch to a state known to be heated carries no information.
    for k in np.argsort(-along, kind="stable").tolist():
        if k == 0:
            continue
        if not heated[k]:
            verdicts[k] = _judge_state(states, k, float(along[k]), ours, heated, hours)
            if verdicts[k] != "off" and _is_trailing(states, k, table, rows):
                verdicts[k] = "unknown"
        else:
            verdicts[k] = "on"
        heated[k] = verdicts[k] == "on"
    return verdicts


def _judge_state(
    states: States,
    k: int,
    along: float,
    ours: Floats,
    heated: NDArray[np.bool_],
    hours: Floats,
) -> Verdict:
    """Judge a state that is not heated by itself, with the heater's spike known.

    `along` is the significance of its spike along that of the heater, the unit vector `ours`.
    """
    spike = states.mean[k, 1:] - states.mean[0, 1:]
    growth = float(states.mean[k, 0] - states.mean[0, 0])
    same_angle = float(spike @ ours) > _SAME_ANGLE * float(np.hypot(*spike))
    if same_angle and along > 2 * _SIGMAS and growth > _WIDER:
        return "on"
    jumps = _find_jumps(states, k, heated)[1]
    if along > _AGAIN and growth > _WIDER / 2 and jumps is not False:
        return "unknown" if _comes_later(states, k, ours) else "on"
    if jumps or along > _AGAIN or growth >= _usual_drift(states, k, hours):
        return "unknown"
    return "off"


def find_hidden_heat(states: States, heated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Consecutive frames classified as unheated that have the heater's spike.

    Weak heat widens stars by little, so the frames join those of state 0. The run of four frames
    or more whose mean spike along the heater's exceeds that of the others most is hidden heat, if
    by 5 sigma and with wider stars.

    Returns
    -------
    (n,) bool ndarray
        All False if there is no such run.
    """
    mass = states.chance.sum(axis=0)
    spikes = states.mean[:, 1:] - states.mean[0, 1:]
    ours = (spikes * (mass * heated)[:, None]).sum(axis=0)
    rows = np.flatnonzero(states.chance.argmax(axis=1) == 0)
    n = len(rows)
    found = np.zeros(len(states.data), dtype=bool)
    if n < 2 * _BESIDE:
        return found
    light = states.data[rows, 1:] @ ours / np.hypot(*ours)
    noise = step_noise(light)
    # Sums above the mean: of a run of m of n frames its height over the others' is
    # sum / sqrt(m (n - m) / n) noises.
    total = np.r_[0.0, np.cumsum(light - light.mean())]
    height, begin, inside = -np.inf, 0, 0
    for size in range(_BESIDE, n - _BESIDE + 1):
        parts = total[size:] - total[:-size]
        at = int(np.argmax(parts))
        high = float(parts[at]) / np.sqrt(size * (n - size) / n)
        if high > height:
            height, begin, inside = high, at, size
    height /= max(noise, 1e-9)
    stretch = np.zeros(n, dtype=bool)
    stretch[begin : begin + inside] = True
    width = states.data[rows, 0]
    wider = float(np.median(width[stretch]) - np.median(width[~stretch]))
    if height > _SIGMAS and wider > _WIDER / 2:
        found[rows[stretch]] = True
    return found


def _usual_drift(states: States, k: int, hours: Floats) -> float:
    """Twice the typical growth by seeing and focus since the nearest frames of state 0."""
    label = states.chance.argmax(axis=1)
    here, base = hours[label == k], hours[label == 0]
    if not here.size or not base.size:
        return 0.0
    after = np.searchsorted(base, here)
    apart = np.minimum(
        np.abs(here - base[np.maximum(after - 1, 0)]),
        np.abs(here - base[np.minimum(after, len(base) - 1)]),
    )
    return float(2 * _WANDER * np.sqrt(np.median(apart))) + _WIDER / 2


def _comes_later(states: States, k: int, ours: Floats) -> bool:
    """True if only a part of a run of the state has the spike: the rest is seeing."""
    label = states.chance.argmax(axis=1) == k
    light = states.data[:, 1:] @ ours
    noise = np.sqrt(ours @ states.scatter[1:, 1:] @ ours)
    edges = np.flatnonzero(np.diff(np.r_[False, label, False].astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        total = np.cumsum(light[begin:end])
        first = np.arange(2, end - begin - 1)
        second = end - begin - first
        apart = (total[-1] - total[first - 1]) / second - total[first - 1] / first
        if np.any(np.abs(apart) > _APART * noise * np.sqrt(1 / first + 1 / second)):
            return True
    return False


def _find_heated(states: States, table: Table, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """States that are heated, each judged by itself."""
    mass = states.chance.sum(axis=0)
    heated = np.zeros(len(mass), dtype=bool)
    if mass[0] < 3:
        return heated
    lit = np.zeros(len(mass), dtype=bool)
    for k in range(1, len(mass)):
        step = states.mean[k] - states.mean[0]
        error = states.scatter[1:, 1:] * _INFLATE * (1 / mass[0] + 1 / max(mass[k], 1e-9))
        spike = float(step[1:] @ np.linalg.solve(error, step[1:]))
        lit[k] = mass[k] >= 3 and spike > _SIGMAS**2 and step[0] > _WIDER
    for k in np.flatnonzero(lit).tolist():
        if not _is_trailing(states, k, table, rows):
            jumps = _find_jumps(states, k, lit)
            # A state reached only through another one with a spike depends on that one.
            through = bool(np.any(lit & (np.arange(len(lit)) != k)))
            heated[k] = through if jumps[0] is None else bool(jumps[0] and jumps[1])
    return heated


def find_progress(states: States, k: int, *, spike_only: bool = False) -> Floats:
    """Position of each frame between state 0 (0) and state k (1) along their discriminant."""
    use = slice(1, None) if spike_only else slice(None)
    step = (states.mean[k] - states.mean[0])[use]
    direction = np.linalg.solve(states.scatter[use, use], step)
    return np.asarray((states.data - states.mean[0])[:, use] @ direction / (step @ direction))


def _find_jumps(states: States, k: int, lit: NDArray[np.bool_]) -> tuple[bool | None, bool | None]:
    """Whether the spike and whether the width jump where the state begins and ends.

    Switches between the state and another one with a spike, of another power, are ignored; None if
    there is no other switch.
    """
    label = states.chance.argmax(axis=1)
    inside = label == k
    place = find_progress(states, k, spike_only=True)
    width = states.data[:, 0]
    spike_jumps, width_jumps = [], []
    for i in np.flatnonzero(np.diff(inside.astype(int))) + 1:
        if lit[label[i] if label[i] != k else label[i - 1]]:
            continue
        sign = 1 if inside[i] else -1
        after, before = slice(i, i + _BESIDE), slice(max(i - _BESIDE, 0), i)
        spike_jumps.append(sign * (np.median(place[after]) - np.median(place[before])))
        width_jumps.append(sign * (np.median(width[after]) - np.median(width[before])))
    if not spike_jumps:
        return None, None
    # Medians of a few frames on either side: pi/2 times the variance of their means.
    noise = np.sqrt(states.scatter[0, 0] * np.pi / _BESIDE / len(width_jumps))
    wider = np.median(width_jumps) > max(_WIDER / 2, 2 * noise)
    return bool(np.median(spike_jumps) >= _SUDDEN), bool(wider)


def _is_trailing(states: States, k: int, table: Table, rows: NDArray[np.intp]) -> bool:
    """True if stars are elongated along the added spike: a trail also appears as a spike."""
    shape = column_values(table, "eccentricity")[rows]
    axis = 2 * np.radians(column_values(table, "elongation_angle")[rows])
    b_over_a = np.sqrt(np.clip(1 - shape**2, 0, 1))
    flat = (1 - b_over_a)[:, None] * np.column_stack([np.cos(axis), np.sin(axis)])
    known = np.isfinite(flat).all(axis=1)
    if known.sum() < _FEWEST:
        return False
    label = states.chance.argmax(axis=1)
    here, base = known & (label == k), known & (label == 0)
    if not here.any() or not base.any():
        return False
    now, before = np.median(flat[here], axis=0), np.median(flat[base], axis=0)
    spike = states.mean[k, 1:] - states.mean[0, 1:]
    along = float((now - before) @ spike / max(np.hypot(*spike), 1e-12))
    # Stars must be more elongated than before: heat makes stars trailed across the spike rounder.
    # An additional flattening of 0.08 is a visible trail; the spike itself, a few percent of the
    # light, flattens stars by less.
    longer = np.hypot(*now) > np.hypot(*before) + 0.08
    return bool(longer and along > 0.9 * np.hypot(*(now - before)))
