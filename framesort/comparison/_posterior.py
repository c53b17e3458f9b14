"""Posterior of effects: walk, scatter and memory are integrated over a grid, not fixed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from framesort.comparison._drift import Group, Settings, covariance_of, whiten

__all__ = ["DRAWS", "Posterior", "Priors", "fit_groups"]

Floats = NDArray[np.float64]

DRAWS = 4000
"""Draws from the posterior; 1 % of them is known to 0.16 %."""

_WIDE = 1.0
"""Prior standard deviation of walk and scatter about their typical sizes, natural logarithm."""

_MEMORIES = (0.0, 1.0, 2.5)
"""Steps from frame to frame over which scatter is forgotten, equally likely beforehand."""

_OUTLIER = 2.5
"""Deletion residual beyond which a frame's scatter is raised: it may be trailed or shaken."""

_ROUNDS = 3
"""Fits with updated scatter of outliers."""


@dataclass(frozen=True)
class Priors:
    """Typical sizes beforehand, in the units of a group's values.

    Attributes
    ----------
    walk, scatter : float
        Of the drift over an hour, and from frame to frame.
    """

    walk: float
    scatter: float


@dataclass(frozen=True)
class Posterior:
    """What a configuration's frames say of one quantity.

    Attributes
    ----------
    draws : tuple of (DRAWS, k) float ndarray
        Coefficients, for each group.
    variance : tuple of (k,) float ndarray
        Their variance at given settings, averaged over settings: without the share that comes
        from not knowing the scatter.
    settings : Settings
        Posterior mean.
    """

    draws: tuple[Floats, ...]
    variance: tuple[Floats, ...]
    settings: Settings


def _grid(walks: Floats, scatters: Floats) -> Settings:
    walk, scatter, memory = np.meshgrid(walks, scatters, _MEMORIES, indexing="ij")
    return Settings(walk.ravel(), scatter.ravel(), memory.ravel())


@dataclass(frozen=True)
class _Solved:
    """Least squares at each point of a grid, for one group."""

    value: Floats
    root: Floats
    log_likelihood: Floats


def _solve(group: Group, settings: Settings) -> _Solved:
    """Coefficients (m, k), a root of their covariance (m, k, k), restricted log likelihood (m,).

    Patterson and Thompson 1971, Biometrika 58, 545, eq. 4: the likelihood with the coefficients
    integrated over flat priors.
    """
    y, design, log_det = whiten(group, settings)
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    projected = np.einsum("mnk,mn->mk", q, y)
    rest = np.einsum("mn,mn->m", y, y) - np.einsum("mk,mk->m", projected, projected)
    size = np.abs(np.diagonal(r, axis1=1, axis2=2))
    likelihood = -0.5 * log_det - np.log(size).sum(axis=1) - 0.5 * rest
    return _Solved(np.einsum("mkl,ml->mk", inverse, projected), inverse, likelihood)


def _log_posterior(
    groups: Sequence[Group], settings: Settings, priors: Priors
) -> tuple[list[_Solved], Floats]:
    solved = [_solve(group, settings) for group in groups]
    total = np.sum([one.log_likelihood for one in solved], axis=0)
    total = total - 0.5 * (np.log(settings.walk / priors.walk) / _WIDE) ** 2
    return solved, total - 0.5 * (np.log(settings.scatter / priors.scatter) / _WIDE) ** 2


def _deletion_residuals(raised: Group, group: Group, settings: Settings) -> Floats:
    """Each value less what all others predict, over the standard deviation of that.

    With ``P = C^-1 - C^-1 X (X' C^-1 X)^-1 X' C^-1`` the difference is ``(P y)_i / P_ii`` and its
    variance ``1 / P_ii`` (Cook and Weisberg 1982, Residuals and Influence in Regression, section
    2.2), less what the frame's own scatter was raised by: an outlier must not hide behind that.
    0 where the others predict nothing.
    """
    covariance = covariance_of(raised, settings)
    inverse = cho_solve(cho_factor(covariance), np.eye(len(raised.y)))
    weighted = inverse @ raised.design
    p = inverse - weighted @ np.linalg.solve(raised.design.T @ weighted, weighted.T)
    own = np.diag(p)
    known = own > 1e-6 * np.diag(inverse)
    own = np.where(known, own, 1.0)
    added = settings.scatter[0] ** 2 * (raised.spread**2 - group.spread**2)
    variance = np.maximum(1 / own - added, 1e-3 / own)
    return np.where(known, p @ raised.y / own / np.sqrt(variance), 0.0)


def _weights(log_posterior: Floats) -> Floats:
    weight = np.exp(log_posterior - log_posterior.max())
    return np.asarray(weight / weight.sum())


def fit_groups(groups: Sequence[Group], priors: Priors, rng: np.random.Generator) -> Posterior:
    """Draw effects of a configuration from their posterior.

    Groups have walk, scatter and memory in common. Frames that the others contradict get more
    scatter, at the settings of highest posterior, and the fit is repeated: with two frames at a
    power that disagree both get it, as neither is known to be the trailed one.

    Parameters
    ----------
    groups : sequence of Group
        At least one; each has as many frames as columns, or more.
    priors : Priors
    rng : `~numpy.random.Generator`
    """
    logs = np.arange(-2.0, 2.6, 0.75)
    coarse = _grid(priors.walk * np.exp(logs), priors.scatter * np.exp(np.arange(-3.0, 3.1, 0.5)))
    plain, now = list(groups), list(groups)
    _, log_posterior = _log_posterior(now, coarse, priors)
    for _ in range(_ROUNDS):
        best = coarse[int(np.argmax(log_posterior))]
        sizes = [
            _deletion_residuals(raised, group, best)
            for raised, group in zip(now, plain, strict=True)
        ]
        now = [
            replace(group, spread=group.spread * np.maximum(np.abs(size) / _OUTLIER, 1.0))
            for group, size in zip(plain, sizes, strict=True)
        ]
        _, log_posterior = _log_posterior(now, coarse, priors)
    weight = _weights(log_posterior)
    centre = weight @ np.log(coarse.scatter)
    spread = np.sqrt(weight @ (np.log(coarse.scatter) - centre) ** 2)
    reach = 3 * max(float(spread), 0.15)
    fine = _grid(priors.walk * np.exp(logs), np.exp(centre + np.linspace(-reach, reach, 11)))
    solved, log_posterior = _log_posterior(now, fine, priors)
    weight = _weights(log_posterior)
    point = rng.choice(len(fine), size=DRAWS, p=weight)
    draws, variance = [], []
    for one in solved:
        normal = rng.normal(size=(DRAWS, one.value.shape[1]))
        draws.append(one.value[point] + np.einsum("dkl,dl->dk", one.root[point], normal))
        variance.append(np.einsum("m,mkl->k", weight, one.root**2))
    mean = Settings(
        np.exp(np.atleast_1d(weight @ np.log(fine.walk))),
        np.exp(np.atleast_1d(weight @ np.log(fine.scatter))),
        np.atleast_1d(weight @ fine.memory),
    )
    return Posterior(tuple(draws), tuple(variance), mean)
