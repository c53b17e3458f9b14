"""Other ways to tell dew during the night, for comparison with `framesort.live.judge_sky`."""

from collections.abc import Sequence

import numpy as np
from live_series import Series

from framesort.live import LiveFrame, judge_sky

CLEAR_LOSS = 0.2
"""Loss an airmass, natural logarithm, removed by all methods where airmass is known."""


def judge_models(frames: Sequence[LiveFrame]) -> float:
    """Probability of dew by the evidence of models."""
    return judge_sky(frames).dew


def _run(frames: Sequence[LiveFrame]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Hours, log transparency, halo and FWHM of the last 90 minutes without heating."""
    run: list[LiveFrame] = []
    for one in reversed(frames):
        if one.heater_state in ("on", "part") or frames[-1].start - one.start > 5400:
            break
        run.insert(0, one)
    if not run:
        return (np.zeros(0),) * 4
    hours = np.array([one.start / 3600 for one in run])
    airmass = np.array([one.airmass for one in run])
    known = np.isfinite(airmass).all()
    clear = np.log([one.transparency for one in run]) + (
        CLEAR_LOSS * (airmass - airmass[-1]) if known else 0
    )
    width = np.log([one.fwhm for one in run]) - (
        0.6 * np.log(airmass / airmass[-1]) if known else 0
    )
    return hours, clear, np.log([one.halo for one in run]), width


def _slope(hours: np.ndarray, values: np.ndarray) -> tuple[float, float, float]:
    """Slope an hour, in standard errors, and the scatter about the line."""
    step = hours - hours.mean()
    slope = float(step @ values / (step @ step))
    rest = values - values.mean() - slope * step
    scatter = float(np.sqrt(rest @ rest / (len(values) - 2)))
    return slope, slope / max(scatter / np.sqrt(step @ step), 1e-9), scatter


def judge_hinge(frames: Sequence[LiveFrame], *, least: int = 5) -> float:
    """A constant and a straight line from one breakpoint, fitted to light and halo.

    The score is the smaller of the two significances, as the tags of a finished night use it.
    """
    hours, clear, halo, _ = _run(frames)
    if len(hours) < least + 3:
        return 0.0
    best, onset = np.inf, 0
    for start in range(len(hours) - least + 1):
        ramp = np.maximum(hours - hours[start], 0)
        design = np.column_stack([np.ones(len(hours)), ramp])
        misfit = 1.0
        for values in (clear, halo):
            rest = values - design @ np.linalg.lstsq(design, values)[0]
            misfit *= float(rest @ rest)
        if misfit < best:
            best, onset = misfit, start
    fall = -_slope(hours[onset:], clear[onset:])[1]
    rise = _slope(hours[onset:], halo[onset:])[1]
    return max(min(fall, rise), 0.0)


def judge_sums(frames: Sequence[LiveFrame], *, slack: float = 0.5) -> float:
    """Cumulative sums (Page 1954) of falling light and of rising halo; the smaller of the two."""
    hours, clear, halo, _ = _run(frames)
    if len(hours) < 8:
        return 0.0
    sums = []
    for values, sign in ((clear, -1), (halo, 1)):
        noise = max(1.4826 * float(np.median(np.abs(np.diff(values)))) / np.sqrt(2), 0.003)
        level = float(np.median(values[: max(4, len(values) // 3)]))
        total = 0.0
        for value in sign * (values - level) / noise:
            total = max(0.0, total + value - slack)
        sums.append(total)
    return min(sums)


def slope_features(frames: Sequence[LiveFrame]) -> np.ndarray:
    """Slopes and significances of light, halo, width over 15, 30 and 60 minutes; scatter."""
    hours, clear, halo, width = _run(frames)
    found: list[float] = []
    for span in (0.25, 0.5, 1.0):
        rows = hours >= (hours[-1] - span if len(hours) else 0)
        if rows.sum() < 5:
            found += [0.0] * 8
            continue
        parts = [_slope(hours[rows], one[rows]) for one in (clear, halo, width)]
        for slope, significance, _ in parts:
            found += [slope, float(np.clip(significance, -15, 15))]
        found += [np.log(parts[0][2] + 1e-3), float(np.clip(parts[0][1] * parts[1][1], -60, 60))]
    return np.array(found)


class SlopeClassifier:
    """Logistic regression on `slope_features`, with a ridge, trained on nights of known truth."""

    def __init__(self, nights: Sequence[Series], *, ridge: float = 3.0) -> None:
        rows, truth = [], []
        for series in nights:
            for k in range(8, len(series.start)):
                rows.append(slope_features(series.frames(k)))
                truth.append(series.loss[k] > 0.02)
        x, y = np.array(rows), np.array(truth, dtype=float)
        self._mean, self._spread = x.mean(0), x.std(0) + 1e-9
        x = np.column_stack([np.ones(len(x)), (x - self._mean) / self._spread])
        w = np.zeros(x.shape[1])
        penalty = ridge * np.eye(len(w))
        penalty[0, 0] = 0
        for _ in range(30):  # Newton's method
            p = 1 / (1 + np.exp(-np.clip(x @ w, -30, 30)))
            hessian = (x * (p * (1 - p))[:, None]).T @ x + penalty
            w += np.linalg.solve(hessian, x.T @ (y - p) - penalty @ w)
        self._weights = w

    def __call__(self, frames: Sequence[LiveFrame]) -> float:
        if len(frames) < 8 or frames[-1].heater_state in ("on", "part"):
            return 0.0
        x = (slope_features(frames) - self._mean) / self._spread
        return float(1 / (1 + np.exp(-np.clip(self._weights[0] + x @ self._weights[1:], -30, 30))))
