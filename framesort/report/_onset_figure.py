"""Response against time since the last change of heater power."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from framesort.records import Interval, OnsetPoint
from framesort.report._layout import PageFigure, make_page_figure, make_panels
from framesort.report._read import Results
from framesort.report._style import INK, QUIET, RULE, STATE_COLOURS, name_panel, style_axes

__all__ = ["draw_onset", "onset_figure"]

_SERIES = (("FWHM", "width", "o", INK), ("spike", "spike", "s", STATE_COLOURS["on"]))

_MINUTES = 60.0
"""Minutes after a change that are drawn at most."""


def draw_onset(axes: Axes, points: Sequence[OnsetPoint], tau: Interval) -> None:
    """Draw the part of a change that frames have reached, and the fitted curve.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    points : sequence of OnsetPoint
        Frames after changes in one direction. Hollow: the exposure holds the change.
    tau : Interval
        Time constant [minutes]: the curve of its median, and the band of its 95 % range.
    """
    points = [point for point in points if point.minutes < _MINUTES]
    last = max([point.minutes for point in points], default=10.0) + 1
    first = min([0.0, *(point.minutes for point in points)]) - 0.5
    for level in (0, 100):
        axes.axhline(level, color=RULE, linewidth=0.8, zorder=0)
    time = np.r_[first, np.linspace(0, last, 400)]
    low, middle, high = (100 * _rise(time, value) for value in (tau.high95, tau.value, tau.low95))
    axes.fill_between(time, low, high, color=QUIET, alpha=0.2, linewidth=0)
    axes.plot(time, middle, color=INK, linewidth=1, linestyle=":")
    for k, (label, name, marker, colour) in enumerate(_SERIES):
        shown = [point for point in points if np.isfinite(getattr(point, name))]
        for holds in (False, True):
            mine = [point for point in shown if point.holds == holds]
            if mine:
                axes.errorbar(
                    [point.minutes + 0.1 * k for point in mine],
                    [100 * getattr(point, name) for point in mine],
                    yerr=[100 * getattr(point, f"{name}_err") for point in mine],
                    fmt=marker,
                    markersize=4,
                    color=colour,
                    markerfacecolor="none" if holds else colour,
                    elinewidth=0.7,
                    label=None if holds else label,
                )
    axes.set_xlabel("minutes since the change")
    axes.set_ylabel("part of the change reached (%)")
    axes.set_ylim(-60, 160)


def _rise(time: np.ndarray, tau: float) -> np.ndarray:
    """``1 - exp(-t / tau)`` from 0 on; a step for 0."""
    return np.where(time < 0, 0.0, -np.expm1(-np.maximum(time, 0) / max(tau, 1e-6)))


def onset_figure(results: Results) -> PageFigure | None:
    """Warming and cooling side by side; None where no frame follows a change of power."""
    onset = results.summary.onset
    if onset is None or onset.both is None or not onset.points:
        return None
    panels = [
        (name, [point for point in onset.points if point.warming == warming], tau)
        for name, warming, tau in (
            ("power raised", True, onset.both.warming),
            ("power reduced", False, onset.both.cooling),
        )
    ]
    panels = [panel for panel in panels if panel[1]]
    figure, axes = make_panels(1, len(panels), height=2.6)
    for place, (name, points, tau) in zip(axes.ravel(), panels, strict=True):
        draw_onset(place, points, tau)
        name_panel(place, name)
        style_axes(place)
    handles, labels = axes[0, 0].get_legend_handles_labels()
    if handles:
        axes[0, 0].legend(handles, labels, frameon=False, fontsize=9, loc="lower right")
    return make_page_figure(
        figure,
        title="Response against time since the switch",
        caption="Part of the change of FWHM and spike that frames show at the middle of their "
        "exposure, from the level of the power before (0) to that of the power after the change "
        "(100 %), drift of the seeing removed. Hollow: the exposure holds the change. Dotted: "
        "fitted curve; grey: 95 % range of its time constant.",
        prefix="onset",
    )
