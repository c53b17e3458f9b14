"""Sudden steps in a noisy, drifting current, apart from spikes and ramps."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from framesort.records import MAD_TO_SIGMA, step_noise

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

_SETTLE = 300.0
"""Seconds: a ramp back within this time of a step belongs to it."""

_SLOPE = 0.5
"""Share of a step's height that may go on beside it before it counts as a ramp."""

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
    settles : bool
        The step creeps back afterwards, as a camera cooler's does.
    """

    index: int
    height: float
    error: float
    sudden: bool = True
    settles: bool = False


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
    return np.asarray(contrast)


def find_steps(current: Floats, *, cadence: float) -> tuple[list[Step], list[tuple[int, int]]]:
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
    slews : list of (int, int)
        First sample and end of excursions that were taken as long slews.

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
        return [], []
    clean = median_filter(current, size=2 * half + 1, mode="nearest")
    width = max(round(_WINDOW / cadence), 8)
    noise = max(step_noise(current), 1e-9)
    limit = _SIGNIFICANT * max(
        noise * np.sqrt(2.0 / width),
        MAD_TO_SIGMA * float(np.median(np.abs(_contrast(clean, width)))),
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
    places = _merge_close(places, 2 * half)
    steps = _measure(current, clean, places, width, cadence, noise)
    steps = [step for step in steps if abs(step.height) > limit]
    kept, slews = _drop_slews(steps, cadence)
    quiet = current.copy()
    for begin, end in slews:  # with the spikes' width, as the median moves their edges
        quiet[max(begin - 2, 0) : end + 2] = np.nan
    steps = _measure(quiet, clean, kept, 2 * width, cadence, noise)
    return _mark_decays(steps, cadence), slews


def _slope_share(left: Floats, right: Floats, height: float) -> float:
    """How much of a step goes on within the levels beside it: 0 for a step, 1 for a ramp.

    Each side is halved: along a straight ramp the median changes by half of the measured
    height from half to half on each side.
    """
    if min(len(left), len(right)) < 8:
        return 0.0
    change = sum(
        np.median(side[len(side) // 2 :]) - np.median(side[: len(side) // 2])
        for side in (left, right)
    )
    return float(change / height)


def _middle_run(middle: NDArray[np.bool_], place: int) -> int:
    """Number of samples in the middle of a step that adjoin its place."""
    before, after = middle[:place][::-1], middle[place:]
    count = [int(np.argmin(side)) if not side.all() else len(side) for side in (before, after)]
    return sum(count)


def _merge_close(places: list[int], apart: int) -> list[int]:
    """Keep the first found, that is the largest, of places closer than `apart` samples."""
    kept: list[int] = []
    for place in places:
        if all(abs(place - other) >= apart for other in kept):
            kept.append(place)
    return sorted(kept)


def _mark_decays(steps: list[Step], cadence: float) -> list[Step]:
    """Mark steps that creep back afterwards: a cooler that settles, not a switched heater."""
    marked = list(steps)
    for i, step in enumerate(steps):
        tail = i + 1
        while (
            tail < len(steps)
            and (steps[tail].index - steps[tail - 1].index) * cadence < _SETTLE
            and steps[tail].height * step.height < 0
            and abs(steps[tail].height) < 0.5 * abs(step.height)
        ):
            tail += 1
        if not all(other.sudden for other in steps[i + 1 : tail]):
            marked[i] = replace(step, settles=True)
            for k in range(i + 1, tail):
                marked[k] = replace(steps[k], sudden=False)
    return marked


def _measure(
    current: Floats, clean: Floats, places: list[int], width: int, cadence: float, noise: float
) -> list[Step]:
    """Height, error and suddenness of steps at known places."""
    steps = []
    bounds = [0, *places, len(current)]
    for k, place in enumerate(places, 1):
        # A ramp spreads around its place: leave it out of the levels on either side.
        guard = min(2, (place - bounds[k - 1]) // 3, (bounds[k + 1] - place) // 3)
        left = current[bounds[k - 1] : max(place - guard, bounds[k - 1] + 1)]
        right = current[min(place + guard, bounds[k + 1] - 1) : bounds[k + 1]]
        left, right = left[np.isfinite(left)][-width:], right[np.isfinite(right)][:width]
        if not (len(left) and len(right)):
            continue
        low, high = float(np.median(left)), float(np.median(right))
        height = high - low
        # pi/2: variance of a median against that of a mean.
        error = noise * np.sqrt(np.pi / 2 * (1 / len(left) + 1 / len(right)))
        first, last = max(bounds[k - 1], place - width), min(bounds[k + 1], place + width)
        share = (clean[first:last] - low) / height if height else np.zeros(last - first)
        rise = _middle_run((share > 0.2) & (share < 0.8), place - first) * cadence
        sudden = rise <= max(_RAMP, 2 * cadence)
        if abs(height) < 5 * noise:  # noise hides how long it took: the slopes beside it decide
            sudden = _slope_share(left, right, height) <= _SLOPE
        steps.append(Step(place, height, float(error), sudden))
    return steps


def _drop_slews(steps: list[Step], cadence: float) -> tuple[list[int], list[tuple[int, int]]]:
    """Places of the steps without those that are a long slew's rise and fall.

    What is left of such a pair, when a heater was switched meanwhile, is one step at the
    place of the larger. Also gives first sample and end of each slew.
    """
    places: list[int] = []
    slews: list[tuple[int, int]] = []
    previous: Step | None = None
    for step in steps:
        if (
            previous is not None
            and previous.height > 0 > step.height
            and (step.index - previous.index) * cadence <= _SLEW
        ):
            net = step.height + previous.height
            slews.append((previous.index, step.index))
            places.pop()
            if abs(net) > max(5 * np.hypot(step.error, previous.error), 0.1 * previous.height):
                larger = step if -step.height > previous.height else previous
                places.append(larger.index)
            previous = None
        else:
            places.append(step.index)
            previous = step
    return places, slews
