"""Onset and decay of the heater's effect: time constants, and how short heated parts count."""

from dataclasses import replace

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence._onset_fit import (
    COARSE,
    FINE,
    SHAPES,
    Channel,
    Noise,
    best_of,
    fit_one,
    log_mean,
    score_grid,
)
from framesort.evidence._onset_model import (
    LAWS,
    Exposures,
    divide_exposures,
    find_knots,
    weigh_knots,
)
from framesort.evidence._onset_words import describe_onset
from framesort.evidence._response import along_heater
from framesort.evidence._series import group_names
from framesort.records import (
    HeaterTrace,
    Interval,
    Onset,
    OnsetFit,
    OnsetPoint,
    column_values,
    keep_switches,
    unix_seconds,
)

__all__ = ["fit_onset"]

Floats = NDArray[np.float64]

_FEWEST = 8
"""Number of frames below which nothing is fitted."""

_EXPONENTS = np.linspace(-0.5, 1.5, 41)
"""Exponents of exposure time that are tried."""

_CLEAR = 4.0
"""Standard errors that the effect at some power must have, spike and FWHM in quadrature."""

_SHOWN = 0.35
"""Largest error of a point in the plot, as a part of the change."""

_WINDOW = 120.0
"""Minutes after a change up to which frames are points of the plot."""

_MARGIN = 6 * 3600.0
"""Seconds before the first exposure from which on the trace counts."""


def fit_onset(
    table: Table, trace: HeaterTrace, *, clock_offset: float | NDArray[np.float64] = 0.0
) -> Onset:
    """Fit how the effect of the heater follows its power.

    The effect x of the heater follows its power p by ``dx/dt = (p - x) / tau``, with one time
    constant for warming and one for cooling. Within an exposure the profiles of its parts mix
    linearly ("mixture"), or short heated parts count nearly as a whole ("whole"). All frames of
    known power are used, those that hold a change of power too.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure and fwhm; filter and group where there are several; spike_strength,
        spike_strength_err and spike_angle where known. Rows with NaN in start or exposure or whose
        exposure the trace does not cover are not used.
    trace : HeaterTrace
        What the heater did; steps below 2.5 % are noise.
    clock_offset : float or (n,) float ndarray
        Seconds to add to the log's times, as in `add_heater_columns`.

    Returns
    -------
    Onset
        Without a change of power, without an effect of the heater or with too few frames: no
        fits, and a sentence that states it.

    Notes
    -----
    See docs/evidence.md. Marginal likelihoods on a grid of both time constants (0 to 40 minutes)
    and both laws; spike and log FWHM share the grid, each has its own effect at each power. The
    drift of seeing is a random walk.
    """
    offsets = np.broadcast_to(np.asarray(clock_offset, dtype=float), (len(table),))
    begin, length = unix_seconds(table["start"]) - offsets, column_values(table, "exposure")
    good = np.isfinite(begin) & (length > 0)
    share = np.full(len(table), np.nan)
    power = share.copy()
    share[good], power[good] = trace.average(begin[good], (begin + length)[good])
    good &= np.isfinite(share)
    rows = np.flatnonzero(good)[np.argsort(begin[good], kind="stable")]
    if len(rows) < _FEWEST:
        return Onset(
            frames=len(rows),
            sentences=(f"Too few frames of known heater power to show how fast heat acts: "
                       f"{len(rows)}; {_FEWEST} are needed.",),
        )  # fmt: skip
    begin, end = begin[rows], (begin + length)[rows]
    kept = _near(keep_switches(trace), begin[0] - _MARGIN, end[-1])
    exposures = divide_exposures(begin, end, kept)
    changes = _count_changes(kept, begin[0], end[-1])
    knots = find_knots(exposures)
    channels = _channels(table[rows], (begin + end) / 7200, power[rows])
    empty = Onset(frames=len(rows), switches=changes, holding=int(exposures.holds.sum()))
    if not changes or len(knots) < 2:
        text = "Heater power did not change during these frames: nothing shows how fast heat acts."
        return replace(empty, sentences=(text,))
    if not channels:
        return replace(empty, sentences=("FWHM and spike of these frames are not known.",))
    return _fit(empty, exposures, knots, channels, kept, 0.5 * (begin + end))


def _near(trace: HeaterTrace, first: float, last: float) -> HeaterTrace:
    """The steps of a trace between two times."""
    inside = (trace.edges[1:] > first) & (trace.edges[:-1] < last)
    low, high = np.flatnonzero(inside)[[0, -1]]
    return replace(trace, edges=trace.edges[low : high + 2], power=trace.power[low : high + 1])


