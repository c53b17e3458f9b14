"""Every figure that the results of a night allow."""

from dataclasses import replace
from typing import Any

import numpy as np
from astropy.table import Table

from framesort.records import column_values
from framesort.report._heater_figures import depth_figure, light_figure, response_figure
from framesort.report._layout import PageFigure
from framesort.report._night_figures import history_figure, timeline_figure
from framesort.report._read import Results
from framesort.report._timeline import split_nights

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
        "title": "How well the frames lie on one another",
        "caption": "Rms distance of matched stars after registration.",
    },
)
"""Columns that are shown through the night."""


def make_figures(results: Results) -> dict[str, list[PageFigure]]:
    """Every figure that the results allow, by section of the page: "night" and "heater"."""
    found: dict[str, list[PageFigure | None]] = {"night": [], "heater": []}
    results = replace(results, table=_as_drawn(results.table))
    nights = split_nights(results.table)
    for k, night in enumerate(nights):
        number = f", night {k + 1} of {len(nights)}" if len(nights) > 1 else ""
        timeline = timeline_figure(results, night, f"time{k}", f"Heater and exposures{number}")
        found["night"].append(timeline)
        for told in _HISTORIES:
            named = told | {"title": told["title"] + number}
            found["night"].append(history_figure(results, night, f"{told['column']}{k}", **named))
    found["heater"] = [response_figure(results), depth_figure(results), light_figure(results)]
    return {name: [f for f in figures if f is not None] for name, figures in found.items()}


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
