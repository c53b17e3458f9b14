"""The two layouts of a figure of the page: wide, and narrow for phones."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from framesort.report._read import GroupSummary
from framesort.report._svg import render_svg

__all__ = [
    "MOST_PANELS",
    "NARROW",
    "WIDE",
    "PageFigure",
    "group_title",
    "in_both_layouts",
    "make_panels",
]


WIDE, NARROW = 8.4, 4.1
"""Widths in inches of a figure for screens and paper, and for phones."""

MOST_PANELS = 8


@dataclass(frozen=True, kw_only=True)
class PageFigure:
    """A figure in two layouts with its title and caption."""

    title: str
    caption: str
    wide: Markup
    narrow: Markup


def in_both_layouts(
    draw: Callable[[bool], Figure], *, title: str, caption: str, prefix: str
) -> PageFigure:
    """Draw a figure in both layouts; `draw` takes whether the layout is narrow."""
    return PageFigure(
        title=title,
        caption=caption,
        wide=render_svg(draw(False), label=title, prefix=f"{prefix}w"),
        narrow=render_svg(draw(True), label=title, prefix=f"{prefix}n"),
    )


def make_panels(
    rows: int, columns: int, *, narrow: bool, height: float, **options: Any
) -> tuple[Figure, Any]:
    """A figure of equal panels; `height` of each row in inches."""
    figure = Figure(figsize=(NARROW if narrow else WIDE, height * rows + 0.5), layout="constrained")
    return figure, figure.subplots(rows, columns, squeeze=False, **options)


def group_title(group: GroupSummary) -> str:
    """Filter and exposure of a group, as "L, 120 s"."""
    seconds = f", {group.exposure:g} s" if np.isfinite(group.exposure) else ""
    return f"{group.filter or group.label}{seconds}"
