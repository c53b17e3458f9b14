"""Model of onset: the effect during each exposure, and the FWHM of a mixture of profiles."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.records import HeaterTrace

__all__ = ["LAWS", "Exposures", "divide_exposures", "find_knots", "mix_widths", "weigh_knots"]

Floats = NDArray[np.float64]

LAWS = (np.inf, 0.03, 0.1)
"""Scale s of the law ``(1 - exp(-S / s)) / (1 - exp(-1 / s))`` of the heated share S: infinite
is a linear mixture; the others count a short part nearly as a whole."""

_PIECES = 16
"""Pieces of an exposure over which the effect is averaged."""

_APART = 8.0
"""Powers closer than this, in percent, share one coefficient."""

_MOST = 5
"""Largest number of powers with coefficients of their own."""

_BETA = 3.0
"""Moffat's exponent of the profiles that are mixed."""


@dataclass(frozen=True, eq=False)
class Exposures:
    """Exposures cut into pieces within which power does not change.

    Attributes
    ----------
    share : (n, m) float ndarray
        Share of each piece in its exposure; 0 for padding.
    step : (n, m) int ndarray
        Step of the trace that each lies in.
    since : (n, m) float ndarray
        Seconds from the beginning of that step to that of the piece.
    seconds : (n, m) float ndarray
        Length of the pieces.
    power, length : (k,) float ndarray
        Power [%] and length [s] of the steps.
    """

    share: Floats
    step: NDArray[np.intp]
    since: Floats
    seconds: Floats
    power: Floats
    length: Floats

    @property
    def holds(self) -> NDArray[np.bool_]:
        """Exposures with more than one power, shape (n,)."""
        power = np.where(self.share > 0, self.power[self.step], np.nan)
        return np.asarray(np.nanmax(power, axis=1) > np.nanmin(power, axis=1))

    def follow(self, warming: float, cooling: float) -> Floats:
        """Mean effect in each piece [%], shape (n, m), by ``dx/dt = (power - x) / tau``.

        Parameters
        ----------
        warming, cooling : float
            Time constants, minutes.
        """
        begin, tau = np.empty(len(self.power)), np.zeros(len(self.power))
        level = self.power[0]
        for k, power in enumerate(self.power):
            begin[k] = level
            tau[k] = 60 * (warming if power > level else cooling)
            level = power
            if tau[k] > 0:
                level = power + (begin[k] - power) * np.exp(-self.length[k] / tau[k])
        scale = np.maximum(tau, 1e-3)[self.step]
        fall = np.exp(-self.since / scale) * -np.expm1(-self.seconds / scale)
        apart = np.where(tau > 0, begin - self.power, 0.0)[self.step]
        return np.asarray(self.power[self.step] + apart * fall * scale / self.seconds)


def divide_exposures(begin: Floats, end: Floats, trace: HeaterTrace) -> Exposures:
    """Cut exposures, seconds since 1970, at the changes of a trace that covers them."""
    edges, power = trace.edges, trace.power.copy()
    unknown = np.isnan(power)
    for k in np.flatnonzero(unknown):  # as the power that follows: settled after a gap
        later = power[k + 1 :][~unknown[k + 1 :]]
        power[k] = later[0] if later.size else power[~unknown][-1]
    inner = edges[1:-1]
    most = _PIECES + max(
        int(np.sum((inner > a) & (inner < b))) for a, b in zip(begin, end, strict=True)
    )
    low, high = np.empty((len(begin), most)), np.empty((len(begin), most))
    for i, (a, b) in enumerate(zip(begin, end, strict=True)):
        cuts = np.unique(np.r_[np.linspace(a, b, _PIECES + 1), inner[(inner > a) & (inner < b)]])
        cuts = np.r_[cuts, np.full(most + 1 - len(cuts), b)]
        low[i], high[i] = cuts[:-1], cuts[1:]
    middle = np.minimum(0.5 * (low + high), end[:, None] - 1e-6)
    step = np.clip(np.searchsorted(edges, middle, side="right") - 1, 0, len(power) - 1)
    seconds = high - low
    return Exposures(
        share=seconds / (end - begin)[:, None],
        step=step,
        since=np.maximum(low - edges[step], 0.0),
        seconds=np.maximum(seconds, 1e-9),
        power=power,
        length=np.diff(edges),
    )


