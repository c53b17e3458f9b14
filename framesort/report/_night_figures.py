"""Figures against time."""

import numpy as np
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.report._layout import (
    MOST_PANELS,
    PageFigure,
    group_title,
    make_page_figure,
    make_panels,
)
from framesort.report._read import Results
from framesort.report._style import name_panel, style_axes
from framesort.report._timeline import draw_history, draw_timeline

__all__ = [
    "history_figure",
    "timeline_figure",
]


def timeline_figure(
    results: Results, rows: NDArray[np.int_], prefix: str, title: str
) -> PageFigure:
    """Heater and exposures of a night, some rows of the table."""
    night = results.table[rows]
    steps = [vars(step) for step in results.summary.heater.steps]
    filters = len(set(night["filter"])) if "filter" in night.colnames else 1

    figure, axes = make_panels(1, 1, height=1.7 + 0.35 * filters)
    draw_timeline(axes[0, 0], night, steps=steps)
    style_axes(axes[0, 0])

    return make_page_figure(
        figure,
        title=title,
        caption="Top: heater power. Bottom: one bar per exposure in the colour of its heater "
        "state; hollow: in neither set, underlined: in the sharp-star set.",
        prefix=prefix,
    )


def history_figure(
    results: Results,
    rows: NDArray[np.int_],
    prefix: str,
    *,
    column: str,
    label: str,
    title: str,
    caption: str,
    limits: tuple[float, float] | None = None,
) -> PageFigure | None:
    """One panel per group with a common time axis; of a night, some rows of the table."""
    night = results.table[rows]
    if not np.isfinite(column_values(night, column)).any():
        return None
    files = np.asarray(night["file"]) if "file" in night.colnames else np.arange(len(night))
    panels = []
    for group in results.groups[:MOST_PANELS]:
        if "file" in results.table.colnames:
            own = np.isin(files, np.asarray(results.table["file"])[group.rows])
            if np.isfinite(column_values(night, column)[own]).any():
                panels.append((group, night[own]))
    if not panels:
        return None

    figure, axes = make_panels(len(panels), 1, height=1.9, sharex=True)
    for k, (group, part) in enumerate(panels):
        last = k == len(panels) - 1
        draw_history(axes[k, 0], part, column=column, label=label, clock_label=last, limits=limits)
        if len(panels) > 1:
            name_panel(axes[k, 0], group_title(group))
        style_axes(axes[k, 0])
    boxes = [place.dataLim for place in axes[:, 0]]
    low = min(box.xmin for box in boxes)
    high = max(box.xmax for box in boxes)
    axes[0, 0].set_xlim(low - 0.02 * (high - low) - 1e-3, high + 0.02 * (high - low) + 1e-3)

    return make_page_figure(figure, title=title, caption=caption, prefix=prefix)
