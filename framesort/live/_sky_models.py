"""How well dew, cloud and focus drift explain the last frames, each against a calm night.

Every model is a Gaussian: a level for each class of frames, noise, what changes slowly without any
of the three, and what the model adds. The evidence for a model is the probability of the series
under it over that under a calm night, its unknowns integrated out.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import log_ndtr, logsumexp

from framesort.live._sky_series import SkySeries

__all__ = ["PAST", "DewTrend", "Evidence", "compare_models"]

Array = NDArray[np.float64]

LEVEL = 1.0
"""Spread of the level of a class: nothing is known of it."""

UNSURE_AIR = {"clear": 0.1, "width": 0.3}
"""Spread of the loss an airmass, and of the power of airmass with which FWHM goes."""

SLOW = {"clear": 0.015, "width": 0.05, "halo": 0.004}
"""Random walk of an ordinary night, standard deviation after an hour."""

UNSEEN_AIRMASS = {"clear": 0.12, "width": 0.2, "sky": 0.15}
"""Spread of the trend an hour where the airmass is not known, the extinction of a setting target
among it."""

UNSEEN_BEND = {"clear": 0.05, "width": 0.08, "sky": 0.0}
"""Spread of the growth of that trend in an hour: airmass rises ever faster."""

COUPLING = 0.25
"""Spread of the change of log halo with log FWHM, as seeing or sampling may cause."""

DEW_RATE = 0.5
"""Spread of the rate of dew, natural logarithms of light an hour."""

HALO_PER_LOSS = (0.08, 0.16, 0.32, 0.64)
"""Growth of log halo for each unit of log transparency lost to dew."""

WIDTH_PER_LOSS = (0.0, 0.1, 0.3)
"""The same of log FWHM."""

HALO_DRIFT = (0.03, 0.06)
"""Probability that the halo grows for other reasons (optics that cool, say), and the spread of
log halo's growth an hour then."""

FOCUS_RATE = 0.15
"""Spread of the growth of log FWHM an hour as focus drifts."""

CLOUD = (
    (0.03, 0.15, False),
    (0.12, 0.15, False),
    (0.12, 0.6, False),
    (0.4, 0.3, False),
    (0.05, 0.15, True),
    (0.15, 0.25, True),
    (0.5, 0.25, True),
    (0.5, 0.6, True),
)
"""Clouds: spread of log transparency, hours over which they change, whether smoothly."""

SKY_PER_LOSS = 0.5
"""Spread of the change of log sky for each unit of log transparency lost to cloud, either sign."""

ARRIVAL = ((0.1, False), (0.4, False), (0.5, True), (2.0, True))
"""Clouds that come: growth of the spread of log transparency from an hour ago, as a random walk or
as one in the slope."""

ARRIVALS = 6
"""Most times at which a cloud may have come."""

LATELY = 0.3
"""Hours for which it must have been clear if a cloud is to have passed."""

PAST = -2.0
"""Logarithm of the probability that a cloud has passed, before anything is measured."""

SKY_SLOW = (0.003, 0.012, 0.05)
"""Random walks of log sky after an hour: dark and even, usual, and under a moon that rises."""

SKY_DARK = 0.25
"""Share of clouds that leave the sky level as it is, as over dark country."""

ONSETS = 14
"""Most times at which a trend may have begun."""


class DewTrend(NamedTuple):
    """Dew as the series have it: natural logarithms of light lost by now, and an hour."""

    lost: float
    rate: float


class Evidence(NamedTuple):
    """Logarithms of the evidence of each model over a calm night, and the trend of dew."""

    dew: float
    cloud: float
    focus: float
    both: float
    past: float
    trend: DewTrend


class _Channel:
    """One quantity under its Gaussian: what ramps gain on it."""

    def __init__(self, y: Array, covariance: Array) -> None:
        self.rows = np.flatnonzero(np.isfinite(y))
        self._y = y[self.rows]
        if len(self.rows) == 0:
            return
        self._factor = cho_factor(covariance[np.ix_(self.rows, self.rows)], lower=True)
        self._solved = cho_solve(self._factor, self._y)

    @property
    def log_probability(self) -> float:
        """Logarithm of the probability density, but for a constant."""
        if len(self.rows) == 0:
            return 0.0
        return float(-0.5 * self._y @ self._solved - np.log(np.diag(self._factor[0])).sum())

    def project(self, ramps: Array) -> tuple[Array, Array]:
        """Of each ramp (a column), its product with the series and with itself."""
        if len(self.rows) == 0:
            return np.zeros(ramps.shape[1]), np.zeros(ramps.shape[1])
        ramps = ramps[self.rows]
        return ramps.T @ self._solved, np.einsum("ij,ij->j", ramps, cho_solve(self._factor, ramps))


