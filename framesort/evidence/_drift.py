"""Regression with a random walk for the drift of seeing and focus."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpttrf, dpttrs, dtbtrs
from scipy.optimize import minimize

from framesort.records import MAD_TO_SIGMA

__all__ = ["DriftFit", "WalkFactor", "fit_with_drift", "robust_weights"]

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


class WalkFactor:
    """Cholesky factor of the covariance of a random walk with independent noise, in linear time.

    Parameters
    ----------
    hours : (n,) float ndarray
        Times, not decreasing.
    walk : float
        Standard deviation of the walk over an hour.
    noise : (n,) float ndarray
        Standard deviation of the noise, above 0.

    Raises
    ------
    numpy.linalg.LinAlgError
        Not positive definite, as with noise that is not a number.

    Notes
    -----
    ``C_ij = walk^2 min(t_i, t_j) + noise_i^2 delta_ij`` with t from the first frame; the level
    at the first frame is a constant in the design. The first differences of the data (of the
    first value itself) have a tridiagonal covariance, whose factors ``L diag(p) L^T`` take
    linear time (Golub and Van Loan, Matrix Computations, 4.3.6). With the differences as a
    matrix D, ``D^-1 L diag(p)^(1/2)`` is then the Cholesky factor of C.
    """

    def __init__(self, hours: Floats, walk: float, noise: Floats) -> None:
        own = noise**2
        self._own, self._walks = own, walk > 0  # without a walk nothing may round: C is diagonal
        self._middle, self._beside = own.copy(), -own[:-1]
        self._middle[1:] += walk**2 * np.diff(hours) + own[:-1]
        self._pivots, self._below, failed = dpttrf(self._middle, self._beside)
        if failed:
            raise np.linalg.LinAlgError("covariance of drift and scatter is not positive definite")
        self._root = np.sqrt(self._pivots) if self._walks else noise
        self._lower = np.ones((2, len(own)))
        self._lower[1, :-1] = self._below

    @property
    def log_root_determinant(self) -> float:
        """Half the logarithm of the covariance's determinant."""
        return float(np.log(self._root).sum())

    def whiten(self, data: Floats) -> Floats:
        """Inverse of the factor times data of shape (n,) or (n, k)."""
        found = data.reshape(len(data), -1)
        if self._walks:
            found = dtbtrs(self._lower, _differences(found), uplo="L", diag="U")[0]
        return np.asarray((found / self._root[:, None]).reshape(data.shape))

    def scatter_of(self, data: Floats) -> Floats:
        """The part of data, shape (n,), that is noise and not walk: ``noise^2 C^-1 data``."""
        if not self._walks:
            return data
        found = dpttrs(self._pivots, self._below, _differences(data[:, None]))[0][:, 0]
        found[:-1] -= found[1:].copy()
        return np.asarray(self._own * found)

    def scatter_variance(self) -> Floats:
        """Variance of `scatter_of` frames drawn from the model, shape (n,).

        That is ``noise^4 (C^-1)_ii``, and ``(C^-1)_ii`` one over the variance of a frame given
        all others: those before it (pivots from above) and after it (from below).
        """
        before = np.maximum(self._pivots - self._own, 0.0)
        upwards = dpttrf(self._middle[::-1], self._beside[::-1])[0][::-1]
        after = np.maximum(upwards[1:] - self._own[:-1], 0.0)
        walk = before.copy()
        walk[:-1] *= after / np.maximum(before[:-1] + after, 1e-300)
        return np.asarray(self._own**2 / (self._own + walk))


def _differences(data: Floats) -> Floats:
    """Each row less the one before, the first as it is."""
    steps = data.copy()
    steps[1:] -= data[:-1]
    return steps


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
    try:
        factor = WalkFactor(hours, float(np.exp(logs[0])), np.exp(logs[1]) * spread)
        white = factor.whiten(np.column_stack([design, y]))
        flat, data = white[:, :-1], white[:, -1]
        inner = np.linalg.cholesky(flat.T @ flat)
    except np.linalg.LinAlgError:
        return 1e10
    along = np.linalg.solve(inner, flat.T @ data)
    return float(
        factor.log_root_determinant
        + np.log(np.diag(inner)).sum()
        + 0.5 * (data @ data - along @ along)
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
        Times, not decreasing.
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
        factor = WalkFactor(hours, float(np.exp(logs[0])), np.exp(logs[1]) * spread)
        residual = y - design @ _solve(factor, y, design)[0]
        spread = 1 / np.sqrt(robust_weights(factor.scatter_of(residual), float(np.exp(logs[1]))))
    value, covariance = _average_over_random_walk(logs, hours, y, design, spread, typical)
    return DriftFit(
        value,
        covariance,
        float(np.exp(logs[1])),
        float(np.exp(logs[0])),
        y - design @ value,
    )


def _solve(factor: WalkFactor, y: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Generalised least squares: coefficients and their covariance."""
    flat, data = factor.whiten(design), factor.whiten(y)
    covariance = np.asarray(np.linalg.pinv(flat.T @ flat, hermitian=True), dtype=float)
    return covariance @ (flat.T @ data), covariance


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
        factor = WalkFactor(hours, float(np.exp(trial[0])), np.exp(trial[1]) * spread)
        value, covariance = _solve(factor, y, design)
        values.append(value)
        covariances.append(covariance)
    weight = np.exp(np.array(scores) - max(scores))
    weight /= weight.sum()
    value = weight @ np.array(values)
    apart = np.array(values) - value
    covariance = np.einsum("i,ijk->jk", weight, np.array(covariances))
    return value, covariance + np.einsum("i,ij,ik->jk", weight, apart, apart)
