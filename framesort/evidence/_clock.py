"""Offset between the clocks of log and camera, from the times at which the stars change."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from framesort.evidence._agreement import count_agreement, score_agreement
from framesort.evidence._energy import Energy
from framesort.evidence._likelihood import (
    Channel,
    measure_scatter,
    piece_gains,
    score_powers,
    split_pieces,
    whiten,
)
from framesort.evidence._series import Series, make_series, pool_frames, take_rows
from framesort.evidence._switches import StarStates, sort_states
from framesort.records import ClockOffset, HeaterTrace, step_noise

__all__ = ["estimate_clock_offset"]

Floats = NDArray[np.float64]

_LARGEST = 14 * 3600.0
"""Time zones lie within 14 hours of UTC."""

_SEEN = 12.0
"""Minimum log likelihood ratio of the heater's effect for an estimate of the offset."""

_RIVAL = 4.5
"""Another offset whose log likelihood is within this (three sigma) makes the result ambiguous."""

_MARGIN = 4 * _RIVAL
"""Offsets whose log likelihood by the means is within this are tried with all frames."""

_CONFIRMED = 1.5
"""Gain of log likelihood of the states from the stars that confirms an offset: one frame that
appears heated and is off in the log, or several of the opposite kind."""

_LEVEL = 2.5
"""Powers closer than this, in percent, are one level."""

_TRIALS = 60
"""Offsets tried where many agree with the states."""

_OUTLIER = 8.0
"""Standard deviations from the median of five frames beyond which a frame is an outlier."""


_INTERVAL = 60.0
"""Seconds: of shorter exposures the means are taken to search all offsets, which would otherwise
take a time that grows with the square of the number of frames."""

_BLOCK = 512
"""Offsets processed at once, to limit the memory."""


@dataclass(frozen=True)
class _Found:
    """The best offset and rivals of similar likelihood."""

    seconds: float
    error: float
    gain: float
    rivals: Floats


def estimate_clock_offset(
    table: Table, trace: HeaterTrace, *, states: StarStates | None = None
) -> ClockOffset:
    """Estimate the offset of a log's clock from the stars.

    For each offset within 14 hours the width and the raw spike of all frames are
    fitted by ``level + drift(t) + a * power + b * power^2`` with the power of the shifted log.
    The offset of highest likelihood is the result, and the likelihood of neighbouring offsets
    gives the error. The heater cannot make stars narrower. The states of the log are then
    compared with those estimated from the stars. If these do not confirm the offset, or the log
    has only one power, its powers are not used: each heated interval then has its own effect, and
    only offsets at which the states agree are tried.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, fwhm; spike_raw and spike_raw_angle where known. The
        excess of the spike is not used, since it depends on the log.
    trace : HeaterTrace
        The log.
    states : StarStates or None
        From `sort_states` for the table; None to compute them.

    Returns
    -------
    ClockOffset
    """
    series = make_series(table)
    good = np.isfinite(series.start) & (series.exposure > 0) & np.isfinite(series.log_fwhm)
    if good.sum() < 6 or len(trace.power) < 2 or not np.isfinite(trace.edges).any():
        return _unknown("Clock offset not measured: too few frames or no switch of the heater.")
    rows = np.flatnonzero(good)[np.argsort(series.start[good], kind="stable")]
    rows = rows[~_find_outliers(take_rows(series, rows))]
    if len(rows) < 6:
        return _unknown("Clock offset not measured: too few frames without outliers.")
    series = take_rows(series, rows)
    states = sort_states(table) if states is None else states
    names, numbers = states.state[rows], states.number[rows]
    pooled, counts = pool_frames(series, _INTERVAL)
    step = max(min(_cadence(pooled), float(np.median(pooled.exposure))) / 2, 5.0)
    coarse = np.arange(-int(_LARGEST / step), int(_LARGEST / step) + 1).astype(float) * step
    by_power = _search_powers(series, pooled, counts, Energy(trace), coarse)
    switched = Energy(trace, switched=True)

    def agreement(offsets: Floats) -> Floats:
        parts = np.array_split(offsets, np.arange(_BLOCK, len(offsets), _BLOCK))
        return np.concatenate([
            score_agreement(names, switched.at(series.start, series.exposure, part) / 100.0)
            for part in parts
        ])  # fmt: skip

    agree = agreement(coarse)
    if np.ptp(agree) < _CONFIRMED:  # no states from the stars, or all offsets agree with them
        return _conclude(by_power, series, confirmed=False)
    levels = np.unique(np.round(trace.power[trace.power > 0] / _LEVEL))
    if by_power is not None and len(levels) > 1:
        here = agreement(np.array([by_power.seconds, *by_power.rivals]))
        by_power = replace(by_power, rivals=by_power.rivals[here[1:] > agree.max() - _RIVAL])
        trusted = bool(here[0] > agree.max() - _RIVAL)
    else:
        trusted = False
    found = by_power if trusted else _search_states(series, switched, coarse, agreement, numbers)
    if found is None:
        return _conclude(None, series, confirmed=False)
    after, before = agreement(np.array([found.seconds, 0.0]))
    share, unmoved = (
        switched.at(series.start, series.exposure, s) / 100.0 for s in (found.seconds, 0.0)
    )
    swapped = float(score_agreement(names, 1 - unmoved)[0])  # on and off swapped in the log
    power = Energy(trace).at(series.start, series.exposure, found.seconds)
    fits = count_agreement(names, share, power).holds
    confirmed = after - before > _CONFIRMED and after > swapped and fits
    return _conclude(found, series, confirmed=bool(confirmed))


