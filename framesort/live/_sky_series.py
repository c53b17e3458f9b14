"""The last frames as series in time: logarithms, classes of frames, noise of each quantity."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.live._status import LiveFrame

__all__ = ["CHANNELS", "SkySeries", "collect_series"]

CHANNELS = ("clear", "width", "halo", "sky")
"""Logarithms of transparency, FWHM, half-flux radius over FWHM, and sky level."""

EXTINCTION = 0.2
"""Loss an airmass, as a natural logarithm, of a clear site; removed where airmass is known."""

WIDENING = 0.6
"""FWHM goes as airmass to this power (Fried 1966; Roddier 1981): removed as well."""

WINDOW = 90 * 60.0
"""Seconds before the last frame of which every frame counts."""

HORIZON = 5 * 3600.0
"""Seconds before the last frame beyond which nothing counts."""

MOST, EARLIER = 72, 18
"""Most frames of the window, and of the time before it: evenly spaced ones."""

USUAL_NOISE = {"clear": 0.008, "width": 0.02, "halo": 0.006, "sky": 0.003}
"""Scatter from frame to frame on an ordinary night, and the weight of four frames that it has."""

LEAST_NOISE = {"clear": 0.003, "width": 0.005, "halo": 0.003, "sky": 0.001}
USUAL_WEIGHT = 4.0


@dataclass(frozen=True, eq=False)
class SkySeries:
    """What is known of some frames, in order of time.

    Attributes
    ----------
    hours : (n,) ndarray
        Middles of the exposures, hours before the last (0 and less).
    values : dict of (n,) ndarray
        By the names of `CHANNELS`, the usual effect of airmass removed; NaN where not known or
        not to be used.
    noise : dict of float
        Standard deviation from frame to frame.
    label : (n,) int ndarray
        Frames of one group, heater state and power have one number.
    fresh : (n,) bool ndarray
        Whether the frame belongs to the heater-off frames since the heater was last on.
    airmass, margin : (n,) ndarray
        Airmass (all known or all NaN), and kelvin above the dew point (NaN where not known).
    heated : bool
        Whether the last frame is.
    """

    hours: NDArray[np.float64]
    values: dict[str, NDArray[np.float64]]
    noise: dict[str, float]
    label: NDArray[np.int64]
    fresh: NDArray[np.bool_]
    airmass: NDArray[np.float64]
    margin: NDArray[np.float64]
    heated: bool


def collect_series(frames: Sequence[LiveFrame]) -> SkySeries | None:
    """The last frames that can be used, as series; None where there is none.

    All of the last 90 minutes count, and a few from the hours before as a reference; the work does
    not grow with the night.
    """
    chosen = _choose(frames)
    if not chosen:
        return None
    hours = np.array([(one.middle - chosen[-1].middle) / 3600 for one in chosen])
    labels: dict[tuple[str, str, int], int] = {}
    label = np.array([labels.setdefault(_class_of(one), len(labels)) for one in chosen])
    heated = np.array([one.heater_state in ("on", "part") for one in chosen])
    last_heated = int(np.flatnonzero(heated)[-1]) if heated.any() else -1
    values = {
        "clear": _log([one.transparency for one in chosen]),
        "width": _log([one.fwhm for one in chosen]),
        "halo": _log([one.halo for one in chosen]),
        "sky": _log([one.sky for one in chosen]),
    }
    airmass = _fill(np.array([one.airmass for one in chosen], dtype=float), hours)
    if np.isfinite(airmass).all():
        values["clear"] += EXTINCTION * (airmass - airmass[-1])
        values["width"] -= WIDENING * np.log(airmass / airmass[-1])
    part = np.array([one.heater_state == "part" for one in chosen])
    for name in ("width", "halo"):
        values[name][part] = np.nan  # as wide as their share of heating, which no other has
        values[name][_outliers(values[name], label)] = np.nan
    return SkySeries(
        hours=hours,
        values=values,
        noise={name: _frame_noise(values[name], label, name) for name in CHANNELS},
        label=label,
        fresh=np.arange(len(chosen)) > last_heated,
        airmass=airmass,
        margin=np.array([one.dew_margin for one in chosen]),
        heated=bool(heated[-1]),
    )


def _choose(frames: Sequence[LiveFrame]) -> list[LiveFrame]:
    """Frames of the window, and a few from before, in order of time."""
    recent: list[LiveFrame] = []
    before: list[LiveFrame] = []
    end = math.nan
    for one in reversed(frames[-2000:]):
        if one.reason or not math.isfinite(one.middle):
            continue
        end = one.middle if math.isnan(end) else max(end, one.middle)
        age = end - one.middle
        if age > HORIZON:
            break
        (recent if age <= WINDOW else before).append(one)
    chosen = _thin(recent, MOST) + _thin(before, EARLIER)
    return sorted(chosen, key=lambda one: one.middle)


def _thin(frames: list[LiveFrame], most: int) -> list[LiveFrame]:
    """At most so many, evenly spaced, the first among them."""
    step = max(1, math.ceil(len(frames) / most))
    return frames[::step]


def _class_of(frame: LiveFrame) -> tuple[str, str, int]:
    """Only frames of one class have one level: group, heater state, power to 10 percent."""
    power = frame.heater_power if frame.heater_state in ("on", "part") else 0.0
    return frame.group, frame.heater_state, round(power / 10) if math.isfinite(power) else -1


def _fill(values: NDArray[np.float64], hours: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gaps filled along time where most values are known; all NaN otherwise."""
    known = np.isfinite(values)
    if known.mean() < 0.5:
        return np.full(len(values), np.nan)
    return np.asarray(np.interp(hours, hours[known], values[known]))


def _log(values: Sequence[float]) -> NDArray[np.float64]:
    array = np.array(values, dtype=float)
    array[~(array > 0) | ~np.isfinite(array)] = np.nan
    return np.asarray(np.log(array))


def _outliers(values: NDArray[np.float64], label: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Frames far from the median of five of their class around them, as trailed ones are."""
    found = np.zeros(len(values), dtype=bool)
    for number in np.unique(label):
        rows = np.flatnonzero((label == number) & np.isfinite(values))
        if len(rows) < 5:
            continue
        middle = np.array(
            [np.median(values[rows[max(0, k - 2) : k + 3]]) for k in range(len(rows))]
        )
        off = np.abs(values[rows] - middle)
        found[rows] = off > 6 * max(float(1.4826 * np.median(off)), 0.004)
    return found


def _frame_noise(values: NDArray[np.float64], label: NDArray[np.int64], name: str) -> float:
    """Scatter from frame to frame: of differences within classes, drawn to the usual one."""
    steps = []
    for number in np.unique(label):
        series = values[(label == number) & np.isfinite(values)]
        steps.append(np.diff(series))
    step = np.concatenate(steps)
    usual = USUAL_NOISE[name] ** 2
    # Median of a squared normal number is 0.4549 of its variance.
    seen = float(np.median(step**2)) / (2 * 0.4549) if len(step) else usual
    mixed = (len(step) * seen + USUAL_WEIGHT * usual) / (len(step) + USUAL_WEIGHT)
    return max(math.sqrt(mixed), LEAST_NOISE[name])