def _gain(s: Array, q: Array, spread: float) -> Array:
    """Logarithm of the evidence for a ramp of an amplitude above 0, half normal of this spread."""
    narrow = spread**2 / (1 + spread**2 * q)
    return np.asarray(
        np.log(2)
        + 0.5 * np.log(narrow / spread**2)
        + 0.5 * s**2 * narrow
        + log_ndtr(s * np.sqrt(narrow))
    )


def compare_models(series: SkySeries) -> Evidence:
    """Evidence for dew, cloud, focus drift, and dew with cloud, over that for a calm night."""
    clear = _clear_models(series)
    width = _Channel(series.values["width"], _base(series, "width"))
    halo = _Channel(series.values["halo"], _base(series, "halo"))
    onsets = _onsets(series, np.ones(len(series.hours), dtype=bool))
    focus = _mean(_gain(*width.project(_ramps(series, onsets)), FOCUS_RATE))
    share, rate = HALO_DRIFT
    drift = _mean(_gain(*halo.project(_ramps(series, onsets)), rate))
    drift = float(np.logaddexp(np.log(1 - share), np.log(share) + drift))
    starts = _onsets(series, series.fresh)
    if series.heated or len(starts) == 0:
        nothing = DewTrend(0.0, 0.0)
        return Evidence(-np.inf, clear.cloud, focus, -np.inf, clear.past, nothing)
    ramps = _ramps(series, starts) * series.fresh[:, None]
    dew, trend = _dew(clear.calm, width, halo, ramps, starts)
    after, later = _dew(clear.after, width, halo, ramps, starts)
    over, _ = _dew(clear.during, width, halo, ramps, starts)
    dew, after, over = dew - drift, after - drift + clear.past + PAST, over - drift
    trend = later if after > dew else trend
    return Evidence(
        np.logaddexp(dew, after), clear.cloud, focus, clear.cloud + over, clear.past, trend
    )


def _dew(
    clear: _Channel, width: _Channel, halo: _Channel, ramps: Array, starts: Array
) -> tuple[float, DewTrend]:
    """Evidence for light that falls while halo and width rise, and how much is lost."""
    parts = [one.project(ramps) for one in (clear, width, halo)]
    gains, rates = [], []
    for per_width in WIDTH_PER_LOSS:
        for per_halo in HALO_PER_LOSS:
            weights = (-1.0, per_width, per_halo)
            s = sum(w * part[0] for w, part in zip(weights, parts, strict=True))
            q = sum(w**2 * part[1] for w, part in zip(weights, parts, strict=True))
            gains.append(_gain(np.asarray(s), np.asarray(q), DEW_RATE))
            rates.append(np.maximum(s, 0.0) / (q + 1 / DEW_RATE**2))
    gain, rate = np.array(gains), np.array(rates)
    weight = np.exp(gain - logsumexp(gain))
    lost = float((weight * rate * -starts).sum())
    return _mean(gain), DewTrend(lost, float((weight * rate).sum()))


def _mean(logs: Array) -> float:
    return float(logsumexp(logs) - np.log(logs.size)) if logs.size else -np.inf


def _onsets(series: SkySeries, allowed: NDArray[np.bool_]) -> Array:
    """Hours at which a trend may have begun; three frames at least have it."""
    hours = series.hours[allowed]
    places = np.arange(0, len(hours) - 3)
    if len(places) > ONSETS:
        places = places[np.unique(np.linspace(0, len(places) - 1, ONSETS).astype(int))]
    return np.asarray(hours[places])


def _ramps(series: SkySeries, onsets: Array) -> Array:
    return np.asarray(np.maximum(series.hours[:, None] - onsets, 0.0))