def _cadence(series: Series) -> float:
    return float(np.median(np.diff(series.start)))


def _conclude(found: _Found | None, series: Series, *, confirmed: bool) -> ClockOffset:
    """The result; `confirmed`: the states agree better with the offset than without."""
    if found is None:
        return _unknown("Clock offset not measured: the stars show no change with the heater.")
    moved = abs(found.seconds) > 3 * found.error and found.gain > _RIVAL
    moved = moved and abs(found.seconds) <= _LARGEST and not found.rivals.size
    sentence = _describe(found, moved, confirmed, float(np.median(series.exposure)))
    return ClockOffset(
        seconds=found.seconds,
        error=found.error,
        significant=moved and confirmed,
        sentence=sentence,
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


def _search_powers(
    series: Series, pooled: Series, counts: Floats, energy: Energy, coarse: Floats
) -> _Found | None:
    """The best offset if the log's powers are right; None if the stars show no change with them.

    All offsets are tried on `pooled`, from `pool_frames`, the likely ones on all frames.
    """
    step = coarse[1] - coarse[0]
    score = score_powers(pooled, whiten(pooled, []), energy, coarse, counts)
    # With the likely offset known, scatter and drift can be separated from heat.
    likely = float(coarse[np.argmax(score)])

    def separate(series: Series) -> list[Channel]:
        power = np.nan_to_num(energy.at(series.start, series.exposure, likely))[:, None] / 100.0
        return whiten(series, measure_scatter(series, np.hstack([power, power**2])))

    channels = separate(series)
    same = pooled is series
    score = score_powers(pooled, channels if same else separate(pooled), energy, coarse, counts)
    best = float(coarse[np.argmax(score)])
    if not same:
        near = score > score.max() - _MARGIN
        coarse = coarse[near]
        score = score_powers(series, channels, energy, coarse)
    fine = _around(series, best, float(step))
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
    """The best offset if only the log's times are right, among those at which states agree."""
    members = (numbers[:, None] == np.unique(numbers)[None, :]).astype(float)
    channels = whiten(series, measure_scatter(series, members))

    def gains(offsets: Floats, centre: float) -> Floats:
        share = switched.at(series.start, series.exposure, centre) / 100.0
        piece = split_pieces(share, numbers)
        # The agreement of the states excludes heated intervals without an effect.
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


def _unknown(sentence: str) -> ClockOffset:
    return ClockOffset(seconds=np.nan, error=np.nan, significant=False, sentence=sentence)


def _find_outliers(series: Series) -> NDArray[np.bool_]:
    """Single frames that differ from those before and after: a trail, a satellite, a gust.

    This also removes a heater that was on for one frame only, which carries little information.
    """
    found = np.zeros(len(series.start), dtype=bool)
    for y in (series.log_fwhm, series.spike[:, 0], series.spike[:, 1]):
        for group in np.unique(series.group):
            rows = np.flatnonzero((series.group == group) & np.isfinite(y))
            if len(rows) < 5:
                continue
            middle = median_filter(y[rows], 5, mode="nearest")
            spread = step_noise(y[rows])
            found[rows] |= np.abs(y[rows] - middle) > _OUTLIER * max(spread, 1e-4)
    return found


def _describe(found: _Found, moved: bool, confirmed: bool, exposure: float) -> str:
    seconds, error, rival = found.seconds, found.error, found.rivals
    where = "behind" if seconds > 0 else "ahead of"
    if rival.size:
        return (
            f"Clock offset ambiguous: the stars fit the log with {seconds:+.0f} s added and with "
            f"{rival[np.argmin(np.abs(rival))]:+.0f} s added."
        )
    if not moved and abs(seconds) > 3 * error:
        return (
            f"Clock offset inconclusive: the stars fit the log with {seconds:+.0f} s added hardly "
            "better than without."
        )
    if not moved:
        return (
            "The clocks of log and camera agree: offset of the log "
            f"{seconds:+.0f} ± {error:.0f} s, estimated from the stars."
        )
    if not confirmed:
        return (
            f"FWHM and spike fit the log's clock better with {seconds:+.0f} s added, but the "
            "heater states estimated from the stars do not confirm it: it is not applied."
        )
    text = f"The log's clock is {abs(seconds):.0f} ± {error:.0f} s {where} the camera's"
    hours = round(seconds / 1800) / 2
    if hours and abs(seconds - 3600 * hours) < max(3 * error, 60.0):
        cause = "summer time" if abs(hours) == 1 else "a time zone"
        return f"{text}: {abs(hours):g} h, {cause} that is missing in one of them."
    if abs(seconds - exposure) < max(2 * error, 2.0):
        return f"{text}: one exposure; the camera seems to record the end of the exposure."
    return f"{text}; --clock-offset {seconds:.0f} applies it."