def _count_changes(trace: HeaterTrace, first: float, last: float) -> int:
    known = np.isfinite(trace.power)
    inner = trace.edges[1:-1]
    return int(np.sum((inner > first) & (inner < last) & known[1:] & known[:-1]))


def _channels(table: Table, hours: Floats, power: Floats) -> dict[str, Channel]:
    """Spike and log FWHM of each frame; of unknown values the error is huge."""
    found: dict[str, Channel] = {}
    fwhm, error = column_values(table, "fwhm"), column_values(table, "spike_strength_err")
    strength, angle = column_values(table, "spike_strength"), column_values(table, "spike_angle")
    names = group_names(table)
    numbers = {name: i for i, name in enumerate(sorted(set(names)))}
    group = np.array([numbers[name] for name in names])
    levels = (group[:, None] == np.arange(len(numbers))).astype(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        width = np.log(np.where(fwhm > 0, fwhm, np.nan))
    spike = along_heater(strength, angle, error, power)
    known = np.isfinite(spike) & (error > 0)
    if known.sum() >= _FEWEST:
        found["spike"] = Channel(
            np.where(known, spike, 0.0),
            np.where(known, error / np.median(error[known]), 1e4),
            hours, np.ones((len(hours), 1)), width=False, factor=np.ones(len(hours)),
        )  # fmt: skip
    known = np.isfinite(width)
    if known.sum() >= _FEWEST:
        found["width"] = Channel(
            np.where(known, width, np.mean(width[known])),
            np.where(known, 1.0, 1e4),
            hours, levels, width=True, factor=np.ones(len(hours)),
        )  # fmt: skip
    return found


def _fit(
    empty: Onset,
    exposures: Exposures,
    knots: Floats,
    named: dict[str, Channel],
    trace: HeaterTrace,
    middle: Floats,
) -> Onset:
    """The fits of all channels, in two passes: the scatter from a first coarse one."""
    channels = list(named.values())
    weights = weigh_knots(exposures, exposures.follow(0, 0), knots, LAWS[:1], SHAPES[:1])[0, 0]
    noises = [c.estimate_noise(np.column_stack([weights[:, 1:], c.constants])) for c in channels]
    coarse = score_grid(channels, noises, exposures, knots, COARSE, SHAPES[:1]).sum(axis=0)
    best = best_of(coarse, COARSE)
    seconds = exposures.seconds.sum(axis=1)
    exponents: dict[str, Interval] = {}
    for _ in range(2 if len(np.unique(np.round(seconds, 2))) > 1 else 1):
        for i, (name, channel) in enumerate(named.items()):
            design = fit_one(channel, noises[i], exposures, knots, best)[2]
            noises[i] = channel.estimate_noise(design)
            if len(np.unique(np.round(seconds, 2))) > 1:
                factors = _exposure_factors(channel, seconds)
                scores = [
                    fit_one(replace(channel, factor=f), noises[i], exposures, knots, best)[0]
                    for f in factors
                ]
                channels[i] = replace(channel, factor=factors[int(np.argmax(scores))])
                named = {**named, name: channels[i]}
                exponents[name] = _interval(np.array(scores), _EXPONENTS, 0.05)
    sizes = [
        _significance(c, n, exposures, knots, best) for c, n in zip(channels, noises, strict=True)
    ]
    if np.hypot.reduce(sizes) < _CLEAR:
        text = "These frames show no clear effect of the heater, so nothing shows how fast it acts."
        return replace(empty, sentences=(text,))
    score = score_grid(channels, noises, exposures, knots, FINE, SHAPES)
    total = score.sum(axis=0)
    fits = {name: _summarise(score[i]) for i, name in enumerate(named)}
    found = replace(
        empty,
        spike=fits.get("spike"),
        width=fits.get("width"),
        both=_summarise(total),
        spike_exponent=exponents.get("spike", Interval()),
        width_exponent=exponents.get("width", Interval()),
        points=_points(named, noises, exposures, knots, best_of(total, FINE), trace, middle),
    )
    return replace(found, sentences=describe_onset(found))


def _significance(
    channel: Channel,
    noise: Noise,
    exposures: Exposures,
    knots: Floats,
    best: tuple[float, float, bool],
) -> float:
    """The largest effect at a power over its standard error."""
    _, value, design, _ = fit_one(channel, noise, exposures, knots, best)
    flat = noise.factor.whiten(design)
    error = np.sqrt(np.diag(np.linalg.pinv(flat.T @ flat, hermitian=True)))
    effects = slice(len(knots) - 1)
    return float(np.max(np.abs(value[effects]) / np.maximum(error[effects], 1e-12)))


def _exposure_factors(channel: Channel, seconds: Floats) -> list[Floats]:
    """Growth of the effect with exposure for each exponent; the blur in quadrature."""
    ratio = seconds / np.median(seconds)
    return [np.asarray(ratio ** (e * (2 if channel.width else 1))) for e in _EXPONENTS]


def _summarise(score: Floats) -> OnsetFit:
    """Intervals and the probability of the law from log likelihoods of shape (t, t, 2)."""
    law = log_mean(score, axis=(0, 1))
    taus = np.array(FINE)
    return OnsetFit(
        warming=_interval(log_mean(score, axis=(1, 2)), taus, 0.0),
        cooling=_interval(log_mean(score, axis=(0, 2)), taus, 0.0),
        whole=float(1 / (1 + np.exp(np.clip(law[0] - law[1], -500, 500)))),
        log_likelihood_difference=float(law[1] - law[0]),
    )


def _interval(score: Floats, grid: Floats, step: float) -> Interval:
    """Quantiles of a probability on a grid; each point stands for what is nearest to it.

    For time constants (`step` 0) the range of the first point, 0, counts as 0 for lower limits.
    """
    chance = np.exp(score - score.max())
    chance /= chance.sum()
    middle = 0.5 * (grid[1:] + grid[:-1])
    edges = np.r_[grid[0] - 0.5 * step, middle, grid[-1] + 0.5 * step]
    total = np.r_[0.0, np.cumsum(chance)]
    low95, low, value, high, high95 = (
        float(np.interp(q, total, edges)) for q in (0.025, 0.16, 0.5, 0.84, 0.975)
    )
    if step == 0:
        low95, low, value = (v if v > edges[1] else 0.0 for v in (low95, low, value))
    low95, low, value, high, high95 = (round(v, 4) for v in (low95, low, value, high, high95))
    return Interval(value=value, low=low, high=high, low95=low95, high95=high95)


def _points(
    named: dict[str, Channel],
    noises: list[Noise],
    exposures: Exposures,
    knots: Floats,
    best: tuple[float, float, bool],
    trace: HeaterTrace,
    middle: Floats,
) -> tuple[OnsetPoint, ...]:
    """Frames after changes of power, as parts of the change that is reached."""
    step = np.clip(np.searchsorted(trace.edges, middle, side="right") - 1, 0, len(trace.power) - 1)
    after, before = trace.power[step], np.r_[np.nan, trace.power[:-1]][step]
    minutes = (middle - trace.edges[step]) / 60
    # A frame that holds a change after its middle belongs to that change.
    ahead = np.minimum(step + 1, len(trace.power) - 1)
    half = exposures.seconds.sum(axis=1) / 2
    early = (ahead > step) & (trace.edges[ahead] < middle + half)
    before = np.where(early, trace.power[step], before)
    after = np.where(early, trace.power[ahead], after)
    minutes = np.where(early, (middle - trace.edges[ahead]) / 60, minutes)
    reached: dict[str, tuple[Floats, Floats]] = {}
    for (name, channel), noise in zip(named.items(), noises, strict=True):
        _, value, _, model = fit_one(channel, noise, exposures, knots, best)
        levels = np.r_[0.0, value[: len(knots) - 1]]
        rest = channel.value - model
        drift = rest - noise.factor.scatter_of(rest)
        clean = channel.value - channel.constants @ value[len(knots) - 1 :] - drift
        low, high = (np.interp(p, knots, levels) for p in (before, after))
        with np.errstate(divide="ignore", invalid="ignore"):
            part = (clean - low) / (high - low)
            error = noise.sigma / np.abs(high - low)
        shown = (error < _SHOWN) & (channel.error < 100)
        reached[name] = np.where(shown, part, np.nan), np.where(shown, error, np.nan)
    nothing = np.full(len(middle), np.nan), np.full(len(middle), np.nan)
    spike, width = reached.get("spike", nothing), reached.get("width", nothing)
    use = np.isfinite(before) & np.isfinite(after) & (minutes < _WINDOW)
    use &= np.isfinite(spike[0]) | np.isfinite(width[0])
    return tuple(
        OnsetPoint(
            minutes=float(minutes[i]),
            warming=bool(after[i] > before[i]),
            holds=bool(exposures.holds[i]),
            spike=float(spike[0][i]),
            spike_err=float(spike[1][i]),
            width=float(width[0][i]),
            width_err=float(width[1][i]),
        )
        for i in np.flatnonzero(use)
    )
