"""Clock of the log against the clock of the camera, from when the stars change."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from framesort.evidence._agreement import count_agreement, score_agreement
from framesort.evidence._energy import Energy
from framesort.evidence._likelihood import (
    measure_scatter,
    piece_gains,
    score_powers,
    split_pieces,
    whiten,
)
from framesort.evidence._series import Series, make_series, take_rows
from framesort.evidence._switches import StarStates, sort_states
from framesort.records import HeaterTrace

__all__ = ["ClockOffset", "estimate_clock_offset"]

Floats = NDArray[np.float64]

_LARGEST = 14 * 3600.0
"""Zones lie within 14 hours of UTC."""

_SEEN = 12.0
"""Log likelihood ratio the heater's effect must reach before a clock can be read off it."""

_RIVAL = 4.5
"""An offset elsewhere whose log likelihood is within this (three sigma) leaves two readings."""

_BORNE = 1.5
"""Gain of log likelihood of the states by the stars from which they bear an offset out: one frame
that the stars show heated while the log says off, or some that are the other way round."""

_LEVEL = 2.5
"""Powers closer than this, in percent, are one level."""

_TRIALS = 60
"""Offsets tried where the states leave many."""

_SPIKE = 8.0
"""A frame so many standard deviations from the median of five is no effect of the heater."""


@dataclass(frozen=True, kw_only=True)
class ClockOffset:
    """What the stars say of the log's clock.

    Attributes
    ----------
    seconds : float
        To be added to the log's times so that they agree with the camera's; NaN if the
        stars do not tell.
    error : float
        One standard deviation; never below the time between frames over the square root
        of twelve and of the number of switches.
    significant : bool
        The offset differs from zero by more than three errors, and no other one fits as well.
    sentence : str
        For the user.
    """

    seconds: float
    error: float
    significant: bool
    sentence: str


@dataclass(frozen=True)
class _Found:
    """An offset that explains the night best, and how well others do."""

    seconds: float
    error: float
    gain: float
    rivals: Floats


def estimate_clock_offset(
    table: Table, trace: HeaterTrace, *, states: StarStates | None = None
) -> ClockOffset:
    """Find the offset of a log's clock at which it explains the stars best.

    For each offset within 14 hours the width and the raw spike of all frames are
    fitted by ``level + drift(t) + a * power + b * power^2``, the power being that of
    the shifted log; the offset of highest likelihood wins, its likelihood over neighbouring
    offsets gives the error. A heater that makes stars narrower is no explanation. The log's
    states are compared with those estimated from the stars. Where they do not bear
    the offset out, or the log knows no other power than on, its powers are not believed: each piece
    of heating has an effect of its own then, and only offsets at which the states agree are
    looked at.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, fwhm; spike_raw and spike_raw_angle where known. The
        spike's excess is not used: it rests on the log that is being questioned.
    trace : HeaterTrace
        The log.
    states : StarStates or None
        What `sort_states` gave for the table; None to ask it.

    Returns
    -------
    ClockOffset
    """
    series = make_series(table)
    good = np.isfinite(series.start) & (series.exposure > 0) & np.isfinite(series.log_fwhm)
    if good.sum() < 6 or len(trace.power) < 2 or not np.isfinite(trace.edges).any():
        return _silent("Too few frames or no switch of the heater: the clocks cannot be compared.")
    rows = np.flatnonzero(good)[np.argsort(series.start[good], kind="stable")]
    rows = rows[~_spikes(take_rows(series, rows))]
    if len(rows) < 6:
        return _silent("Too few steady frames: the clocks cannot be compared.")
    series = take_rows(series, rows)
    states = sort_states(table) if states is None else states
    names, numbers = states.state[rows], states.number[rows]
    step = max(min(_cadence(series), float(np.median(series.exposure))) / 2, 5.0)
    coarse = np.arange(-int(_LARGEST / step), int(_LARGEST / step) + 1).astype(float) * step
    by_power = _search_powers(series, Energy(trace), coarse)
    switched = Energy(trace, switched=True)

    def agreement(offsets: Floats) -> Floats:
        shares = switched.at(series.start, series.exposure, offsets) / 100.0
        return score_agreement(names, shares)

    agree = agreement(coarse)
    if np.ptp(agree) < _BORNE:  # the stars tell no states, or any offset does for them
        return _conclude(by_power, series, borne=False)
    levels = np.unique(np.round(trace.power[trace.power > 0] / _LEVEL))
    if by_power is not None and len(levels) > 1:
        here = agreement(np.array([by_power.seconds, *by_power.rivals]))
        by_power = replace(by_power, rivals=by_power.rivals[here[1:] > agree.max() - _RIVAL])
        trusted = bool(here[0] > agree.max() - _RIVAL)
    else:
        trusted = False
    found = by_power if trusted else _search_states(series, switched, coarse, agreement, numbers)
    if found is None:
        return _conclude(None, series, borne=False)
    after, before = agreement(np.array([found.seconds, 0.0]))
    share, unmoved = (
        switched.at(series.start, series.exposure, s) / 100.0 for s in (found.seconds, 0.0)
    )
    swapped = float(score_agreement(names, 1 - unmoved)[0])  # on and off mixed up in the log
    power = Energy(trace).at(series.start, series.exposure, found.seconds)
    fits = count_agreement(names, share, power).holds
    borne = after - before > _BORNE and after > swapped and fits
    return _conclude(found, series, borne=bool(borne))