def _base(series: SkySeries, name: str, slow: float = math.nan) -> Array:
    """Covariance of a quantity on a calm night, with a random walk as usual or as given."""
    slow = SLOW[name] if math.isnan(slow) else slow
    hours = series.hours
    start = hours - hours[0]
    same = series.label[:, None] == series.label
    covariance = LEVEL**2 * same + series.noise[name] ** 2 * np.eye(len(hours))
    covariance = covariance + slow**2 * np.minimum(start[:, None], start)
    if name == "halo":
        width = np.nan_to_num(_centred(series.values["width"], series.label))
        covariance += COUPLING**2 * np.outer(width, width)
    if name in UNSEEN_AIRMASS:
        covariance += _air_covariance(series, name)
    return np.asarray(covariance)


def _air_covariance(series: SkySeries, name: str) -> Array:
    """What is not certain of the airmass's effect; all of it where the airmass is not known."""
    if name in UNSURE_AIR and np.isfinite(series.airmass).all():
        x = series.airmass if name == "clear" else np.log(series.airmass)
        x = x - x[-1]
        return np.asarray(UNSURE_AIR[name] ** 2 * np.outer(x, x))
    line, bend = UNSEEN_AIRMASS[name] * series.hours, UNSEEN_BEND[name] * series.hours**2
    return np.outer(line, line) + np.outer(bend, bend)


def _centred(values: Array, label: NDArray[np.int64]) -> Array:
    """Less the mean of its class."""
    out = np.full_like(values, np.nan)
    for number in np.unique(label):
        rows = (label == number) & np.isfinite(values)
        if rows.any():
            out[rows] = values[rows] - values[rows].mean()
    return out


class _ClearModels(NamedTuple):
    """Transparency on a calm night, after a cloud and under one; evidence for the last two."""

    calm: _Channel
    after: _Channel
    during: _Channel
    past: float
    cloud: float


def _clear_models(series: SkySeries) -> _ClearModels:
    """Transparency without cloud lately, and with cloud: Matern processes of order 1/2 and 3/2."""
    y, base = series.values["clear"], _base(series, "clear")
    calm = _Channel(y, base)
    lag = np.abs(series.hours[:, None] - series.hours)
    old = series.hours < -LATELY
    clouds = [
        spread**2 * np.exp(-lag / span) * (1 + smooth * lag / span)
        for spread, span, smooth in CLOUD
    ]
    during = [_Channel(y, base + cloud) for cloud in clouds]
    came = [_Channel(y, base + cloud) for cloud in _arrivals(series)]
    after = [_Channel(y, base + cloud * np.outer(old, old)) for cloud in clouds]
    gains, coming, past = (
        np.array([one.log_probability - calm.log_probability for one in models])
        for models in (during, came, after)
    )
    during = [*during, *came]
    cloud = np.logaddexp(_mean(gains), _mean(coming)) - np.log(2)
    gains = np.concatenate([gains, coming])
    return _ClearModels(
        calm,
        after[int(np.argmax(past))],
        during[int(np.argmax(gains))],
        _mean(past) + _sky_gain(series, old),
        float(cloud) + _sky_gain(series, np.ones_like(old)),
    )


def _arrivals(series: SkySeries) -> list[Array]:
    """Covariances of clouds that were not there before some time."""
    onsets = _onsets(series, np.ones(len(series.hours), dtype=bool))
    found = []
    for onset in onsets[-ARRIVALS * 2 :: 2]:
        since = np.maximum(series.hours - onset, 0.0)
        first, last = np.minimum.outer(since, since), np.maximum.outer(since, since)
        for spread, smooth in ARRIVAL:
            # Wiener process, and the integral of one.
            shape = first**2 * (last / 2 - first / 6) if smooth else first
            found.append(spread**2 * shape)
    return found


def _sky_gain(series: SkySeries, cloudy: NDArray[np.bool_]) -> float:
    """Evidence of the sky level for cloud in some frames: it changes with their transparency."""
    y, fall = series.values["sky"], np.nan_to_num(_centred(series.values["clear"], series.label))
    fall = fall * cloudy
    moving = SKY_PER_LOSS**2 * np.outer(fall, fall)
    bases = [_base(series, "sky", slow) for slow in SKY_SLOW]
    still = _mean(np.array([_Channel(y, base).log_probability for base in bases]))
    moved = _mean(np.array([_Channel(y, base + moving).log_probability for base in bases]))
    return float(np.logaddexp(moved - still + np.log(1 - SKY_DARK), np.log(SKY_DARK)))
