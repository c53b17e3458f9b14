"""Marginal likelihood of time constants and share law on a grid."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framesort.evidence._drift import WalkFactor, robust_weights
from framesort.evidence._onset_model import LAWS, Exposures, mix_widths, weigh_knots
from framesort.records import MAD_TO_SIGMA

__all__ = [
    "COARSE",
    "FINE",
    "SHAPES",
    "Channel",
    "Noise",
    "best_of",
    "fit_one",
    "log_mean",
    "score_grid",
]

Floats = NDArray[np.float64]

FINE = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 25.0, 40.0)
"""Time constants tried, minutes; as likely before the frames are seen."""

COARSE = (0.0, 2.0, 10.0)
"""Time constants tried to find the scatter."""

SHAPES = ((1.0, 0.0), (2.0, 0.0), (1.0, 0.2), (1.0, 0.4))
"""Exponent and threshold of the effect between measured powers: linear, small at low power, or
from a power on, as the spike; FWHM uses the first two."""

_OF_WIDTH = 2
"""Number of shapes that are tried for the FWHM."""

_SEEING = 0.06
"""Typical change of log FWHM over an hour, by seeing and focus (common practice)."""

_SPREAD = 0.7
"""Prior standard deviation of the drift about its typical size, natural logarithm."""

_RATIOS = np.exp(np.arange(-3.0, 3.01, 0.75))
"""Walk over an hour that is tried, over the typical one."""

_PRIOR_SPIKE, _PRIOR_WIDTH = 0.05, 0.3
"""Prior standard deviation of the spike's share and of the growth of log FWHM at a power."""

_TURNS, _TURNS_NEAR = 4, 2
"""Steps of Gauss and Newton for the mixture of profiles, from nothing and from near by."""


@dataclass(frozen=True, eq=False)
class Noise:
    """Scatter of a channel.

    Attributes
    ----------
    factor : WalkFactor
        Of the covariance of all frames; whitens.
    sigma : (n,) float ndarray
        Scatter of each frame, down-weighted frames larger.
    """

    factor: WalkFactor
    sigma: Floats


