"""Heater states from the stars alone."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence._mixture import States, fit_states
from framesort.evidence._series import make_series
from framesort.records import column_values

__all__ = ["find_switches"]

Floats = NDArray[np.float64]

_FEWEST = 8
"""Frames below which nothing is said."""

_SURE = 0.9
"""Chance a state must have to be named."""

_WIDER = 0.04
"""Least growth of log FWHM that is taken for the heater's."""

_MILD = 1 / 3
"""A state without a line that is wider by less than this share of the least heated one is off."""

_SIGMAS = 5.0
"""Significance that the added line must reach."""

_INFLATE = 3.0
"""Frames of a night are not independent: so many count as one when means are compared."""

_SUDDEN = 0.5
"""Share of the line's change that must happen from some frames to the next."""

_ALIKE = 0.7
"""Cosine, in double angle, above which two lines are one: within 22 degrees."""

_BESIDE = 4
"""So many frames on either side of a turn."""


def find_switches(table: Table) -> tuple[NDArray[np.object_], Floats]:
    """Tell heater states from FWHM and line of light together, without a log.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, filter, fwhm, line_raw, line_raw_angle; eccentricity and
        elongation_angle where known. The order of rows does not matter.

    Returns
    -------
    state : (n,) object ndarray
        "off", "on", "part" (a frame between the two, as when switched within the exposure) or
        "unknown". Frames heated too little to show are "off" or "unknown".
    probability : (n,) float ndarray
        Chance that the frame is heated; NaN where nothing can be said.

    Notes
    -----
    Frames are sorted into up to four states of a hidden Markov chain (`fit_states`). A
    state counts as heated only if against the narrowest state (a) stars are wider, (b) a
    line of light at one angle was added, at 5 sigma, (c) both change at once where the
    state begins and ends, and (d) the stars are not merely trailed along that line. Where
    one of these fails seeing, focus, wind or dew explain the frames as well, and they stay
    "unknown"; so does the whole night if no state is heated, as the heater may have been on
    or off all night.
    """
    n = len(table)
    state = np.full(n, "unknown", dtype=object)
    probability = np.full(n, np.nan)
    series = make_series(table)
    usable = np.isfinite(series.start) & np.isfinite(series.log_fwhm)
    has_line = np.isfinite(series.line).all(axis=1)
    usable &= has_line
    if usable.sum() < _FEWEST:
        return state, probability
    rows = np.flatnonzero(usable)[np.argsort(series.start[usable], kind="stable")]
    data = np.column_stack([series.log_fwhm, series.line])[rows]
    states = fit_states(data, series.start[rows] / 3600.0, series.group[rows])
    heated = _heated_states(states, table, rows)
    if not heated.any():
        return state, probability
    on = states.chance[:, heated].sum(axis=1)
    off = states.chance[:, _unheated_states(states, heated)].sum(axis=1)
    name = np.where(on > _SURE, "on", np.where(off > _SURE, "off", "unknown")).astype(object)
    name[_between(states, heated, on)] = "part"
    state[rows], probability[rows] = name, on
    return state, probability