def _cadence(series: Series) -> float:
    return float(np.median(np.diff(series.start)))


def _conclude(found: _Found | None, series: Series, *, borne: bool) -> ClockOffset:
    """The offset to tell of; `borne`: the states agree better with it than without."""
    if found is None:
        return _silent("The stars show no change with the heater: the clocks cannot be compared.")
    moved = abs(found.seconds) > 3 * found.error and found.gain > _RIVAL
    moved = moved and abs(found.seconds) <= _LARGEST and not found.rivals.size
    sentence = _tell(found, moved, borne, float(np.median(series.exposure)))
    return ClockOffset(
        seconds=found.seconds, error=found.error, significant=moved and borne, sentence=sentence
    )


def _settle(
    series: Series,
    energy: Energy,
    fine: Floats,
    score: Floats,
    away: tuple[Floats, Floats],
    zero: float,
) -> _Found:
    """Mean, error and rivals from the scores over neighbouring offsets and over all (`away`)."""
    top = float(score.max())
    weight = np.exp(score - top)
    weight /= weight.sum()
    seconds = float(weight @ fine)
    cadence = _cadence(series)
    power = energy.at(series.start, series.exposure, float(fine[np.argmax(score)]))
    switches = int(np.sum(np.abs(np.diff(power)) > 5))
    floor = cadence / np.sqrt(12 * max(switches, 1))
    error = max(float(np.sqrt(weight @ (fine - seconds) ** 2)), float(floor))
    offsets, scores = away
    far = np.abs(offsets - seconds) > max(2 * cadence, 4 * error)
    return _Found(seconds, error, top - zero, offsets[far & (scores > top - _RIVAL)])


def _around(series: Series, best: float, step: float) -> Floats:
    reach = 2 * step + _cadence(series)
    fine: Floats = best + np.arange(-reach, reach, max(step / 20, 1.0))
    return fine[np.abs(fine) <= _LARGEST]


def _search_powers(series: Series, energy: Energy, coarse: Floats) -> _Found | None:
    """The best offset if the log's powers hold; None if the stars show no change with them."""
    score = score_powers(series, whiten(series, []), energy, coarse)
    # Now that the likely offset is known, scatter and drift can be told apart from heat.
    power = energy.at(series.start, series.exposure, float(coarse[np.argmax(score)])) / 100.0
    power = np.nan_to_num(power)[:, None]
    channels = whiten(series, measure_scatter(series, np.hstack([power, power**2])))
    score = score_powers(series, channels, energy, coarse)
    fine = _around(series, float(coarse[np.argmax(score)]), float(coarse[1] - coarse[0]))
    fine_score = score_powers(series, channels, energy, fine)
    if fine_score.max() < _SEEN:
        return None
    zero = float(score_powers(series, channels, energy, np.zeros(1))[0])
    return _settle(series, energy, fine, fine_score, (coarse, score), zero)


