"""Hidden states of a night: a Markov chain of runs of similar frames."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.vq import kmeans2
from scipy.special import gammaln

from framesort.evidence._kernel_mean import KernelMean
from framesort.records import MAD_TO_SIGMA

__all__ = ["States", "add_state", "fit_states"]

Floats = NDArray[np.float64]

_NU = 4.0
"""Degrees of freedom of the scatter about a state, for outliers such as trailed frames."""

_STAY = 0.95
"""Probability that the next frame is in the same state: a heater is switched a few times."""

_PRIOR = 6.0
"""Weight, in frames, of the common scatter of the night in the scatter of one state."""

_SMOOTH = 0.75
"""Time scale of the drift of the width, hours; with less a heated interval appears as a drift."""

_MOST = 4
"""Largest number of states."""

_ROUNDS = 60


@dataclass(frozen=True)
class States:
    """States found by `fit_states`; state 0 has the narrowest stars.

    Attributes
    ----------
    chance : (n, k) float ndarray
        Probability that a frame is in a state.
    mean : (k, d) float ndarray
        Mean of the data in each state, without drift.
    scatter : (d, d) float ndarray
        Covariance about state 0.
    data : (n, d) float ndarray
        Data without drift and group levels: state 0 scatters about its mean.
    score : float
        Half the Bayesian information criterion: log likelihood minus the penalty of the
        parameters (Schwarz 1978, Ann. Stat. 6, 461). Higher is better.
    """

    chance: Floats
    mean: Floats
    scatter: Floats
    data: Floats
    score: float


def _log_density(
    data: Floats, known: list[NDArray[np.bool_]], mean: Floats, scatter: Floats
) -> tuple[Floats, Floats]:
    """Log of a multivariate Student density and squared distances; 0 for rows of NaN.

    `known` lists which columns are known, each pattern that occurs in the data once.
    """
    d = data.shape[1]
    distance = np.zeros(len(data))
    log = np.zeros(len(data))
    finite = np.isfinite(data) if len(known) > 1 else None
    for pattern in known:
        rows = slice(None) if finite is None else (finite == pattern).all(axis=1)
        m = int(pattern.sum())
        if m == 0:
            continue
        part = scatter[np.ix_(pattern, pattern)]
        rest = (data[rows][:, pattern] - mean[pattern]).T
        distance[rows] = (rest * np.linalg.solve(part, rest)).sum(axis=0) * d / m
        log[rows] = (
            gammaln((_NU + m) / 2)
            - gammaln(_NU / 2)
            - 0.5 * m * np.log(_NU * np.pi)
            - 0.5 * np.linalg.slogdet(part)[1]
            - 0.5 * (_NU + m) * np.log1p(distance[rows] * m / d / _NU)
        )
    return log, distance


def _forward_backward(log: Floats) -> tuple[Floats, float]:
    """State probabilities of a Markov chain, log likelihood (Rabiner 1989, Proc. IEEE 77, 257).

    The frames are cut into about sqrt(n) runs, and a step is taken in all runs at once: first the
    product of each run's transitions, from which the probabilities at its ends follow, then those
    within.
    """
    n, k = log.shape
    if k == 1:
        return np.ones((n, 1)), float(log.sum())
    move = np.full((k, k), (1 - _STAY) / (k - 1))
    np.fill_diagonal(move, _STAY)
    top = log.max(axis=1)
    runs = int(np.ceil(np.sqrt(n)))
    length = -(-n // runs)
    likely = np.ones((runs * length, k))
    likely[:n] = np.exp(log - top[:, None])
    # Step, run, state: of the first frame nothing comes before.
    likely = np.ascontiguousarray(likely.reshape(runs, length, k).swapaxes(0, 1))
    product = np.broadcast_to(np.eye(k), (runs, k, k))
    for step in range(length):
        product = (product @ move) * likely[step][:, None, :]
        product /= product.sum(axis=(1, 2), keepdims=True)
    begin, end = np.empty((runs, k)), np.empty((runs, k))
    now = np.full(k, 1 / k)  # `move` leaves it as it is
    for run in range(runs):
        begin[run] = now
        now = now @ product[run]
        now /= now.sum()
    back = np.ones(k)
    for run in range(runs - 1, -1, -1):
        end[run] = back
        back = product[run] @ back
        back /= back.sum()
    chance, scale = np.empty((length, runs, k)), np.empty((length, runs))
    for step in range(length):
        begin = (begin @ move) * likely[step]
        scale[step] = begin.sum(axis=1)
        begin /= scale[step][:, None]
        chance[step] = begin
    for step in range(length - 1, -1, -1):
        chance[step] *= end
        end = (likely[step] * end) @ move.T
        end /= end.sum(axis=1, keepdims=True)
    chance = chance.swapaxes(0, 1).reshape(-1, k)[:n]
    chance /= chance.sum(axis=1, keepdims=True)
    return chance, float(np.log(scale.T.ravel()[:n]).sum() + top.sum())


def _weighted(data: Floats, weight: Floats) -> Floats:
    w = np.where(np.isfinite(data), weight[:, None], 0.0)
    return np.asarray((w * np.nan_to_num(data)).sum(axis=0) / np.maximum(w.sum(axis=0), 1e-9))


def _covariance(rest: Floats, weight: Floats) -> Floats:
    rest = np.nan_to_num(rest)
    return (rest * weight[:, None]).T @ rest


def _run(
    data: Floats, smooth: KernelMean, group: NDArray[np.intp], chance: Floats, floor: Floats
) -> States:
    """Expectation maximisation from first guesses of the state probabilities."""
    n, k = chance.shape
    d = data.shape[1]
    weight = np.ones((n, k))
    clear = data.copy()
    known = list(np.unique(np.isfinite(data), axis=0))
    members = [group == g for g in np.unique(group)]
    total = -np.inf
    mean = np.zeros((k, d))
    common = floor
    for turn in range(_ROUNDS):
        for mine in members:
            base = chance[mine, 0] * weight[mine, 0]
            if base.sum() > 1e-3:
                clear[mine] = data[mine] - _weighted(data[mine], base)
        rest = clear[:, 0]
        clear[:, 0] = rest - smooth.average(rest, chance[:, 0] * weight[:, 0])
        mean = np.array([_weighted(clear, chance[:, j] * weight[:, j]) for j in range(k)])
        spread = [_covariance(clear - mean[j], chance[:, j] * weight[:, j]) for j in range(k)]
        mass = chance.sum(axis=0)
        common = (spread[0] + _PRIOR * floor) / (mass[0] + _PRIOR)
        scatter = [common] + [
            (spread[j] + _PRIOR * common) / (mass[j] + _PRIOR) for j in range(1, k)
        ]
        logs, distances = zip(
            *(_log_density(clear, known, mean[j], scatter[j]) for j in range(k)), strict=True
        )
        weight = (_NU + d) / (_NU + np.column_stack(distances))
        chance, new = _forward_backward(np.column_stack(logs))
        if turn > 5 and abs(new - total) < 1e-2:
            break
        total = new
    parameters = k * d + k * d * (d + 1) / 2
    return States(chance, mean, common, clear, total - 0.5 * parameters * np.log(n))


def add_state(
    states: States,
    data: Floats,
    hours: Floats,
    group: NDArray[np.intp],
    inside: NDArray[np.bool_],
) -> States:
    """Fit again with one more state, starting from the frames that are `inside`."""
    chance = np.column_stack([states.chance, np.zeros(len(data))])
    chance[inside] = 0.02
    chance[inside, -1] = 1.0
    chance /= chance.sum(axis=1, keepdims=True)
    return _run(data, KernelMean(hours, _SMOOTH), group, chance, _floor(data))


def _floor(data: Floats) -> Floats:
    """Covariance of single frames, from differences of neighbours (insensitive to drift)."""
    spread = MAD_TO_SIGMA * np.nanmedian(np.abs(np.diff(data, axis=0)), axis=0) / np.sqrt(2)
    return np.diag(np.maximum(np.nan_to_num(spread, nan=1.0), 1e-4) ** 2)


def _first_guesses(level: Floats) -> list[NDArray[np.intp]]:
    """Divisions of the frames: one state, by width, by spike, by clusters in all data."""
    n = len(level)
    level = np.where(np.isfinite(level), level, np.nanmedian(level, axis=0))
    rank = np.argsort(np.argsort(level[:, 0], kind="stable")) / max(n - 1, 1)
    guesses = [np.zeros(n, dtype=np.intp)]
    guesses += [(rank > cut).astype(np.intp) for cut in (0.25, 0.4, 0.55, 0.7, 0.85)]
    # By the spike alone: in variable seeing the width misleads.
    spike = np.hypot(level[:, 1], level[:, -1])
    rank = np.argsort(np.argsort(spike, kind="stable")) / max(n - 1, 1)
    guesses += [(rank > cut).astype(np.intp) for cut in (0.5, 0.75)]
    # Compress large steps, which would hide smaller ones in a clustering by distance.
    squeezed = np.arcsinh(level / 3)
    for k in range(2, _MOST + 1):
        for seed in range(2):
            centres, number = kmeans2(
                squeezed, k, minit="++", rng=np.random.default_rng(seed), missing="warn"
            )
            order = np.argsort(np.argsort(centres[:, 0]))
            guesses.append(order[number])
    return guesses


def fit_states(data: Floats, hours: Floats, group: NDArray[np.intp]) -> States:
    """Sort frames into states with means, in runs, allowing a drift of the width.

    Parameters
    ----------
    data : (n, d) float ndarray
        First column: log FWHM; the others: spike vector. NaN where unknown.
    hours : (n,) float ndarray
        Times, increasing.
    group : (n,) int ndarray
        Frames of one group have a common level.

    Notes
    -----
    A hidden Markov chain with Student scatter, fitted by expectation maximisation from several
    first guesses (a state of the widest frames for several percentages; clusters); the number of
    states is that of the best information criterion.
    """
    floor, smooth = _floor(data), KernelMean(hours, _SMOOTH)
    level = data.copy()
    for g in np.unique(group):
        level[group == g] -= np.nanpercentile(data[group == g], 25, axis=0)
    best = None
    for number in _first_guesses(level / np.sqrt(np.diag(floor))):
        chance = np.full((len(data), number.max() + 1), 0.05)
        chance[np.arange(len(data)), number] = 1.0
        chance /= chance.sum(axis=1, keepdims=True)
        found = _run(data, smooth, group, chance, floor)
        if best is None or found.score > best.score:
            best = found
    assert best is not None
    order = np.argsort(best.mean[:, 0])
    if order[0] != 0 and best.chance[:, order[0]].sum() > 2:
        # State 0 must not be a heated one: start again from the narrowest state.
        found = _run(data, smooth, group, best.chance[:, order], floor)
        best = found if found.mean[:, 0].argmin() == 0 else best
    return best
