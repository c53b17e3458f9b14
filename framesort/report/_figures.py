"""Figures of the page: laid out wide and narrow, as SVG that follows the page's colours."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from astropy.table import Table
from markupsafe import Markup
from matplotlib.figure import Figure
from matplotlib.projections.polar import PolarAxes

from framesort.report._columns import as_dicts, as_number, column_numbers
from framesort.report._read import GroupSummary, Results
from framesort.report._response import draw_depth, draw_light_by_angle, draw_response
from framesort.report._stars import StarCutout, draw_star_cutouts
from framesort.report._style import INK, name_panel, style_axes
from framesort.report._svg import render_svg
from framesort.report._timeline import draw_history, draw_timeline, split_nights

__all__ = ["PageFigure", "make_figures", "make_star_figure", "render_svg"]

_WIDE, _NARROW = 8.4, 4.1
"""Widths in inches of a figure for a screen or paper, and for a phone."""

_MOST_PANELS = 8


@dataclass(frozen=True, kw_only=True)
class PageFigure:
    """A figure in two layouts with its title and what it shows, in words."""

    title: str
    caption: str
    wide: Markup
    narrow: Markup


def _both(draw: Callable[[bool], Figure], *, title: str, caption: str, prefix: str) -> PageFigure:
    return PageFigure(
        title=title,
        caption=caption,
        wide=render_svg(draw(False), label=title, prefix=f"{prefix}w"),
        narrow=render_svg(draw(True), label=title, prefix=f"{prefix}n"),
    )


def _panels(
    rows: int, columns: int, *, narrow: bool, height: float, **options: Any
) -> tuple[Figure, Any]:
    """A figure of equal panels; `height` in inches for each row."""
    figure = Figure(
        figsize=(_NARROW if narrow else _WIDE, height * rows + 0.5), layout="constrained"
    )
    return figure, figure.subplots(rows, columns, squeeze=False, **options)


def _timeline(results: Results, night: Table, prefix: str, title: str) -> PageFigure:
    heater = results.summary.get("heater")
    steps = as_dicts(heater.get("steps")) if isinstance(heater, dict) else []
    filters = len(set(night["filter"])) if "filter" in night.colnames else 1

    def draw(narrow: bool) -> Figure:
        figure, axes = _panels(1, 1, narrow=narrow, height=1.7 + 0.35 * filters)
        draw_timeline(axes[0, 0], night, steps=steps)
        style_axes(axes[0, 0])
        return figure

    return _both(
        draw,
        title=title,
        caption="Above, heater power. Below, a bar for each exposure in the colour of its "
        "heater state: hollow where no set takes it, underlined where the sharp set does.",
        prefix=prefix,
    )


def _history(
    results: Results,
    night: Table,
    prefix: str,
    *,
    column: str,
    label: str,
    title: str,
    caption: str,
    limits: tuple[float, float] | None = None,
) -> PageFigure | None:
    """One panel a group, the clock shared."""
    if not np.isfinite(column_numbers(night, column)).any():
        return None
    files = np.asarray(night["file"]) if "file" in night.colnames else np.arange(len(night))
    panels = []
    for group in results.groups[:_MOST_PANELS]:
        if "file" in results.table.colnames:
            rows = np.isin(files, np.asarray(results.table["file"])[group.rows])
            if np.isfinite(column_numbers(night, column)[rows]).any():
                panels.append((group, night[rows]))
    if not panels:
        return None

    def draw(narrow: bool) -> Figure:
        figure, axes = _panels(len(panels), 1, narrow=narrow, height=1.9, sharex=True)
        for k, (group, part) in enumerate(panels):
            last = k == len(panels) - 1
            draw_history(
                axes[k, 0], part, column=column, label=label, clock_label=last, limits=limits
            )
            if len(panels) > 1:
                name_panel(axes[k, 0], _group_name(group))
            style_axes(axes[k, 0])
        boxes = [place.dataLim for place in axes[:, 0]]
        low = min(box.xmin for box in boxes)
        high = max(box.xmax for box in boxes)
        axes[0, 0].set_xlim(low - 0.02 * (high - low) - 1e-3, high + 0.02 * (high - low) + 1e-3)
        return figure

    return _both(draw, title=title, caption=caption, prefix=prefix)


def _group_name(group: GroupSummary) -> str:
    seconds = f", {group.exposure:g} s" if np.isfinite(group.exposure) else ""
    return f"{group.filter or group.label}{seconds}"


def _response(results: Results) -> PageFigure | None:
    entries = as_dicts(results.summary.get("response"))
    tolerable = as_dicts(results.summary.get("tolerable"))
    shown = [
        quantity
        for quantity in ("fwhm_growth", "line")
        if any(np.isfinite(as_number(entry.get(quantity))) for entry in entries)
    ]
    if not shown:
        return None

    def draw(narrow: bool) -> Figure:
        rows, columns = (len(shown), 1) if narrow else (1, len(shown))
        figure, axes = _panels(rows, columns, narrow=narrow, height=2.6)
        for place, quantity in zip(axes.ravel(), shown, strict=True):
            draw_response(place, entries, quantity=quantity, tolerable=tolerable)
            style_axes(place)
        return figure

    marked = any(np.isfinite(as_number(entry.get("power"))) for entry in tolerable)
    return _both(
        draw,
        title="What a given power costs",
        caption="Star width and line of light against heater power, with standard errors."
        + (" The dotted upright marks the power that can be tolerated." if marked else ""),
        prefix="response",
    )


def _light_by_angle(results: Results) -> PageFigure | None:
    strength = column_numbers(results.table, "line_strength")
    if not (np.isfinite(strength) & (strength > 0)).any():
        return None

    def draw(narrow: bool) -> Figure:
        figure = Figure(figsize=(_NARROW if narrow else 5.0, 3.6), layout="constrained")
        axes = cast(PolarAxes, figure.add_subplot(projection="polar"))
        draw_light_by_angle(axes, results.table)
        style_axes(axes)
        return figure

    return _both(
        draw,
        title="Where the line of light points",
        caption="Each frame's line at its angle in the frame (0° is +x, counter-clockwise); "
        "its length is the share of bright stars' light beyond that of heater-off frames. "
        "One direction shared by all heated frames speaks for the heater.",
        prefix="angle",
    )


def _depth(results: Results) -> PageFigure | None:
    groups = [
        group
        for group in results.groups[:_MOST_PANELS]
        if (
            np.isfinite(column_numbers(results.table, "fwhm")[group.rows])
            & np.isfinite(column_numbers(results.table, "noise")[group.rows])
        ).sum()
        > 2
    ]
    if not groups:
        return None

    def draw(narrow: bool) -> Figure:
        columns = 1 if narrow else min(2, len(groups))
        rows = -(-len(groups) // columns)
        figure, axes = _panels(rows, columns, narrow=narrow, height=2.6)
        for place in axes.ravel()[len(groups) :]:
            place.set_axis_off()
        for place, group in zip(axes.ravel(), groups, strict=False):
            draw_depth(place, results.table[group.rows])
            if len(groups) > 1:
                name_panel(place, _group_name(group))
            style_axes(place)
        return figure

    return _both(
        draw,
        title="Depth against sharpness",
        caption="What the sharpest frame, the two sharpest, and so on would give if stacked. "
        "Star replacement takes the stars of the filled dot and the depth of the open one.",
        prefix="depth",
    )


def make_figures(results: Results) -> dict[str, list[PageFigure]]:
    """Every figure that the results allow, by section of the page: "night" and "heater"."""
    found: dict[str, list[PageFigure | None]] = {"night": [], "heater": []}
    nights = split_nights(results.table)
    for k, night in enumerate(nights):
        number = f", night {k + 1} of {len(nights)}" if len(nights) > 1 else ""
        found["night"].append(
            _timeline(results, night, f"time{k}", f"Heater and exposures{number}")
        )
        found["night"].append(
            _history(
                results,
                night,
                f"fwhm{k}",
                column="fwhm",
                label="FWHM (px)",
                title=f"Star width{number}",
                caption="Median FWHM of each frame. The dashed line is the median with the "
                "heater off; triangles at the upper edge lie beyond it.",
            )
        )
        found["night"].append(
            _history(
                results,
                night,
                f"clear{k}",
                column="transparency",
                label="transparency",
                limits=(0.0, 1.1),
                title=f"Clearness of the sky{number}",
                caption="Light of the same stars against the night's best frames: cloud and "
                "dew pull it down.",
            )
        )
    found["heater"] = [_response(results), _depth(results), _light_by_angle(results)]
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
        side = (_NARROW - 0.3) / len(names) if narrow else (_WIDE - 0.3) / 6
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

    return _both(
        draw,
        title=title,
        caption="The brightest replaced stars. The pictures of a star share one brightness "
        "curve, so they may be compared.",
        prefix=prefix,
    )
