"""Sudden steps in a noisy, drifting current, apart from spikes and ramps."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

__all__ = ["Step", "find_steps"]

Floats = NDArray[np.float64]

_WINDOW = 60.0
"""Seconds on each side of a step that are compared: long against noise, short against drift."""

_SPIKE = 25.0
"""Seconds: excursions up to this long are spikes (a slew, a focuser, a filter wheel)."""

_SLEW = 150.0
"""Seconds: an excursion up to this long and back is a long slew, a meridian flip, no heater."""

_SIGNIFICANT = 6.0
"""A step must exceed so many standard deviations of the difference between two windows."""

_RAMP = 30.0
"""Seconds a step may take from a fifth to four fifths of its height: a heater is switched."""

_MOST = 200
"""Stop looking after so many steps: such a trace is not piecewise constant."""


@dataclass(frozen=True)
class Step:
    """A change of level.

    Attributes
    ----------
    index : int
        First sample on the new level.
    height : float
        New level minus old level.
    error : float
        Its standard deviation.
    sudden : bool
        False for a ramp.
    """

    index: int
    height: float
    error: float
    sudden: bool = True


def _noise(current: Floats) -> float:
    """Standard deviation of one sample, from differences of neighbours (blind to drift)."""
    return float(1.4826 * np.median(np.abs(np.diff(current))) / np.sqrt(2))


def _contrast(current: Floats, width: int) -> Floats:
    """Mean of the `width` samples from i on, minus the mean of those before i."""
    total = np.r_[0.0, np.cumsum(current)]
    n = len(current)
    i = np.arange(n)
    low, high = np.maximum(i - width, 0), np.minimum(i + width, n)
    before = (total[i] - total[low]) / np.maximum(i - low, 1)
    after = (total[high] - total[i]) / (high - i)
    contrast = after - before
    # Too few samples on one side say little: the ends need a quarter of the window.
    contrast[(i - low < max(width // 4, 2)) | (high - i < max(width // 4, 2))] = 0.0
    return contrast


def find_steps(current: Floats, *, cadence: float) -> tuple[list[Step], int]:
    """Find sudden lasting changes of level.

    Parameters
    ----------
    current : (n,) float ndarray
        Samples at a steady cadence.
    cadence : float
        Seconds between samples.

    Returns
    -------
    steps : list of Step
        In order of time.
    slews : int
        Number of excursions that were taken as long slews and left out.

    Notes
    -----
    Spikes are taken out with a running median. The largest difference between the means
    of a window before and after a sample marks a step; the step is subtracted and
    the search repeated (matching pursuit, Mallat and Zhang 1993, IEEE Trans. Signal Process.
    41, 3397, with unit steps as the dictionary) until no difference exceeds six standard
    deviations. Heights are differences of medians up to the neighbouring steps.
    """
    half = max(round(_SPIKE / cadence), 1)
    if len(current) < 4 * half:
        return [], 0
    clean = median_filter(current, size=2 * half + 1, mode="nearest")
    width = max(round(_WINDOW / cadence), 8)
    noise = max(_noise(current), 1e-9)
    limit = _SIGNIFICANT * max(
        noise * np.sqrt(2.0 / width), 1.4826 * float(np.median(np.abs(_contrast(clean, width))))
    )
    rest = clean.copy()
    places: list[int] = []
    while len(places) < _MOST:
        contrast = _contrast(rest, width)
        place = int(np.argmax(np.abs(contrast)))
        if abs(contrast[place]) <= limit:
            break
        if place in places:  # its height was off: what is left of it is not another step
            rest[place:] -= contrast[place]
            if places.count(place) > 3:
                break
        else:
            rest[place:] -= contrast[place]
        places.append(place)
    steps = _measure(current, clean, sorted(set(places)), width, cadence, noise)
    steps = [step for step in steps if abs(step.height) > limit]
    kept, slews = _drop_slews(steps, cadence)
    return _measure(current, clean, [s.index for s in kept], width, cadence, noise), slews


def _measure(
    current: Floats, clean: Floats, places: list[int], width: int, cadence: float, noise: float
) -> list[Step]:
    """Height, error and suddenness of steps at known places."""
    steps = []
    bounds = [0, *places, len(current)]
    for k, place in enumerate(places, 1):
        # A ramp spreads around its place: leave it out of the levels on either side.
        guard = min(2, (place - bounds[k - 1]) // 3, (bounds[k + 1] - place) // 3)
        left = current[max(bounds[k - 1], place - width) : max(place - guard, bounds[k - 1] + 1)]
        right = current[min(place + guard, bounds[k + 1] - 1) : min(bounds[k + 1], place + width)]
        low, high = float(np.median(left)), float(np.median(right))
        height = high - low
        # pi/2: variance of a median against that of a mean.
        error = noise * np.sqrt(np.pi / 2 * (1 / len(left) + 1 / len(right)))
        near = clean[max(bounds[k - 1], place - width) : min(bounds[k + 1], place + width)]
        share = (near - low) / height if height else np.zeros(1)
        rise = float(np.sum((share > 0.2) & (share < 0.8))) * cadence
        # Noise may carry samples of a low step into the middle: count them out.
        sudden = rise <= max(_RAMP, 2 * cadence) or abs(height) < 4 * noise
        steps.append(Step(place, height, float(error), sudden))
    return steps


def _drop_slews(steps: list[Step], cadence: float) -> tuple[list[Step], int]:
    """Take out pairs of a rise and an equal fall that are close in time."""
    kept: list[Step] = []
    slews = 0
    for step in steps:
        if (
            kept
            and kept[-1].height > 0 > step.height
            and (step.index - kept[-1].index) * cadence <= _SLEW
            and abs(step.height + kept[-1].height)
            < max(4 * np.hypot(step.error, kept[-1].error), 0.1 * kept[-1].height)
        ):
            kept.pop()
            slews += 1
        else:
            kept.append(step)
    return kept, slews
