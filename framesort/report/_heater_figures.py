"""Figures of the heater's effect."""

from typing import cast

import numpy as np
from matplotlib.figure import Figure
from matplotlib.projections.polar import PolarAxes

from framesort.records import column_values
from framesort.report._layout import (
    MOST_PANELS,
    WIDTH,
    PageFigure,
    group_title,
    make_page_figure,
    make_panels,
)
from framesort.report._read import GroupResults, Results
from framesort.report._response import draw_depth, draw_light_by_angle, draw_response
from framesort.report._style import name_panel, style_axes

__all__ = [
    "depth_figure",
    "light_figure",
    "response_figure",
]


def response_figure(results: Results) -> PageFigure | None:
    entries = [vars(point) for point in results.summary.response]
    highest_acceptable = [vars(limit) for limit in results.summary.highest_acceptable]
    curve = [vars(point) for point in results.summary.response_curve]
    shown = [
        quantity
        for quantity in ("fwhm_growth", "spike")
        if any(np.isfinite(entry[quantity]) for entry in entries)
    ]
    if not shown:
        return None

    figure, axes = make_panels(1, len(shown), height=2.6)
    for place, quantity in zip(axes.ravel(), shown, strict=True):
        draw_response(
            place,
            entries,
            quantity=quantity,
            highest_acceptable=highest_acceptable,
            curve=curve,
        )
        style_axes(place)

    marked = any(np.isfinite(limit["power"]) for limit in highest_acceptable)
    return make_page_figure(
        figure,
        title="Effect of heater power",
        caption="FWHM and spike against heater power. Points with standard errors are measured, "
        "dotted curves are interpolated."
        + (" Grey band: one-sigma range." if curve else "")
        + (" Dotted vertical line: highest acceptable power." if marked else ""),
        prefix="response",
    )


def _has_light(results: Results, group: GroupResults) -> bool:
    strength = column_values(results.table, "spike_strength")[group.rows]
    return bool(group.light_by_angle) or bool((np.isfinite(strength) & (strength > 0)).any())


def light_figure(results: Results) -> PageFigure | None:
    """Light around bright stars against angle, one panel per group."""
    groups = [group for group in results.groups if _has_light(results, group)][:MOST_PANELS]
    if not groups:
        return None

    columns = min(2, len(groups))
    rows = -(-len(groups) // columns)
    figure = Figure(figsize=(columns * WIDTH / 2, 3.4 * rows), layout="constrained")
    for k, group in enumerate(groups):
        axes = cast(PolarAxes, figure.add_subplot(rows, columns, k + 1, projection="polar"))
        draw_light_by_angle(axes, results.table[group.rows], profiles=group.light_by_angle)
        if len(groups) > 1:
            name_panel(axes, group_title(group))
        style_axes(axes)

    return make_page_figure(
        figure,
        title="Light around bright stars against angle",
        caption=_CURVES if groups[0].light_by_angle else _STROKES,
        prefix="angle",
    )


_STROKES = (
    "Angle and strength of the spike in each frame (0° is +x, counter-clockwise). The strength is "
    "the share of the light of bright stars in excess of the heater-off frames. A direction "
    "common to all heated frames indicates the heater as the cause."
)
_CURVES = (
    "Mean light beside bright stars against angle in the frame (0° is +x, counter-clockwise), as "
    "a share of the light of the star with its mean over all angles subtracted, by heater state. "
    "Dashed circle: zero. A spike in heated frames only indicates the heater as the cause."
)


def depth_figure(results: Results) -> PageFigure | None:
    groups = [
        group
        for group in results.groups[:MOST_PANELS]
        if (
            np.isfinite(column_values(results.table, "fwhm")[group.rows])
            & np.isfinite(column_values(results.table, "noise")[group.rows])
        ).sum()
        > 2
    ]
    if not groups:
        return None

    columns = min(2, len(groups))
    rows = -(-len(groups) // columns)
    figure, axes = make_panels(rows, columns, height=2.6)
    for place in axes.ravel()[len(groups) :]:
        place.set_axis_off()
    for place, group in zip(axes.ravel(), groups, strict=False):
        draw_depth(place, results.table[group.rows])
        if len(groups) > 1:
            name_panel(place, group_title(group))
        style_axes(place)

    return make_page_figure(
        figure,
        title="Depth against FWHM",
        caption="Expected depth and FWHM of a stack of the n sharpest frames, for every n. Star "
        "replacement combines the FWHM of the sharp-star set (filled circle) with the depth of "
        "the deep-signal set (open circle).",
        prefix="depth",
    )
