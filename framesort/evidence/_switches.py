"""Heater states from the stars alone."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import ArrayLike, NDArray

from framesort.evidence._mixture import States, add_state, fit_states
from framesort.evidence._series import make_series
from framesort.evidence._verdict import find_hidden_heat, find_progress, judge_states

__all__ = ["StarStates", "describe_switches", "sort_states"]

Floats = NDArray[np.float64]

_FEWEST = 8
"""Minimum number of frames for a result."""

_SURE = 0.9
"""Minimum probability of a state."""

_CONSTANT = 5.0
"""Significance required of a spike common to all frames of a night."""

_CONTRAST = 1.5
"""Frames, off and heated each, that a group needs for a result of its own."""


@dataclass(frozen=True, kw_only=True)
class StarStates:
    """Heater states estimated from the stars alone, one value per frame.

    Attributes
    ----------
    state : (n,) object ndarray
        "off", "on", "part" or "unknown".
    probability : (n,) float ndarray
        Probability that the frame is heated; NaN where unknown.
    number : (n,) int ndarray
        Number of the state of the Markov chain, 0 the narrowest; -1 where unknown.
    """

    state: NDArray[np.object_]
    probability: Floats
    number: NDArray[np.intp]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Frames with a known state."""
        return np.asarray(self.state != "unknown", dtype=bool)

    @property
    def heated(self) -> NDArray[np.bool_]:
        """Frames that are heated for all or a part of the exposure."""
        return np.isin(self.state, ["on", "part"])


def sort_states(table: Table) -> StarStates:
    """Estimate heater states from FWHM and spike, without a log.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, filter, fwhm, spike_raw, spike_raw_angle; eccentricity and
        elongation_angle where known. The order of rows does not matter.

    Returns
    -------
    StarStates
        "part" is between the two, as when switched during the exposure; frames with invisible heat
        are "off" or "unknown".

    Notes
    -----
    Frames are sorted into up to four states of a hidden Markov chain (`fit_states`). A
    state counts as heated only if against the narrowest state (a) stars are wider, (b) a
    spike at one angle was added, at 5 sigma, (c) both change at once where the
    state begins and ends, and (d) the stars are not merely trailed along that spike. Once
    the heater's spike is known, a weaker one at its angle suffices, at 3 sigma, if the width
    jumps. A jump of the width without a spike can be seeing or weak heat, and where one of (a)
    to (d) fails, seeing, focus, wind or dew are possible causes: such frames stay "unknown".
    So does the whole night if no state is heated, since the heater may have been on or off all
    night. A filter and exposure with frames of one state only is not conclusive by itself: its
    frames have a state only if the frames before and after have the same one.
    """
    n = len(table)
    state = np.full(n, "unknown", dtype=object)
    probability = np.full(n, np.nan)
    number = np.full(n, -1, dtype=np.intp)
    found = StarStates(state=state, probability=probability, number=number)
    series = make_series(table)
    usable = np.isfinite(series.start) & np.isfinite(series.log_fwhm)
    usable &= np.isfinite(series.spike).all(axis=1)
    if usable.sum() < _FEWEST:
        return found
    rows = np.flatnonzero(usable)[np.argsort(series.start[usable], kind="stable")]
    data = np.column_stack([series.log_fwhm, series.spike])[rows]
    hours = series.start[rows] / 3600.0
    states = fit_states(data, hours, series.group[rows])
    verdicts = np.array(judge_states(states, hours, table, rows))
    heated = verdicts == "on"
    if not heated.any():
        return found
    hidden = find_hidden_heat(states, heated)
    if hidden.any():
        states = add_state(states, data, hours, series.group[rows], hidden)
        verdicts = np.array(judge_states(states, hours, table, rows))
        heated = verdicts == "on"
        if not heated.any():
            return found
    on = states.chance[:, heated].sum(axis=1)
    off = states.chance[:, verdicts == "off"].sum(axis=1)
    name = np.where(on > _SURE, "on", np.where(off > _SURE, "off", "unknown")).astype(object)
    name[_between(states, heated, on)] = "part"
    chance = np.where(on + off > 0.5, on / np.maximum(on + off, 1e-12), np.nan)
    blind = _without_contrast(series.group[rows], on, off)
    name[blind], chance[blind] = "unknown", np.nan
    state[rows], probability[rows] = name, chance
    number[rows] = states.chance.argmax(axis=1)
    return found