@dataclass(frozen=True, eq=False)
class Channel:
    """Spike or log FWHM of all frames.

    Attributes
    ----------
    value, error : (n,) float ndarray
        Data and relative errors.
    hours : (n,) float ndarray
        Times.
    constants : (n, g) float ndarray
        Columns of levels: one for each filter and exposure.
    factor : (n,) float ndarray
        Growth of the effect with exposure time, 1 at the typical one.
    width : bool
        Whether it is log FWHM: a mixture of profiles and a drift; else the spike, linear.
    """

    value: Floats
    error: Floats
    hours: Floats
    constants: Floats
    width: bool
    factor: Floats = field(default_factory=lambda: np.ones(1))

    @property
    def shapes(self) -> int:
        """How many of `SHAPES` are tried."""
        return _OF_WIDTH if self.width else len(SHAPES)

    def growth_of(self, at_knots: Floats) -> tuple[Floats, Floats]:
        """Log growth of each frame's profiles from that at the knots, and its derivative."""
        wide = np.exp(2 * at_knots)
        square = np.maximum(1 + (wide - 1) * self.factor[:, None], 0.2)
        return 0.5 * np.log(square), wide * self.factor[:, None] / square

    def estimate_noise(self, design: Floats) -> Noise:
        """Scatter and drift of highest restricted likelihood about a design."""
        spread = self._first_spread(design)
        ratios = _RATIOS * _SEEING if self.width else np.zeros(1)
        walk, sigma, rest = 0.0, 1.0, self.value
        for _ in range(3):
            scores = [self._restricted(design, walk, spread) for walk in ratios]
            best = int(np.argmax([score for score, _, _ in scores]))
            _, sigma, rest = scores[best]
            walk = float(ratios[best])
            factor = WalkFactor(self.hours, walk, sigma * spread)
            weight = robust_weights(factor.scatter_of(rest) / (sigma * self.error), 1.0)
            spread = self.error / np.sqrt(weight)
        return Noise(WalkFactor(self.hours, walk, sigma * spread), sigma * spread)

    def _first_spread(self, design: Floats) -> Floats:
        """Errors, larger for frames that stand out from the median of five in time.

        Without it the drift would follow single outliers at first, and never leave them.
        """
        known = self.error < 100
        value = np.linalg.lstsq(design[known], self.value[known], rcond=None)[0]
        rest = (self.value - design @ value)[known]
        padded = np.pad(rest, 2, mode="reflect")
        middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
        apart = (rest - middle) / self.error[known]
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(apart))), 1e-3)
        spread = self.error.copy()
        spread[known] /= np.sqrt(robust_weights(apart, scale))
        return spread

    def _restricted(
        self, design: Floats, walk: float, spread: Floats
    ) -> tuple[float, float, Floats]:
        """Restricted log likelihood, scatter and residual for one size of the drift."""
        tiny = 1e-9 * np.eye(design.shape[1])
        rest = self.value - design @ np.linalg.lstsq(design, self.value, rcond=None)[0]
        sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(np.diff(rest / self.error)))) / 2**0.5,
                    1e-3)  # fmt: skip
        for _ in range(2 if walk > 0 else 1):
            factor = WalkFactor(self.hours, walk, sigma * spread)
            flat, data = factor.whiten(design), factor.whiten(self.value)
            rest = self.value - design @ np.linalg.solve(flat.T @ flat + tiny, flat.T @ data)
            if walk == 0:
                sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(rest / self.error))), 1e-3)
                continue
            # Scatter without the drift, in units of its own.
            unit = factor.scatter_of(rest) / np.sqrt(factor.scatter_variance())
            sigma *= float(np.clip(MAD_TO_SIGMA * np.median(np.abs(unit)), 0.3, 3.0))
        factor = WalkFactor(self.hours, walk, sigma * spread)
        flat, left = factor.whiten(design), factor.whiten(rest)
        score = -factor.log_root_determinant - 0.5 * left @ left
        score -= 0.5 * np.linalg.slogdet(flat.T @ flat + tiny)[1]
        if walk > 0:
            score -= 0.5 * (np.log(walk / _SEEING) / _SPREAD) ** 2
        return float(score), sigma, rest

    def score(
        self, weights: Floats, noise: Noise, *, start: Floats | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Log marginal likelihood for weights of the knots.

        Parameters
        ----------
        weights : (..., n, k) float ndarray
            As `weigh_knots` gives them.
        noise : Noise
        start : (..., k - 1 + g) float ndarray or None
            A value from near by on the grid, which saves steps.

        Returns
        -------
        log_likelihood : (...) float ndarray
        value : (..., k - 1 + g) float ndarray
            Effect at the knots from the second on, then the constants.
        design : (..., n, k - 1 + g) float ndarray
            Derivatives of the model at `value`.
        """
        lead, (n, knots) = weights.shape[:-2], weights.shape[-2:]
        effects, groups = knots - 1, self.constants.shape[1]
        prior = np.r_[
            np.full(effects, (_PRIOR_WIDTH if self.width else _PRIOR_SPIKE) ** -2.0),
            np.full(groups, 1e-2 if self.width else 0.02**-2.0),
        ]
        white_y = noise.factor.whiten(self.value)
        design = np.empty((*lead, n, effects + groups))
        design[..., effects:] = self.constants
        flat = np.empty(design.shape)
        flat[..., effects:] = noise.factor.whiten(self.constants)
        value = np.zeros((*lead, effects + groups)) if start is None else start
        rest, inner = white_y, np.eye(1)
        turns = (_TURNS if start is None else _TURNS_NEAR) if self.width else 1
        for _ in range(turns):
            model = self._linearise(weights, value[..., :effects], design)
            offset = model - (design[..., :effects] @ value[..., :effects, None])[..., 0]
            # One solution for all designs: many small ones are slower.
            both = np.concatenate([design[..., :effects], offset[..., None]], axis=-1)
            both = np.moveaxis(both, -2, 0)
            white = noise.factor.whiten(both.reshape(n, -1)).reshape(both.shape)
            white = np.moveaxis(white, 0, -2)
            flat[..., :effects], data = white[..., :-1], white_y - white[..., -1]
            inner = flat.swapaxes(-1, -2) @ flat + np.diag(prior)
            right = (flat.swapaxes(-1, -2) @ data[..., None])[..., 0]
            value = np.linalg.solve(inner, right[..., None])[..., 0]
            value[..., :effects] = np.clip(value[..., :effects], -0.5, 1.5)
            rest = data - (flat @ value[..., None])[..., 0]
        score = -0.5 * (rest**2).sum(-1) - 0.5 * (prior * value**2).sum(-1)
        return score - 0.5 * np.linalg.slogdet(inner)[1], value, design

    def _linearise(self, weights: Floats, effect: Floats, design: Floats) -> Floats:
        """The model without constants, shape (..., n); its derivatives are put into `design`."""
        k = weights.shape[-1] - 1
        if not self.width:
            design[..., :k] = weights[..., 1:] * self.factor[:, None]
            return np.asarray((design[..., :k] @ effect[..., None])[..., 0])
        growth = np.zeros(weights.shape)
        growth[..., 1:], inner = self.growth_of(effect[..., None, :])
        model, slope = mix_widths(weights, growth)
        design[..., :k] = slope[..., 1:] * inner
        return model


def score_grid(
    channels: list[Channel],
    noises: list[Noise],
    exposures: Exposures,
    knots: Floats,
    taus: tuple[float, ...],
    shapes: tuple[tuple[float, float], ...],
) -> Floats:
    """Log marginal likelihood of each channel: shape (channels, warming, cooling, law).

    Averaged over shapes; of the laws the first is the mixture, the second the mean of those that
    count short parts as a whole.
    """
    result = np.empty((len(channels), len(taus), len(taus), 2))
    starts: list[Floats | None] = [None] * len(channels)
    for i, warming in enumerate(taus):
        turn = range(len(taus)) if i % 2 == 0 else range(len(taus) - 1, -1, -1)
        for j in turn:  # neighbours on the grid follow one another
            cooling = taus[j]
            effect = exposures.follow(warming, cooling)
            weights = weigh_knots(exposures, effect, knots, LAWS, shapes)
            for c, (channel, noise) in enumerate(zip(channels, noises, strict=True)):
                mine = weights[:, : channel.shapes]
                scores, starts[c], _ = channel.score(mine, noise, start=starts[c])
                score = log_mean(scores, axis=1)
                result[c, i, j, 0] = score[0]
                result[c, i, j, 1] = log_mean(score[1:], axis=0)
    return result


def log_mean(score: Floats, axis: int | tuple[int, ...]) -> Floats:
    """Logarithm of the mean of what `score` holds the logarithms of."""
    top = score.max(axis=axis, keepdims=True)
    return np.asarray(np.log(np.exp(score - top).mean(axis=axis)) + np.squeeze(top, axis))


def best_of(score: Floats, taus: tuple[float, ...]) -> tuple[float, float, bool]:
    """Time constants and law ("whole" or not) of the highest score, shape (t, t, 2)."""
    i, j, law = np.unravel_index(int(np.argmax(score)), score.shape)
    return taus[i], taus[j], bool(law)


def fit_one(
    channel: Channel,
    noise: Noise,
    exposures: Exposures,
    knots: Floats,
    best: tuple[float, float, bool],
) -> tuple[float, Floats, Floats, Floats]:
    """The channel at one point of the grid, by the best shape and scale of the law.

    Returns
    -------
    log_likelihood : float
    value : (k - 1 + g,) float ndarray
    design : (n, k - 1 + g) float ndarray
        Derivatives at `value`.
    model : (n,) float ndarray
    """
    warming, cooling, whole = best
    laws = LAWS[1:] if whole else LAWS[:1]
    shapes = SHAPES[: channel.shapes]
    weights = weigh_knots(exposures, exposures.follow(warming, cooling), knots, laws, shapes)
    scores, values, designs = channel.score(weights, noise)
    at = np.unravel_index(int(np.argmax(scores)), scores.shape)
    value, design = values[at], designs[at].copy()
    effects = len(knots) - 1
    model = channel._linearise(weights[at], value[:effects], design)
    model = model + channel.constants @ value[effects:]
    return float(scores[at]), value, design, model
