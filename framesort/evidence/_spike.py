"""The spike in excess of the heater-off frames of the night.

Stars are not round with the heater off either: they trail, a spider makes a cross, saturated
pixels bleed. That light against angle is similar in all heater-off frames and varies in few ways.
So the light of a frame against angle is modelled as

    mean of the heater-off frames + their modes of change + strength * spike at some angle

(the mean and modes are the principal components of the heater-off frames; Jolliffe 2002,
Principal Component Analysis), and solved for the strength at each angle. The uncertainty follows
from the heater-off frames, each compared with the others.
"""

import functools
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from framesort.records import SPIKE_BINS, FrameQuality
from framesort.stars import peak_angle, spike_template

__all__ = ["measure_spike_excess"]

_MODES = 3
"""Largest number of modes: two for a trail of varying length and direction, one for focus."""

_FRAMES_A_MODE = 5
"""Heater-off frames needed for each mode, so that no mode follows a single frame."""

_FEW = 40
"""Heater-off frames up to which each is left out by a decomposition of all the others, whose time
grows with their number."""

_PRIOR_FRAMES = 3.0
"""Weight of the prior of the scatter, in frames."""

_PRIOR_SHARE = 0.15
"""Prior scatter of the heater-off light, as a share of the strongest heater-off spike."""

_ANGLES = np.arange(0.0, 180.0)


