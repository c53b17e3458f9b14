"""Regression with a random walk for the drift of seeing and focus."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from framesort.records import MAD_TO_SIGMA

__all__ = ["DriftFit", "fit_with_drift", "random_walk_covariance", "robust_weights"]

Floats = NDArray[np.float64]

_WALK_SPREAD = 0.7
"""Prior standard deviation of the drift about its typical size, natural logarithm."""

_OUTLIER = 2.5
"""Standard deviations beyond which a frame is down-weighted: it may be trailed or shaken."""


@dataclass(frozen=True)
class DriftFit:
    """Result of `fit_with_drift`.

    Attributes
    ----------
    value, covariance : (k,) and (k, k) float ndarray
        Coefficients of the design's columns.
    noise : float
        Scatter from frame to frame.
    walk : float
        Standard deviation of the drift over an hour.
    residual : (n,) float ndarray
        Data minus the fitted design, including the drift.
    """

    value: Floats
    covariance: Floats
    noise: float
    walk: float
    residual: Floats


def random_walk_covariance(hours: Floats, walk: float, noise: Floats) -> Floats:
    """Covariance of a random walk with independent noise.

    ``C_ij = walk^2 min(t_i, t_j) + noise_i^2 delta_ij`` with t from the first frame; the level
    at the first frame is a constant in the design.
    """
    t = hours - hours.min()
    covariance = walk**2 * np.minimum(t[:, None], t[None, :])
    covariance[np.diag_indices_from(covariance)] += noise**2
    return np.asarray(covariance)


def robust_weights(residual: Floats, scale: float) -> Floats:
    """Weights 1 up to 2.5 standard deviations, then ``(2.5 s / r)^2``.

    Similar to Huber's weights (1964, Ann. Math. Stat. 35, 73) with a bounded influence of single
    frames; normal scatter is almost unaffected, which keeps the estimated noise unbiased.
    """
    size = np.abs(residual) / max(scale, 1e-12)
    return np.where(size > _OUTLIER, (_OUTLIER / np.maximum(size, _OUTLIER)) ** 2, 1.0)


def _restricted(
    logs: Floats, hours: Floats, y: Floats, design: Floats, spread: Floats, typical: float
) -> float:
    """Negative restricted log likelihood (Patterson and Thompson 1971, Biometrika 58, 545).

    With a log-normal prior of the walk about `typical`.
    """
    covariance = random_walk_covariance(hours, np.exp(logs[0]), np.exp(logs[1]) * spread)
    try:
        factor = cho_factor(covariance, lower=True)
        inner = cho_factor(design.T @ cho_solve(factor, design), lower=True)
    except np.linalg.LinAlgError:
        return 1e10
    beta = cho_solve(inner, design.T @ cho_solve(factor, y))
    rest = y - design @ beta
    return float(
        np.log(np.diag(factor[0])).sum()
        + np.log(np.diag(inner[0])).sum()
        + 0.5 * rest @ cho_solve(factor, rest)
        + 0.5 * ((logs[0] - np.log(typical)) / _WALK_SPREAD) ** 2
    )


def fit_with_drift(
    hours: Floats, y: Floats, design: Floats, *, typical: float | None = None, rounds: int = 3
) -> DriftFit:
    """Generalised least squares with a random walk and heavy-tailed scatter.

    ``y = design @ value + walk(t) + noise`` with the walk and noise of highest restricted
    likelihood; outliers are down-weighted and the fit repeated.

    Parameters
    ----------
    hours : (n,) float ndarray
        Times.
    y : (n,) float ndarray
        Data, finite.
    design : (n, k) float ndarray
        Columns to fit; a constant among them; n > k.
    typical : float or None
        Prior size of the drift over an hour, which a short night does not constrain. None for the
        scatter from frame to frame.
    rounds : int
        Number of fits with updated weights.
    """
    spread = np.ones(len(y))
    rough = MAD_TO_SIGMA * float(np.median(np.abs(np.diff(y) - np.median(np.diff(y))))) / np.sqrt(2)
    rough = max(rough, 1e-4)
    typical = rough if typical is None else typical
    logs = np.log([typical, rough])
    for turn in range(rounds):
        found = minimize(
            _restricted,
            logs,
            args=(hours, y, design, spread, typical),
            method="Nelder-Mead",
            options={"maxiter": 120, "xatol": 0.02, "fatol": 0.01},
        )
        logs = np.clip(found.x, np.log(1e-5), np.log(10.0))
        if turn == rounds - 1:
            break
        noise = np.exp(logs[1]) * spread
        total = random_walk_covariance(hours, float(np.exp(logs[0])), noise)
        residual = y - design @ _solve(total, y, design)[0]
        # The part of the residual that is scatter, not walk: noise^2 C^-1 r.
        scatter = noise**2 * cho_solve(cho_factor(total, lower=True), residual)
        spread = 1 / np.sqrt(robust_weights(scatter, float(np.exp(logs[1]))))
    value, covariance = _average_over_random_walk(logs, hours, y, design, spread, typical)
    return DriftFit(
        value,
        covariance,
        float(np.exp(logs[1])),
        float(np.exp(logs[0])),
        y - design @ value,
    )


def _solve(total: Floats, y: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Generalised least squares: coefficients and their covariance."""
    factor = cho_factor(total, lower=True)
    covariance = np.linalg.pinv(design.T @ cho_solve(factor, design), hermitian=True)
    return covariance @ (design.T @ cho_solve(factor, y)), covariance


def _average_over_random_walk(
    logs: Floats, hours: Floats, y: Floats, design: Floats, spread: Floats, typical: float
) -> tuple[Floats, Floats]:
    """Coefficients and covariance, averaged over the size of the walk.

    A short night constrains it poorly, and with the most likely value alone the errors would be
    too small.
    """
    values, covariances, scores = [], [], []
    for step in (-1.4, -0.7, 0.0, 0.7, 1.4):
        trial = logs + np.array([step, 0.0])
        scores.append(-_restricted(trial, hours, y, design, spread, typical))
        total = random_walk_covariance(hours, float(np.exp(trial[0])), np.exp(trial[1]) * spread)
        value, covariance = _solve(total, y, design)
        values.append(value)
        covariances.append(covariance)
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    value = weight @ np.array(values)
    apart = np.array(values) - value
    covariance = np.einsum("i,ijk->jk", weight, np.array(covariances))
    return value, covariance + np.einsum("i,ij,ik->jk", weight, apart, apart)
