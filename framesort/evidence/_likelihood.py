"""Likelihood of a heater's effect on the width and spike of frames."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from framesort.evidence._drift import WalkFactor, fit_with_drift, robust_weights
from framesort.evidence._energy import Energy
from framesort.evidence._series import Series, group_constants, list_channels
from framesort.records import step_noise

__all__ = ["Channel", "measure_scatter", "piece_gains", "score_powers", "split_pieces", "whiten"]

Floats = NDArray[np.float64]

_UNKNOWN = 3.0
"""Penalty in log likelihood for a frame of unknown power at an offset: heated and unheated frames
differ by a few sigma, which is what a prediction would gain."""

_ON = 0.95
"""Heater share above which a frame has the full effect of its power."""

_MOST = 12
"""Largest number of heated intervals with separate effects; beyond it one power is assumed."""


_BLOCK = 256
"""Offsets scored at once, to limit the memory."""


@dataclass(frozen=True)
class Channel:
    """One measured quantity of all frames, whitened for drift, scatter and group levels.

    Attributes
    ----------
    factor : WalkFactor
        Of the covariance of drift and scatter.
    levels : (n, g) float ndarray
        Orthonormal basis of the whitened group levels.
    data : (n,) float ndarray
        The whitened data.
    wider : bool
        True for the width: the heater cannot make stars narrower.
    """

    factor: WalkFactor
    levels: Floats
    data: Floats
    wider: bool

    def whiten(self, columns: Floats) -> Floats:
        """Columns (n, k) of a model, whitened: residuals then have unit variance."""
        return _without(self.levels, self.factor.whiten(columns))


def _without(basis: Floats, columns: Floats) -> Floats:
    """What an orthonormal basis leaves of columns, shape (n,) or (n, k)."""
    return np.asarray(columns - basis @ (basis.T @ columns))


def measure_scatter(series: Series, heat: Floats) -> list[tuple[float, Floats]]:
    """Random walk and noise of each frame, by channel.

    `heat`, (n, k), are columns for the heater's effect; linearly dependent ones are dropped.
    """
    hours = series.start / 3600.0
    result = []
    for y in list_channels(series):
        known = np.isfinite(y)
        design = np.column_stack([group_constants(series), heat])[known]
        keep: list[int] = []
        for k in range(design.shape[1]):
            if np.linalg.matrix_rank(design[:, [*keep, k]], tol=1e-6) > len(keep):
                keep.append(k)
        fit = fit_with_drift(hours[known], y[known], design[:, keep])
        weights = np.zeros(len(y))
        smooth = np.convolve(np.pad(fit.residual, 2, mode="edge"), np.ones(5) / 5, mode="valid")
        weights[known] = robust_weights(fit.residual - smooth, fit.noise)
        noise = fit.noise / np.sqrt(np.maximum(weights, 1e-6))
        result.append((fit.walk, noise))
    return result


def whiten(series: Series, scale: list[tuple[float, Floats]]) -> list[Channel]:
    """Whitened channels for the scatter from `measure_scatter`.

    With an empty `scale` the scatter is taken as equal for all frames and without drift.
    """
    constants = group_constants(series)
    channels = []
    for number, y in enumerate(list_channels(series)):
        y = np.where(np.isfinite(y), y, np.nanmedian(y))
        walk, noise = scale[number] if scale else (0.0, np.full(len(y), max(step_noise(y), 1e-4)))
        factor = WalkFactor(series.start / 3600.0, walk, noise)
        levels = np.linalg.qr(factor.whiten(constants))[0]
        channels.append(Channel(factor, levels, _without(levels, factor.whiten(y)), not number))
    return channels


def score_powers(
    series: Series,
    channels: list[Channel],
    energy: Energy,
    offsets: Floats,
    counts: Floats | float = 1.0,
) -> Floats:
    """Log likelihood of each offset relative to no effect of the heater.

    The effect is linear and quadratic in power. A frame of unknown power counts as unheated, with
    a penalty. `counts` are the frames in each row of a series from `pool_frames`.
    """
    total = np.empty(len(offsets))
    for k in range(0, len(offsets), _BLOCK):
        part = slice(k, k + _BLOCK)
        powers = energy.at(series.start, series.exposure, offsets[part]) / 100.0
        frames = np.broadcast_to(np.asarray(counts, dtype=float), len(powers))
        total[part] = -_UNKNOWN * (frames @ np.isnan(powers))
        powers = np.nan_to_num(powers)
        for channel in channels:
            linear, square = channel.whiten(powers), channel.whiten(powers**2)
            total[part] += _gains(linear, square, channel.data, powers, wider=channel.wider)
    return total


def _gains(linear: Floats, square: Floats, y: Floats, powers: Floats, *, wider: bool) -> Floats:
    """Half the decrease of chi squared with terms in power and its square, by column."""
    size = np.maximum((linear**2).sum(axis=0), 1e-30)
    slope = (y @ linear) / size
    along = (linear * square).sum(axis=0) / size
    square = square - along * linear
    rest = (square**2).sum(axis=0)
    two_levels = rest < 1e-6 * size  # power and its square are then linearly dependent
    bend = np.where(two_levels, 0.0, (y @ square) / np.where(two_levels, 1.0, rest))
    gain = 0.5 * (slope**2 * size + bend**2 * rest)
    constant = np.ptp(powers, axis=0) < 0.02
    top = powers.max(axis=0)
    narrower = wider & ((slope - along * bend) * top + bend * top**2 <= 0)
    return np.where(constant | narrower, 0.0, gain)


def split_pieces(share: Floats, number: NDArray[np.intp]) -> NDArray[np.intp]:
    """Divide heated time into intervals with separate effects.

    Parameters
    ----------
    share : (n,) float ndarray
        Heater share from the log, frames in order of time; NaN where unknown.
    number : (n,) int ndarray
        Number of the state from the stars, -1 where unknown.

    Returns
    -------
    (n,) int ndarray
        The interval that each frame is in or nearest to, from 0; all -1 if no frame is heated.
        An interval ends where heating ends in the log, and where the stars change for two frames
        or more, since "on" in a log may mean different powers.
    """
    heated = np.flatnonzero(share > _ON)
    piece = np.full(len(share), -1, dtype=np.intp)
    if not heated.size:
        return piece
    parted = np.diff(heated) > 1
    label = number[heated]
    begins = np.flatnonzero(np.r_[True, parted])
    for begin, end in zip(begins, np.r_[begins[1:], len(label)], strict=True):
        label[begin:end] = _without_singles(label[begin:end])
    changed = parted | (np.diff(label) != 0)
    for breaks in (changed, parted, np.zeros(len(parted), dtype=bool)):
        if breaks.sum() < min(_MOST, len(share) / 4):
            break
    inside = np.r_[0, np.cumsum(breaks)].astype(np.intp)
    # Between two heated frames the nearer one counts, halfway the earlier.
    middle = 0.5 * (heated[1:] + heated[:-1])
    return np.asarray(inside[np.searchsorted(middle, np.arange(len(share)))])


def _without_singles(label: NDArray[np.intp]) -> NDArray[np.intp]:
    """Labels without runs of a single frame: no power is set for one frame only."""
    label = label.copy()
    for i in range(len(label)):
        around = [label[j] for j in (i - 1, i + 1) if 0 <= j < len(label)]
        if around and label[i] not in around:
            label[i] = around[-1] if i == 0 else around[0]
    return label


def piece_gains(
    series: Series,
    channels: list[Channel],
    switched: Energy,
    offsets: Floats,
    piece: NDArray[np.intp],
) -> Floats:
    """Log likelihood of each offset relative to no heater, each interval with its own effect.

    `piece` is from `split_pieces`. The penalty of its effects is subtracted (half the logarithm
    of the number of frames for each, as in the Bayesian information criterion).
    """
    shares = switched.at(series.start, series.exposure, offsets) / 100.0
    cost = _UNKNOWN * np.isnan(shares).sum(axis=0)
    shares = np.nan_to_num(shares)
    count = int(piece.max()) + 1
    if not count:
        return np.asarray(-cost)
    members = (piece[:, None] == np.arange(count)).astype(float)
    price = 0.5 * np.log(len(series.start)) * count * len(channels)
    total = np.zeros(len(offsets))
    for column in range(len(offsets)):
        design = members * shares[:, column : column + 1]
        design = design[:, design.any(axis=0)]
        for channel in channels:
            total[column] += _gain(channel.whiten(design), channel)
    return np.asarray(total - price - cost)


def _gain(white: Floats, channel: Channel) -> float:
    """Half the decrease of chi squared by a design; the width can only grow."""
    if not white.shape[1]:
        return 0.0
    fit = (
        nnls(white, channel.data)[0]
        if channel.wider
        else np.linalg.lstsq(white, channel.data, rcond=1e-9)[0]
    )
    rest = channel.data - white @ fit
    return 0.5 * float(channel.data @ channel.data - rest @ rest)