def measure_spike_excess(
    qualities: Sequence[FrameQuality], groups: Any, unheated: Any
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Spike of each frame in excess of the heater-off frames of its group.

    Parameters
    ----------
    qualities : sequence of FrameQuality
        One per frame; their `spike_profile` is used.
    groups : (n,) array_like of str
        Frames that may be compared: same filter, exposure, size, binning and gain.
    unheated : (n,) bool array_like
        True for heater-off frames. Each of them is compared with the others.

    Returns
    -------
    strength, error, angle : (n,) float ndarray
        Share of the light of the stars, its uncertainty, degrees [0, 180). The uncertainty
        includes that of the frame, the scatter of the heater-off frames, and the free choice of
        the angle. A group without heater-off frames is compared with those of all groups, its
        uncertainty doubled. A night without any is compared with the light that four fifths of
        its frames exceed at each angle, which measures differences only, and the uncertainty
        then includes the spike of the weakest fifth. NaN where a frame has no measurement.

    Raises
    ------
    ValueError
        Lengths differ.
    """
    names = np.array([str(group) for group in groups], dtype=object)
    cold = np.asarray(unheated, dtype=bool)
    n = len(qualities)
    if len(names) != n or len(cold) != n:
        raise ValueError(
            f"qualities, groups and unheated must have one length, got {n}, {len(names)}, "
            f"{len(cold)}"
        )
    profile = np.array([q.spike_profile for q in qualities], dtype=float).reshape(n, SPIKE_BINS)
    own = np.array([q.spike_raw_err for q in qualities], dtype=float)
    good = np.isfinite(profile).all(axis=1) & np.isfinite(own)
    result = np.full((3, n), np.nan)
    for name in sorted(set(names)):
        rows = np.flatnonzero((names == name) & good)
        if len(rows) == 0:
            continue
        widen, floor, modes = 1.0, 0.0, _MODES
        reference = rows[cold[rows]]
        if len(reference) == 0:
            reference, widen = np.flatnonzero(good & cold), 2.0
        if len(reference) == 0:
            raw = np.array([qualities[int(i)].spike_raw for i in rows])
            reference, floor, modes = rows, float(np.quantile(raw, 0.2)), 0
        strength, error, angle = _excess(profile, own, rows, reference, modes)
        result[:, rows] = strength, np.hypot(widen * error, floor), angle
    return result[0], result[1], result[2]


def _modes(
    profile: NDArray[np.float64], most: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and principal components of heater-off profiles.

    With `most` = 0 the profiles are those of any frames: only some of them have a spike, so the
    common light is their 20 % quantile at each angle.
    """
    mean = profile.mean(axis=0) if most else np.quantile(profile, 0.2, axis=0)
    count = min(most, (len(profile) - 1) // _FRAMES_A_MODE)
    if count < 1:
        return mean, np.empty((0, SPIKE_BINS))
    return mean, np.linalg.svd(profile - mean, full_matrices=False)[2][:count]


def _without_each(
    profile: NDArray[np.float64], most: int
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """`_modes` of all profiles but one, for each in turn."""
    count = len(profile)
    if count <= _FEW or not most:
        for k in range(count):
            yield _modes(np.delete(profile, k, axis=0), most)
        return
    # Without one the sum of squares about the mean is smaller by that of its difference.
    mean = profile.mean(axis=0)
    apart = profile - mean
    square = apart.T @ apart
    modes = slice(None, -1 - min(most, (count - 2) // _FRAMES_A_MODE), -1)
    for one in apart:
        axes = np.linalg.eigh(square - np.outer(one, one) * (count / (count - 1)))[1]
        yield mean - one / (count - 1), axes.T[modes]


@functools.cache
def _centred_template() -> NDArray[np.float64]:
    """Template of the spike at each angle without its mean; it takes longer than all the rest."""
    shape = spike_template(_ANGLES)
    return np.asarray(shape - shape.mean(axis=1, keepdims=True))


def _filter(modes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights that give the strength of a spike at each angle.

    Least squares of the spike with a constant and the modes: the template of the spike is
    orthogonalised to both, then projected on the profile (Frisch & Waugh 1933).
    """
    shape = _centred_template()
    whole = (shape**2).sum(axis=1, keepdims=True)
    if len(modes):
        shape = shape - shape @ modes.T @ modes
    # Where the modes contain nearly all of the template the spike is degenerate with them: the
    # limited weights underestimate the strength there instead of amplifying noise.
    left = np.maximum((shape**2).sum(axis=1, keepdims=True), 0.2 * whole)
    return np.asarray(shape / left)


def _excess(
    profile: NDArray[np.float64],
    own: NDArray[np.float64],
    rows: NDArray[np.int64],
    reference: NDArray[np.int64],
    most: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Strength, uncertainty and angle of `rows` against `reference`."""
    mean, modes = _modes(profile[reference], most)
    weights = _filter(modes)
    by_angle = {int(i): weights @ (profile[i] - mean) for i in rows}
    alone = []
    if len(reference) > 1:
        for i, (m, v) in zip(reference, _without_each(profile[reference], most), strict=True):
            alone.append(_filter(v) @ (profile[i] - m))
            by_angle[int(i)] = alone[-1]
    # Scatter of the heater-off frames at each angle, combined with a prior.
    prior = _PRIOR_SHARE * max(0.0, float((_filter(modes[:0]) @ mean).max()))
    squares = np.sum(np.square(alone), axis=0) if alone else np.zeros(len(_ANGLES))
    freedom = max(0, len(alone) - 1)
    scatter = np.sqrt((squares + _PRIOR_FRAMES * prior**2) / (freedom + _PRIOR_FRAMES))
    if len(reference) == 1:
        by_angle[int(reference[0])] = np.zeros(len(_ANGLES))
    chance = ndtr(-3) * (1 / float((spike_template(_ANGLES[:1]) ** 2).sum())) / SPIKE_BINS
    widened = -float(stdtrit(freedom + _PRIOR_FRAMES, chance)) / 3
    typical = float(np.median(own[reference]))
    strength, error, angle = np.empty((3, len(rows)))
    for k, i in enumerate(rows):
        # The scatter includes the typical error of a frame already; add only the excess.
        beyond = max(0.0, own[i] ** 2 - typical**2)
        spread = np.sqrt(scatter**2 + beyond)
        values = by_angle[int(i)]
        best = int(np.argmax(values / spread))
        strength[k], angle[k] = values[best], peak_angle(values, _ANGLES, best)
        error[k] = spread[best] * widened
    return strength, error, angle
