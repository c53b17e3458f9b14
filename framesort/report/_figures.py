"""Every figure that the results of a night allow."""

from collections.abc import Sequence
from typing import Any

from matplotlib.figure import Figure

from framesort.report._heater_figures import depth_figure, light_figure, response_figure
from framesort.report._layout import NARROW, WIDE, PageFigure, in_both_layouts
from framesort.report._night_figures import history_figure, timeline_figure
from framesort.report._read import Results
from framesort.report._stars import StarCutout, draw_star_cutouts
from framesort.report._style import INK
from framesort.report._timeline import split_nights

__all__ = [
    "make_figures",
    "make_star_figure",
]


_HISTORIES: tuple[dict[str, Any], ...] = (
    {
        "column": "fwhm",
        "label": "FWHM (px)",
        "title": "Star width",
        "caption": "Median FWHM of each frame. The dashed line is the median with the heater off; "
        "triangles at the upper edge lie beyond it.",
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


def make_star_figure(
    cutouts: Sequence[StarCutout], *, prefix: str, title: str
) -> PageFigure | None:
    """Bright stars side by side, or None without any."""
    names = {name for cutout in cutouts for name in cutout.pixels}
    if not cutouts:
        return None

    def draw(narrow: bool) -> Figure:
        number = len(cutouts)
        side = (NARROW - 0.3) / len(names) if narrow else (WIDE - 0.3) / 6
        shape = (number, len(names)) if narrow else (len(names), number)
        size = (side * shape[1] + 0.3, side * shape[0] + 0.3)
        figure = Figure(figsize=size)
        axes = figure.subplots(*shape, squeeze=False)
        figure.subplots_adjust(
            left=0.28 / size[0], right=1, bottom=0, top=1 - 0.24 / size[1], wspace=0.04, hspace=0.04
        )
        draw_star_cutouts(axes, cutouts, stars_across=not narrow)
        for place in axes.ravel():
            for text in place.texts:
                text.set_color(INK)
                text.set_fontsize(9)
        return figure

    return in_both_layouts(
        draw,
        title=title,
        caption="The brightest replaced stars. The pictures of a star share one brightness "
        "curve, so they may be compared.",
        prefix=prefix,
    )
