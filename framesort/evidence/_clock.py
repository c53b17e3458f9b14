"""Clock of the log against the clock of the camera, from when the stars change."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.ndimage import median_filter

from framesort.evidence._drift import fit_with_drift, robust_weights, walk_covariance
from framesort.evidence._series import Series, make_series
from framesort.records import HeaterTrace

__all__ = ["ClockOffset", "estimate_clock_offset"]

Floats = NDArray[np.float64]

_LARGEST = 14 * 3600.0
"""Zones lie within 14 hours of UTC."""

_SEEN = 12.0
"""Log likelihood ratio the heater's effect must reach before a clock can be read off it."""

_RIVAL = 4.5
"""An offset elsewhere whose log likelihood is within this (three sigma) leaves two readings."""

_UNKNOWN = 3.0
"""Cost in log likelihood of a frame that an offset leaves without a known power: a heated and
an unheated frame are told apart by a few sigma, so not predicting one is worth about this."""

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


def estimate_clock_offset(table: Table, trace: HeaterTrace) -> ClockOffset:
    """Find the offset of a log's clock at which it explains the stars best.

    For each offset within 14 hours the width and the raw line of light of all frames are
    fitted by ``level + drift(t) + a * power + b * power^2``, the power being that of
    the shifted log; the offset of highest likelihood wins, its likelihood over neighbouring
    offsets gives the error. A heater that makes stars narrower is no explanation.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, fwhm; line_raw and line_raw_angle where known. The
        line's excess is not used: it rests on the log that is being questioned.
    trace : HeaterTrace
        The log.

    Returns
    -------
    ClockOffset
    """
    series = make_series(table)
    good = np.isfinite(series.start) & (series.exposure > 0) & np.isfinite(series.log_fwhm)
    if good.sum() < 6 or len(trace.power) < 2 or not np.isfinite(trace.edges).any():
        return _silent("Too few frames or no switch of the heater: the clocks cannot be compared.")
    order = np.flatnonzero(good)[np.argsort(series.start[good], kind="stable")]
    series = _take(series, order)
    series = _take(series, np.flatnonzero(~_spikes(series)))
    if len(series.start) < 6:
        return _silent("Too few steady frames: the clocks cannot be compared.")
    cadence = float(np.median(np.diff(series.start)))
    energy = _Energy(trace)
    step = max(min(cadence, float(np.median(series.exposure))) / 2, 5.0)
    coarse = np.arange(-int(_LARGEST / step), int(_LARGEST / step) + 1).astype(float) * step
    scale: list[tuple[float, Floats]] = []
    score = _scores(series, energy, coarse, scale)
    # Now that the likely offset is known, scatter and drift can be told apart from heat.
    scale = _measure_scatter(series, energy, float(coarse[np.argmax(score)]))
    score = _scores(series, energy, coarse, scale)
    best = float(coarse[np.argmax(score)])
    fine: Floats = best + np.arange(-2 * step - cadence, 2 * step + cadence, max(step / 20, 1.0))
    fine_score = _scores(series, energy, fine, scale)
    top = float(fine_score.max())
    if top < _SEEN:
        return _silent("The stars show no change with the heater: the clocks cannot be compared.")
    weight = np.exp(fine_score - top)
    weight /= weight.sum()
    seconds = float(weight @ fine)
    switches = int(np.sum(np.abs(np.diff(energy.at(series.start, series.exposure, best))) > 5))
    floor = cadence / np.sqrt(12 * max(switches, 1))
    error = max(float(np.sqrt(weight @ (fine - seconds) ** 2)), float(floor))
    away = np.abs(coarse - seconds) > max(2 * cadence, 4 * error)
    rival = coarse[away][score[away] > top - _RIVAL]
    zero = float(_scores(series, energy, np.zeros(1), scale)[0])
    significant = abs(seconds) > 3 * error and top - zero > _RIVAL and not rival.size
    sentence = _tell(seconds, error, significant, rival, float(np.median(series.exposure)))
    return ClockOffset(seconds=seconds, error=error, significant=significant, sentence=sentence)


def _silent(sentence: str) -> ClockOffset:
    return ClockOffset(seconds=np.nan, error=np.nan, significant=False, sentence=sentence)


def _take(series: Series, rows: NDArray[np.intp]) -> Series:
    return Series(
        start=series.start[rows],
        exposure=series.exposure[rows],
        log_fwhm=series.log_fwhm[rows],
        line=series.line[rows],
        group=series.group[rows],
    )


def _spikes(series: Series) -> NDArray[np.bool_]:
    """Single frames that stand out from those before and after: a trail, a satellite, a gust.

    A heater that was on for one frame only is lost with them; it would tell little.
    """
    found = np.zeros(len(series.start), dtype=bool)
    for y in (series.log_fwhm, series.line[:, 0], series.line[:, 1]):
        for group in np.unique(series.group):
            rows = np.flatnonzero((series.group == group) & np.isfinite(y))
            if len(rows) < 5:
                continue
            middle = median_filter(y[rows], 5, mode="nearest")
            spread = 1.4826 * np.median(np.abs(np.diff(y[rows]))) / np.sqrt(2)
            found[rows] |= np.abs(y[rows] - middle) > _SPIKE * max(float(spread), 1e-4)
    return found


