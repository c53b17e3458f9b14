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
from framesort.report._read import Results
from framesort.report._timeline import split_nights
from framesort.workers import run_tasks

__all__ = ["make_figures"]


_HISTORIES: tuple[dict[str, Any], ...] = (
    {
        "column": "fwhm",
        "label": "FWHM (px)",
        "title": "Star width",
        "caption": "Median FWHM of each frame. The dashed line is the median with the heater off; "
        "triangles at the upper edge lie beyond it.",
    },
    {
        "column": "corner_growth",
        "label": "wider (%)",
        "limits": (-5.0, 10.0),
        "title": "Star width in the corners against the centre",
        "caption": "How much wider stars are in the corners of the frame than in its middle. What "
        "heater-off frames show as well is the optics.",
    },
    {
        "column": "transparency",
        "label": "transparency",
        "limits": (0.0, 1.1),
        "title": "Clearness of the sky",
        "caption": "Light of the same stars against the night's best frames: cloud and dew pull it "
        "down.",
    },
    {
        "column": "residual",
        "label": "residual (px)",
        "limits": (0.0, 0.2),
        "title": "How well the frames align",
        "caption": "Rms distance of matched stars after registration.",
    },
)
"""Columns that are shown through the night."""


def make_figures(
    results: Results, *, executor: Executor | None = None
) -> dict[str, list[PageFigure]]:
    """Every figure that the results allow, by section of the page: "night" and "heater".

    `executor` is where they are drawn, None for this process.
    """
    results = replace(results, table=_as_drawn(results.table))
    nights = split_nights(results.table)
    jobs: list[tuple[str, Callable[[], PageFigure | None]]] = []
    for k, night in enumerate(nights):
        number = f", night {k + 1} of {len(nights)}" if len(nights) > 1 else ""
        title = f"Heater and exposures{number}"
        jobs.append(("night", partial(timeline_figure, results, night, f"time{k}", title)))
        for told in _HISTORIES:
            named = told | {"title": told["title"] + number}
            draw = partial(history_figure, results, night, f"{told['column']}{k}", **named)
            jobs.append(("night", draw))
    for figure in (response_figure, depth_figure, light_figure):
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
    """The table as it is drawn: with the growth of width towards the corners, percent."""
    told = table.copy(copy_data=False)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = column_values(table, "fwhm_corners") / column_values(table, "fwhm_centre")
    # The reference lies on itself: its zero says nothing.
    residual = column_values(table, "residual")
    told["residual"] = np.where(residual > 0, residual, np.nan)
    told["corner_growth"] = np.where(np.isfinite(ratio), 100 * (ratio - 1), np.nan)
    return told
