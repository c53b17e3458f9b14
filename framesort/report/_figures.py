"""Every figure that the results of a night allow."""

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.records import column_values
from framesort.report._heater_figures import depth_figure, light_figure, response_figure
from framesort.report._layout import PageFigure
from framesort.report._night_figures import history_figure, timeline_figure
from framesort.report._onset_figure import onset_figure
from framesort.report._read import Results
from framesort.report._timeline import night_rows
from framesort.workers import run_tasks

__all__ = ["make_figures"]


_HISTORIES: tuple[dict[str, Any], ...] = (
    {
        "column": "fwhm",
        "label": "FWHM (px)",
        "title": "FWHM",
        "caption": "Median FWHM of each frame. Dashed: median with the heater off. Triangles at "
        "the upper edge are values off the scale.",
    },
    {
        "column": "corner_growth",
        "label": "corner excess (%)",
        "limits": (-5.0, 10.0),
        "title": "FWHM in the corners relative to the centre",
        "caption": "Excess of the FWHM in the corners of the frame over the centre. The excess "
        "that heater-off frames also show comes from the optics.",
    },
    {
        "column": "transparency",
        "label": "transparency",
        "limits": (0.0, 1.1),
        "title": "Transparency",
        "caption": "Flux of common stars relative to the best frames of the night. Cloud and dew "
        "lower it.",
    },
    {
        "column": "residual",
        "label": "residual (px)",
        "limits": (0.0, 0.2),
        "title": "Registration residuals",
        "caption": "Rms distance between matched stars after registration.",
    },
)
"""Columns plotted against time."""


def make_figures(
    results: Results, *, executor: Executor | None = None
) -> dict[str, list[PageFigure]]:
    """Every figure that the results allow, by section of the page: "night" and "heater".

    `executor` is where they are drawn, None for this process.
    """
    results = replace(results, table=_as_drawn(results.table))
    nights = night_rows(results.table)
    jobs: list[tuple[str, Callable[[], PageFigure | None]]] = []
    for k, night in enumerate(nights):
        number = f", night {k + 1} of {len(nights)}" if len(nights) > 1 else ""
        title = f"Heater and exposures{number}"
        jobs.append(("night", partial(timeline_figure, results, night, f"time{k}", title)))
        for entry in _HISTORIES:
            named = entry | {"title": entry["title"] + number}
            draw = partial(history_figure, results, night, f"{entry['column']}{k}", **named)
            jobs.append(("night", draw))
    for figure in (response_figure, onset_figure, depth_figure, light_figure):
        jobs.append(("heater", partial(figure, results)))
    drawn = run_tasks(_draw, [draw for _, draw in jobs], executor=executor)
    found: dict[str, list[PageFigure]] = {"night": [], "heater": []}
    for (section, _), made in zip(jobs, drawn, strict=True):
        if made is not None:
            found[section].append(made)
    return found


def _draw(draw: Callable[[], PageFigure | None]) -> PageFigure | None:
    return draw()


def _as_drawn(table: Table) -> Table:
    """The table with the excess of the FWHM in the corners, percent."""
    drawn = table.copy(copy_data=False)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = column_values(table, "fwhm_corners") / column_values(table, "fwhm_centre")
    # The residual of the registration reference is zero by definition.
    residual = column_values(table, "residual")
    drawn["residual"] = np.where(residual > 0, residual, np.nan)
    drawn["corner_growth"] = np.where(np.isfinite(ratio), 100 * (ratio - 1), np.nan)
    return drawn