def describe_switches(table: Table, state: ArrayLike, *, log: bool = False) -> str:
    """Describe the states of `sort_states` in words.

    Parameters
    ----------
    table : `~astropy.table.Table`
        As for `sort_states`.
    state : (n,) array_like of str
        Its result.
    log : bool
        A heater log was given, but it does not cover these frames.

    Returns
    -------
    str
        One to three sentences.
    """
    named = np.asarray(state, dtype=str) != "unknown"
    without = "The heater log does not cover this night" if log else "No heater log"
    series = make_series(table)
    usable = np.isfinite(series.start) & np.isfinite(series.log_fwhm)
    usable &= np.isfinite(series.spike).all(axis=1)
    if usable.sum() < _FEWEST:
        return (
            f"{without}, and only {usable.sum()} frames with a measured FWHM and spike; heater "
            f"states from the stars need at least {_FEWEST}."
        )
    if named.any():
        return (
            f"{without}: the heater state of {named.sum()} of {len(named)} frames is estimated "
            "from the stars; power too low for a spike may appear as off."
        )
    text = (
        f"{without}, and the stars show no switch of the heater: it was off all night or on all "
        "night, or seeing, focus and cloud hide the switch. Give a log of this night, or "
        "--heater 0 if it was off."
    )
    spike = series.spike[usable]
    mean = spike.mean(axis=0)
    strength = float(np.hypot(*mean))
    spread = float(np.std((spike - mean) @ mean / max(strength, 1e-12)))
    if strength > _CONSTANT * spread / np.sqrt(len(spike)) and strength > 2 * spread:
        angle = np.degrees(np.arctan2(mean[1], mean[0])) / 2 % 180
        text += (
            f" All frames have a spike at {angle:.0f} degrees, as from a heater that was never "
            "off or from trails in one direction."
        )
    return text


def _without_contrast(group: NDArray[np.intp], on: Floats, off: Floats) -> NDArray[np.bool_]:
    """Frames of groups with one state only, unless neighbouring frames of other groups agree.

    Level and heat cannot be separated in such a group: a filter may be out of focus as a whole.
    """
    blind = np.zeros(len(group), dtype=bool)
    for g in np.unique(group):
        mine = group == g
        blind[mine] = min(on[mine].sum(), off[mine].sum()) < _CONTRAST
    known = np.flatnonzero(~blind)
    place = np.searchsorted(known, np.arange(len(group)))
    for i in np.flatnonzero(blind):
        if 0 < place[i] < len(known):
            around = on[known[place[i] - 1 : place[i] + 1]]
            blind[i] = not (np.all(around > _SURE) and on[i] > _SURE) and not (
                np.all(around < 1 - _SURE) and off[i] > _SURE
            )
    return blind


def _between(states: States, heated: NDArray[np.bool_], on: Floats) -> NDArray[np.bool_]:
    """Frames at a switch whose stars are between those before and after."""
    part = np.zeros(len(on), dtype=bool)
    best = int(np.flatnonzero(heated)[np.argmax(states.chance[:, heated].sum(axis=0))])
    place = find_progress(states, best)
    for i in range(2, len(on) - 2):
        before, after = place[i - 2 : i].mean(), place[i + 1 : i + 3].mean()
        switch = (on[i - 1] - 0.5) * (on[i + 1] - 0.5) < 0
        low, high = min(before, after), max(before, after)
        if switch and high - low > 0.5:
            part[i] = low + 0.2 * (high - low) < place[i] < low + 0.8 * (high - low)
    return part