def _heated_states(states: States, table: Table, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Which states can only be the heater's."""
    mass = states.chance.sum(axis=0)
    heated = np.zeros(len(mass), dtype=bool)
    if mass[0] < 3:
        return heated
    lit = np.zeros(len(mass), dtype=bool)
    for k in range(1, len(mass)):
        step = states.mean[k] - states.mean[0]
        error = states.scatter[1:, 1:] * _INFLATE * (1 / mass[0] + 1 / max(mass[k], 1e-9))
        line = float(step[1:] @ np.linalg.solve(error, step[1:]))
        lit[k] = mass[k] >= 3 and line > _SIGMAS**2 and step[0] > _WIDER
    lines = states.mean[:, 1:] - states.mean[0, 1:]
    jumps = {}
    for k in np.flatnonzero(lit).tolist():
        if not _is_trailing(states, k, table, rows):
            jumps[k] = _find_jumps(states, k, lit)
            heated[k] = all(jumps[k])
    # Once the heater's line is known a weaker one at its angle need not stand out in single
    # frames where the state begins: the width's jump does.
    for k in jumps:
        alike = [
            lines[k] @ lines[h] > _ALIKE * np.hypot(*lines[k]) * np.hypot(*lines[h])
            for h in np.flatnonzero(heated)
        ]
        heated[k] |= any(alike) and jumps[k][1]
    return heated


def _unheated_states(states: States, heated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """State 0, and those hardly wider: drift of seeing, or heat too little to matter."""
    growth = states.mean[:, 0] - states.mean[0, 0]
    return ~heated & (growth < growth[heated].min() * _MILD)


def _progress(states: States, k: int, *, line_only: bool = False) -> Floats:
    """Place of each frame between state 0 (0) and state k (1), along what tells them apart."""
    use = slice(1, None) if line_only else slice(None)
    step = (states.mean[k] - states.mean[0])[use]
    direction = np.linalg.solve(states.scatter[use, use], step)
    return np.asarray((states.data - states.mean[0])[:, use] @ direction / (step @ direction))


def _find_jumps(states: States, k: int, lit: NDArray[np.bool_]) -> tuple[bool, bool]:
    """Whether the line and whether the width change at once where the state begins and ends.

    Turns between two states that both have the line, of two powers, are passed over.
    """
    label = states.chance.argmax(axis=1)
    inside = label == k
    place = _progress(states, k, line_only=True)
    width = states.data[:, 0]
    line_jumps, width_jumps = [], []
    for i in np.flatnonzero(np.diff(inside.astype(int))) + 1:
        if lit[label[i]] and lit[label[i - 1]]:
            continue
        sign = 1 if inside[i] else -1
        after, before = slice(i, i + _BESIDE), slice(max(i - _BESIDE, 0), i)
        line_jumps.append(sign * (np.median(place[after]) - np.median(place[before])))
        width_jumps.append(sign * (np.median(width[after]) - np.median(width[before])))
    if not line_jumps:
        # A state reached only through another lit one stands or falls with that.
        through = bool(np.any(lit & (np.arange(len(lit)) != k)))
        return through, through
    # Medians of a few frames on either side: pi/2 times the variance of their means.
    noise = np.sqrt(states.scatter[0, 0] * np.pi / _BESIDE / len(width_jumps))
    wider = np.median(width_jumps) > max(_WIDER / 2, 2 * noise)
    return bool(np.median(line_jumps) >= _SUDDEN), bool(wider)


def _is_trailing(states: States, k: int, table: Table, rows: NDArray[np.intp]) -> bool:
    """True if stars are longer along the added line: a trail makes a line as well."""
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
    line = states.mean[k, 1:] - states.mean[0, 1:]
    along = float((now - before) @ line / max(np.hypot(*line), 1e-12))
    # Stars must be longer than before, not rounder: heat rounds stars that were trailed across
    # the line. A flattening of 0.08 more is a trail one can see; the line itself, a few
    # percent of the light, flattens stars by less.
    longer = np.hypot(*now) > np.hypot(*before) + 0.08
    return bool(longer and along > 0.9 * np.hypot(*(now - before)))


def _between(states: States, heated: NDArray[np.bool_], on: Floats) -> NDArray[np.bool_]:
    """Frames at a switch whose stars are between those before and after."""
    part = np.zeros(len(on), dtype=bool)
    best = int(np.flatnonzero(heated)[np.argmax(states.chance[:, heated].sum(axis=0))])
    place = _progress(states, best)
    for i in range(2, len(on) - 2):
        before, after = place[i - 2 : i].mean(), place[i + 1 : i + 3].mean()
        switch = (on[i - 1] - 0.5) * (on[i + 1] - 0.5) < 0
        low, high = min(before, after), max(before, after)
        if switch and high - low > 0.5:
            part[i] = low + 0.2 * (high - low) < place[i] < low + 0.8 * (high - low)
    return part
