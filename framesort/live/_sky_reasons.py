"""What speaks for dew, cloud or focus drift, in phrases with numbers."""

import math

import numpy as np
from numpy.typing import NDArray

from framesort.live._sky_models import DewTrend
from framesort.live._sky_series import SkySeries

__all__ = ["margin_trend", "write_reasons"]

NAMES = {"clear": "transparency", "width": "FWHM", "halo": "halo", "sky": "sky level"}

LAST, BEFORE = 4, 10
"""Frames whose median is the present value, and the value before."""

CLOUD_SPAN, FOCUS_SPAN = 0.5, 1.0
"""Hours back with which cloud and focus are compared."""


def write_reasons(
    series: SkySeries, trend: DewTrend, *, dew: float, cloud: float, focus: float
) -> tuple[str, ...]:
    """Phrases for the most probable of the three; none where all are below one half."""
    most = max(dew, cloud, focus)
    if most < 0.5:
        return ()
    if dew == most:
        span = trend.lost / trend.rate if trend.rate > 0 else 0.0
        percent = -100 * math.expm1(-trend.lost)
        found = [f"transparency down {percent:.0f} % in {60 * span:.0f} min"]
        found += _changes(series, ("halo", "width"), span)
        return (*found, *_margin_phrase(series))
    if cloud == most:
        found = _changes(series, ("clear",), CLOUD_SPAN) + _fluctuation(series)
        found += _changes(series, ("sky", "halo"), CLOUD_SPAN, say_same=True)
        return tuple(found) or ("transparency is not steady",)
    found = _changes(series, ("width",), FOCUS_SPAN)
    found += _changes(series, ("clear", "halo"), FOCUS_SPAN, say_same=True)
    return tuple(found) or ("FWHM rises",)


def margin_trend(series: SkySeries) -> tuple[float, float]:
    """Dew margin in kelvin and its change an hour; NaN where not known."""
    rows = np.flatnonzero(np.isfinite(series.margin) & (series.hours > -1.0))
    if len(rows) == 0:
        return math.nan, math.nan
    margin, hours = series.margin[rows], series.hours[rows]
    now = float(np.median(margin[-3:]))
    if hours[-1] - hours[0] < 0.15:
        return now, math.nan
    step = hours - hours.mean()
    return now, float(step @ margin / (step @ step))


def _margin_phrase(series: SkySeries) -> tuple[str, ...]:
    margin, change = margin_trend(series)
    if math.isnan(margin):
        return ()
    closing = " and closing" if change < -0.2 else ""
    return (f"dew margin {margin:.1f} K{closing}",)


def _changes(
    series: SkySeries, names: tuple[str, ...], span: float, *, say_same: bool = False
) -> list[str]:
    """How quantities changed over so many hours; what did not only if that is wanted."""
    found = []
    for name in names:
        change, error = _change(series, series.values[name], series.noise[name], span)
        percent = 100 * math.expm1(change)
        if not math.isfinite(change):
            continue
        if abs(change) > 2 * error and abs(percent) >= 0.5:
            up = "up" if change > 0 else "down"
            found.append(f"{NAMES[name]} {up} {abs(percent):.0f} % in {60 * span:.0f} min")
        elif say_same:
            found.append(f"{NAMES[name]} unchanged")
    return found


def _change(
    series: SkySeries, values: NDArray[np.float64], noise: float, span: float
) -> tuple[float, float]:
    """Present value less the one before the span, of the last frame's class, and its error."""
    rows = np.flatnonzero((series.label == series.label[-1]) & np.isfinite(values))
    old = rows[series.hours[rows] < -span][-BEFORE:]
    old = old if len(old) >= 2 else rows[: min(3, len(rows) // 2)]
    new = rows[-LAST:]
    new = new[~np.isin(new, old)]
    if len(old) == 0 or len(new) == 0:
        return math.nan, math.nan
    # A median's error is 1.25 times that of a mean.
    error = 1.25 * noise * math.sqrt(1 / len(old) + 1 / len(new))
    return float(np.median(values[new]) - np.median(values[old])), error


def _fluctuation(series: SkySeries) -> list[str]:
    """Scatter of transparency from frame to frame lately, where it is unusual."""
    rows = (series.label == series.label[-1]) & (series.hours > -CLOUD_SPAN)
    clear = series.values["clear"][rows]
    steps = np.abs(np.diff(clear[np.isfinite(clear)]))
    scatter = float(np.median(steps)) if len(steps) >= 3 else 0.0
    return [f"transparency changes by {100 * scatter:.0f} % from frame to frame"] * (scatter > 0.02)
