"""Layout of a figure of the page."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from framesort.report._read import GroupResults
from framesort.report._svg import render_svg

__all__ = [
    "MOST_PANELS",
    "WIDTH",
    "PageFigure",
    "group_title",
    "make_page_figure",
    "make_panels",
]


WIDTH = 8.4
"""Width of a figure in inches; on a phone the page scrolls it sideways."""

MOST_PANELS = 8


@dataclass(frozen=True, kw_only=True)
class PageFigure:
    """A figure as SVG with its title and caption."""

    title: str
    caption: str
    svg: Markup


def make_page_figure(figure: Figure, *, title: str, caption: str, prefix: str) -> PageFigure:
    """A figure for the page; `prefix`, unique on the page, is put before its ids."""
    svg = render_svg(figure, label=title, prefix=prefix)
    return PageFigure(title=title, caption=caption, svg=svg)


def make_panels(rows: int, columns: int, *, height: float, **options: Any) -> tuple[Figure, Any]:
    """A figure of equal panels; `height` of each row in inches."""
    figure = Figure(figsize=(WIDTH, height * rows + 0.5), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, **options)


def group_title(group: GroupResults) -> str:
    """Filter and exposure of a group, as "L, 120 s"."""
    seconds = f", {group.exposure:g} s" if np.isfinite(group.exposure) else ""
    return f"{group.filter or group.label}{seconds}"
