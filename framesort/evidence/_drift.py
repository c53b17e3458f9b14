"""Regression of a quantity that also drifts: seeing and focus as a random walk."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

__all__ = ["DriftFit", "fit_with_drift", "robust_weights", "walk_covariance"]

Floats = NDArray[np.float64]

_NU = 4.0
"""Degrees of freedom of the scatter: now and then a frame is trailed or blurred by wind."""


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
        Data minus the fitted design, drift left in.
    """

    value: Floats
    covariance: Floats
    noise: float
    walk: float
    residual: Floats


def walk_covariance(hours: Floats, walk: float, noise: Floats) -> Floats:
    """Covariance of a random walk seen with independent noise.

    ``C_ij = walk^2 min(t_i, t_j) + noise_i^2 delta_ij`` with t from the first frame on;
    the level at the first frame is left to a constant in the design.
    """
    t = hours - hours.min()
    covariance = walk**2 * np.minimum(t[:, None], t[None, :])
    covariance[np.diag_indices_from(covariance)] += noise**2
    return covariance


def robust_weights(residual: Floats, scale: float) -> Floats:
    """Weights of a Student distribution with 4 degrees of freedom.

    ``w = (nu + 1) / (nu + (r / s)^2)`` (Lange, Little and Taylor 1989, J. Am. Stat. Assoc.
    84, 881), not above 1.
    """
    return np.minimum((_NU + 1) / (_NU + (residual / max(scale, 1e-12)) ** 2), 1.0)


def _restricted(logs: Floats, hours: Floats, y: Floats, design: Floats, spread: Floats) -> float:
    """Minus the restricted log likelihood (Patterson and Thompson 1971, Biometrika 58, 545)."""
    covariance = walk_covariance(hours, np.exp(logs[0]), np.exp(logs[1]) * spread)
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
    )


def fit_with_drift(hours: Floats, y: Floats, design: Floats, *, rounds: int = 3) -> DriftFit:
    """Generalised least squares with a random walk and heavy-tailed scatter.

    ``y = design @ value + walk(t) + noise``: the size of walk and noise are those of highest
    restricted likelihood, outliers are weighted down and the fit repeated.

    Parameters
    ----------
    hours : (n,) float ndarray
        Times.
    y : (n,) float ndarray
        Data, finite.
    design : (n, k) float ndarray
        Columns to fit; a constant among them; n > k.
    rounds : int
        Repeats for the weights.
    """
    n, k = design.shape
    spread = np.ones(n)
    rough = 1.4826 * float(np.median(np.abs(np.diff(y) - np.median(np.diff(y))))) / np.sqrt(2)
    rough = max(rough, 1e-4)
    logs = np.log([rough, rough])
    value, covariance, residual, factor = np.zeros(k), np.eye(k), y.copy(), None
    for _ in range(rounds):
        found = minimize(
            _restricted,
            logs,
            args=(hours, y, design, spread),
            method="Nelder-Mead",
            options={"maxiter": 120, "xatol": 0.02, "fatol": 0.01},
        )
        logs = np.clip(found.x, np.log(1e-5), np.log(10.0))
        noise = np.exp(logs[1]) * spread
        total = walk_covariance(hours, np.exp(logs[0]), noise)
        factor = cho_factor(total, lower=True)
        covariance = np.linalg.inv(design.T @ cho_solve(factor, design))
        value = covariance @ (design.T @ cho_solve(factor, y))
        residual = y - design @ value
        # The part of the residual that is scatter, not walk: noise^2 C^-1 r.
        scatter = noise**2 * cho_solve(factor, residual)
        weights = robust_weights(scatter, float(np.exp(logs[1])))
        spread = 1 / np.sqrt(weights)
    return DriftFit(value, covariance, float(np.exp(logs[1])), float(np.exp(logs[0])), residual)