class _Energy:
    """Mean power over many intervals at once, from the running integral of a trace."""

    def __init__(self, trace: HeaterTrace) -> None:
        edges = trace.edges.copy()
        inner = edges[np.isfinite(edges)]
        # Far enough for any shift of any night.
        edges[0] = max(edges[0], inner.min() - 1e7)
        edges[-1] = min(edges[-1], inner.max() + 1e7)
        known = np.isfinite(trace.power)
        length = np.diff(edges)
        self._zero = edges[0]
        self._edges = edges - edges[0]
        self._power = np.r_[0.0, np.cumsum(np.where(known, trace.power, 0.0) * length)]
        self._known = np.r_[0.0, np.cumsum(known * length)]

    def at(self, start: Floats, exposure: Floats, offset: float) -> Floats:
        """Mean power in percent of exposures when `offset` is added to the log; NaN if unknown."""
        begin = start - offset - self._zero
        end = begin + exposure
        power = np.interp(end, self._edges, self._power) - np.interp(
            begin, self._edges, self._power
        )
        known = np.interp(end, self._edges, self._known) - np.interp(
            begin, self._edges, self._known
        )
        return np.where(known > exposure - 1e-3, power / exposure, np.nan)


def _channels(series: Series) -> list[Floats]:
    """Width, and the two parts of the line's vector where most frames have it."""
    channels = [series.log_fwhm]
    if np.isfinite(series.line).all(axis=1).mean() > 0.8:
        channels += [series.line[:, 0], series.line[:, 1]]
    return channels


def _constants(series: Series) -> Floats:
    """A constant for each filter and exposure."""
    groups = np.unique(series.group)
    return (series.group[:, None] == groups[None, :]).astype(float)


def _measure_scatter(series: Series, energy: _Energy, offset: float) -> list[tuple[float, Floats]]:
    """Walk and each frame's noise, by channel, at the likely offset."""
    power = energy.at(series.start, series.exposure, offset) / 100.0
    power = np.where(np.isfinite(power), power, 0.0)
    hours = series.start / 3600.0
    result = []
    for y in _channels(series):
        known = np.isfinite(y)
        design = np.column_stack([_constants(series), power, power**2])[known]
        design = design[:, np.r_[design[:, :-2].any(axis=0), [True, True]]]
        levels = len(np.unique(np.round(power[known], 3)))
        if levels < 3:  # at two levels the square says what the power says, at one both nothing
            design = design[:, : levels - 3]
        fit = fit_with_drift(hours[known], y[known], design)
        weights = np.zeros(len(y))
        smooth = np.convolve(np.pad(fit.residual, 2, mode="edge"), np.ones(5) / 5, mode="valid")
        weights[known] = robust_weights(fit.residual - smooth, fit.noise)
        noise = fit.noise / np.sqrt(np.maximum(weights, 1e-6))
        result.append((fit.walk, noise))
    return result


def _scores(
    series: Series, energy: _Energy, offsets: Floats, scale: list[tuple[float, Floats]]
) -> Floats:
    """Log likelihood of each offset over that of no effect of the heater at all.

    A frame whose power an offset leaves unknown counts as unheated, at a cost. Without
    `scale` the scatter is taken as equal for all frames and without drift.
    """
    powers = np.array([energy.at(series.start, series.exposure, o) for o in offsets]).T / 100.0
    cost = _UNKNOWN * np.isnan(powers).sum(axis=0)
    powers = np.nan_to_num(powers)
    total = np.zeros(len(offsets))
    constants = _constants(series)
    for channel, y in enumerate(_channels(series)):
        y = np.where(np.isfinite(y), y, np.nanmedian(y))
        if scale:
            walk, noise = scale[channel]
            covariance = walk_covariance(series.start / 3600.0, walk, noise)
        else:
            spread = 1.4826 * np.median(np.abs(np.diff(y))) / np.sqrt(2)
            covariance = np.eye(len(y)) * max(float(spread), 1e-4) ** 2
        factor = np.linalg.cholesky(covariance)
        whiten = solve_triangular(factor, np.eye(len(y)), lower=True)
        basis = np.linalg.qr(whiten @ constants)[0]
        whiten -= basis @ (basis.T @ whiten)
        total += _gains(whiten @ powers, whiten @ powers**2, whiten @ y, powers, wider=not channel)
    return total - cost


def _gains(linear: Floats, square: Floats, y: Floats, powers: Floats, *, wider: bool) -> Floats:
    """Half the fall of chi squared when power and its square explain the data, by column."""
    size = np.maximum((linear**2).sum(axis=0), 1e-30)
    slope = (y @ linear) / size
    along = (linear * square).sum(axis=0) / size
    square = square - along * linear
    rest = (square**2).sum(axis=0)
    two_levels = rest < 1e-6 * size  # power and its square then say the same
    bend = np.where(two_levels, 0.0, (y @ square) / np.where(two_levels, 1.0, rest))
    gain = 0.5 * (slope**2 * size + bend**2 * rest)
    constant = np.ptp(powers, axis=0) < 0.02
    top = powers.max(axis=0)
    narrower = wider & ((slope - along * bend) * top + bend * top**2 <= 0)
    return np.where(constant | narrower, 0.0, gain)


def _tell(seconds: float, error: float, significant: bool, rival: Floats, exposure: float) -> str:
    where = "behind" if seconds > 0 else "ahead of"
    if rival.size:
        return (
            f"The stars fit the log's clock with {seconds:+.0f} s added, but also with "
            f"{rival[np.argmin(np.abs(rival))]:+.0f} s: the switches of this night do not tell."
        )
    if not significant:
        return (
            f"Log and camera agree: the stars place the log's clock at {seconds:+.0f} s, "
            f"give or take {error:.0f} s."
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
