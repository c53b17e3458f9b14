"""The spike beyond that of the night's heater-off frames.

Stars are not round with the heater off either: they trail, a spider makes a cross, a full
row bleeds. That light by angle is much the same in all heater-off frames, and where it
changes it changes in few ways. So a frame's light by angle is taken as

    mean of the heater-off frames + their modes of change + strength * spike at some angle

(the mean and modes are the principal components of the heater-off frames; Jolliffe 2002,
Principal Component Analysis, ch. 2), and solved for the strength at each angle. What the
heater-off frames themselves show when each is compared with the others tells the uncertainty.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from framesort.records import SPIKE_BINS, FrameQuality
from framesort.stars import peak_angle, spike_template

__all__ = ["measure_spike_excess"]

_MODES = 3
"""Most modes: a trail that changes in length and in direction makes two, a focus drift one."""

_FRAMES_A_MODE = 5
"""Heater-off frames needed for each mode, so that a mode is no single frame's own."""

_PRIOR_FRAMES = 3.0
"""Weight of what is assumed of the scatter before the heater-off frames are seen, in frames."""

_PRIOR_SHARE = 0.15
"""Assumed scatter of the heater-off light, as a share of the strongest heater-off spike."""

_ANGLES = np.arange(0.0, 180.0)


def measure_spike_excess(
    qualities: Sequence[FrameQuality], groups: Any, unheated: Any
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Spike of each frame beyond the heater-off frames of its group.

    Parameters
    ----------
    qualities : sequence of FrameQuality
        One a frame; their `spike_profile` is used.
    groups : (n,) array_like of str
        Frames that may be compared: same filter, exposure, size, binning and gain.
    unheated : (n,) bool array_like
        True for heater-off frames. Each of them is compared with the others of them.

    Returns
    -------
    strength, error, angle : (n,) float ndarray
        Share of the stars' light, its uncertainty, degrees [0, 180). The uncertainty holds
        the frame's own, the scatter of the heater-off frames, and the free choice of the
        angle. A group without heater-off frames is compared with those of all groups, its
        uncertainty doubled; a night without any with the light that four fifths of its frames
        have at each angle, which tells differences only, and the uncertainty then holds the
        spike of the least of them. NaN where a frame has no measurement.

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

    Where no modes are asked, the profiles are those of any frames: a spike stands in some of
    them only, so the light that all have is what a fifth of them do not reach, angle by angle.
    """
    mean = profile.mean(axis=0) if most else np.quantile(profile, 0.2, axis=0)
    count = min(most, (len(profile) - 1) // _FRAMES_A_MODE)
    if count < 1:
        return mean, np.empty((0, SPIKE_BINS))
    return mean, np.linalg.svd(profile - mean, full_matrices=False)[2][:count]


def _filter(modes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Weights that give the strength of a spike at each of the angles.

    Least squares of the spike beside a constant and the modes: the spike's template is freed
    of both, then compared with the profile (Frisch & Waugh 1933).
    """
    shape = spike_template(_ANGLES)
    shape = shape - shape.mean(axis=1, keepdims=True)
    whole = (shape**2).sum(axis=1, keepdims=True)
    if len(modes):
        shape = shape - shape @ modes.T @ modes
    # Where the modes take nearly all of the template the spike cannot be told from them: the
    # weights stay finite and the strength is then underestimated there, not made of noise.
    left = np.maximum((shape**2).sum(axis=1, keepdims=True), 0.2 * whole)
    return shape / left


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
        for i in reference:
            others = reference[reference != i]
            m, v = _modes(profile[others], most)
            alone.append(_filter(v) @ (profile[i] - m))
            by_angle[int(i)] = alone[-1]
    # Scatter of the heater-off frames at each angle, with an assumed one beside it for few.
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
        # The scatter holds the usual error of a frame already; count only what is beyond.
        beyond = max(0.0, own[i] ** 2 - typical**2)
        spread = np.sqrt(scatter**2 + beyond)
        values = by_angle[int(i)]
        best = int(np.argmax(values / spread))
        strength[k], angle[k] = values[best], peak_angle(values, _ANGLES, best)
        error[k] = spread[best] * widened
    return strength, error, angle