def _search_states(
    series: Series,
    switched: Energy,
    coarse: Floats,
    agreement: Callable[[Floats], Floats],
    numbers: NDArray[np.intp],
) -> _Found | None:
    """The best offset if only the log's times hold, among those at which the states agree."""
    alike = (numbers[:, None] == np.unique(numbers)[None, :]).astype(float)
    channels = whiten(series, measure_scatter(series, alike))

    def gains(offsets: Floats, centre: float) -> Floats:
        share = switched.at(series.start, series.exposure, centre) / 100.0
        piece = split_pieces(share, numbers)
        # What states cost keeps heated pieces without an effect from explaining anything.
        return piece_gains(series, channels, switched, offsets, piece) + agreement(offsets)

    agree = agreement(coarse)
    trial = coarse[agree > agree.max() - _RIVAL]
    trial = np.unique(trial[np.linspace(0, len(trial) - 1, min(len(trial), _TRIALS)).astype(int)])
    score = np.array([gains(np.array([offset]), float(offset))[0] for offset in trial])
    best = float(trial[np.argmax(score)])
    fine = _around(series, best, float(coarse[1] - coarse[0]))
    fine_score = gains(fine, best)
    if fine_score.max() < _SEEN:
        return None
    zero = float(gains(np.zeros(1), 0.0)[0])
    return _settle(series, switched, fine, fine_score, (trial, score), zero)


def _silent(sentence: str) -> ClockOffset:
    return ClockOffset(seconds=np.nan, error=np.nan, significant=False, sentence=sentence)


def _spikes(series: Series) -> NDArray[np.bool_]:
    """Single frames that stand out from those before and after: a trail, a satellite, a gust.

    A heater that was on for one frame only is lost with them; it would tell little.
    """
    found = np.zeros(len(series.start), dtype=bool)
    for y in (series.log_fwhm, series.spike[:, 0], series.spike[:, 1]):
        for group in np.unique(series.group):
            rows = np.flatnonzero((series.group == group) & np.isfinite(y))
            if len(rows) < 5:
                continue
            middle = median_filter(y[rows], 5, mode="nearest")
            spread = 1.4826 * np.median(np.abs(np.diff(y[rows]))) / np.sqrt(2)
            found[rows] |= np.abs(y[rows] - middle) > _SPIKE * max(float(spread), 1e-4)
    return found


def _tell(found: _Found, moved: bool, borne: bool, exposure: float) -> str:
    seconds, error, rival = found.seconds, found.error, found.rivals
    where = "behind" if seconds > 0 else "ahead of"
    if rival.size:
        return (
            f"The stars fit the log's clock with {seconds:+.0f} s added, but also with "
            f"{rival[np.argmin(np.abs(rival))]:+.0f} s: the switches of this night do not tell."
        )
    if not moved and abs(seconds) > 3 * error:
        return (
            f"The stars fit the log's clock with {seconds:+.0f} s added hardly better than as it "
            "is: that does not tell which is right."
        )
    if not moved:
        return (
            f"Log and camera agree: the stars place the log's clock at {seconds:+.0f} s, "
            f"give or take {error:.0f} s."
        )
    if not borne:
        return (
            f"Widths and spike would fit the log's clock better with {seconds:+.0f} s added, but "
            "the states that the stars tell by themselves do not bear it out: it is not applied."
        )
    text = (
        f"The log's clock is {abs(seconds):.0f} s {where} the camera's, give or take {error:.0f} s"
    )
    hours = round(seconds / 1800) / 2
    if hours and abs(seconds - 3600 * hours) < max(3 * error, 60.0):
        cause = "summer time" if abs(hours) == 1 else "a zone"
        return f"{text}: {abs(hours):g} h, {cause} that was not told to one of them."
    if abs(seconds - exposure) < max(2 * error, 2.0):
        return f"{text}: one exposure, so the camera seems to stamp the end of the exposure."
    return f"{text}; --clock-offset {seconds:.0f} applies it."