def find_knots(exposures: Exposures) -> Floats:
    """Powers that get a coefficient, the lowest (the reference) first; at most six."""
    time = np.bincount(
        exposures.step.ravel(), exposures.share.ravel(), minlength=len(exposures.power)
    )
    order = np.argsort(exposures.power, kind="stable")
    order = order[time[order] > 0]
    groups: list[list[int]] = []
    for k in order:
        close = groups and exposures.power[k] - exposures.power[groups[-1][0]] < _APART
        off = groups and exposures.power[groups[-1][0]] == 0 < exposures.power[k]
        if close and not off:
            groups[-1].append(int(k))
        else:
            groups.append([int(k)])
    weight = [float(time[group].sum()) for group in groups]
    level = [float(np.average(exposures.power[g], weights=time[g])) for g in groups]
    inner = sorted(range(1, len(groups) - 1), key=lambda i: -weight[i])[: _MOST - 1]
    return np.array([level[i] for i in sorted({0, len(groups) - 1, *inner})])


def weigh_knots(
    exposures: Exposures,
    effect: Floats,
    knots: Floats,
    laws: tuple[float, ...],
    shapes: tuple[tuple[float, float], ...],
) -> Floats:
    """Weights of the knots in each exposure, sum 1: shape (laws, shapes, n, knots).

    The effect at a level between two knots is a mixture of theirs, by a shape (exponent,
    threshold): linear in ``max(level - threshold, 0)^exponent``, levels from 0 to 1. By a law
    with scale s, the share S of the exposure in which the effect exceeds a level counts as
    ``(1 - exp(-S / s)) / (1 - exp(-1 / s))``.
    """
    order = np.argsort(-effect, axis=1, kind="stable")
    level = np.take_along_axis(effect, order, axis=1)
    total = np.cumsum(np.take_along_axis(exposures.share, order, axis=1), axis=1)
    total = np.column_stack([np.zeros(len(total)), np.minimum(total, 1.0)])
    total[:, -1] = 1.0
    counted = [
        np.diff(total if np.isinf(s) else np.expm1(-total / s) / np.expm1(-1 / s), axis=1)
        for s in laws
    ]
    place = np.clip(np.searchsorted(knots, level) - 1, 0, len(knots) - 2)
    out = np.empty((len(laws), len(shapes), len(level), len(knots)))
    level = np.clip(level, knots[0], knots[-1]) / knots[-1]
    row = np.arange(len(level))[:, None] * len(knots)
    below, above = (row + place).ravel(), (row + place + 1).ravel()
    for j, shape in enumerate(shapes):
        ends = _bend(knots / knots[-1], *shape)
        part = (_bend(level, *shape) - ends[place]) / np.diff(ends)[place]
        for i, weight in enumerate(counted):
            high = weight * part
            mixed = np.bincount(below, (weight - high).ravel(), len(level) * len(knots))
            mixed += np.bincount(above, high.ravel(), len(level) * len(knots))
            out[i, j] = mixed.reshape(len(level), len(knots))
    return out


def _bend(level: Floats, exponent: float, threshold: float) -> Floats:
    """Effect against level; nearly nothing below the threshold, but never the same twice."""
    over = np.maximum(level - threshold, 0.0)
    return np.asarray((over if exponent == 1 else over**exponent) + 0.01 * level)


def mix_widths(weights: Floats, growth: Floats) -> tuple[Floats, Floats]:
    """Log FWHM of mixtures of Moffat profiles, and its derivatives.

    The FWHM of a mixture is not linear in its shares: the peak of a wide part is low, as the
    inverse square of its width, so short wide parts count less.

    Parameters
    ----------
    weights : (..., n, k) float ndarray
        Share of the light of each profile.
    growth : (..., n, k) float ndarray
        Logarithm of their FWHM, over that of the first.

    Returns
    -------
    log_fwhm : (..., n) float ndarray
    slope : (..., n, k) float ndarray
        Derivative of log_fwhm with respect to `growth`.

    Notes
    -----
    Solves ``sum u_k I_k(F / 2) = sum u_k I_k(0) / 2`` by Newton's method, with
    ``I = w^-2 (1 + (2^(1/beta) - 1) (2 r / w)^2)^-beta``, beta = 3 (Moffat 1969, A&A 3, 455).
    """
    c = 2 ** (1 / _BETA) - 1
    sharp = np.exp(-2 * growth)
    peak = weights * sharp
    log_fwhm = (peak * growth).sum(-1) / peak.sum(-1)
    for turn in range(5):
        z = sharp * (c * np.exp(2 * log_fwhm))[..., None]
        fall = 1 / (1 + z)
        ring = peak * fall * fall * fall  # beta = 3
        slope = (2 * _BETA) * ring * z * fall
        steep = slope.sum(-1)
        if turn < 4:
            log_fwhm = log_fwhm + (ring - 0.5 * peak).sum(-1) / steep
    return log_fwhm, (peak - 2 * ring + slope) / steep[..., None]
