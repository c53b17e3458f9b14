"""Star width over the field: a map of one picture, and corners against centre through the night."""

import math
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.report._columns import column_texts
from framesort.report._layout import (
    MOST_PANELS,
    PageFigure,
    group_title,
    in_both_layouts,
    make_panels,
)
from framesort.report._read import Results
from framesort.report._style import INK, plain_text, style_axes

__all__ = ["draw_field", "field_figure", "median_widths"]

_CLEAR = 50.0
"""Signal-to-noise from which a star's width tells something of the optics and not of its noise,
or of the knot of nebula it may be."""

_ENOUGH = 10
"""Stars for each part of the field, on average, below which fainter ones are taken as well."""

_FEWEST = 5
"""Stars in a part of the field below which its median is not told."""


def median_widths(
    stars: Table, *, column: str, shape: tuple[int, int], parts: tuple[int, int] = (4, 6)
) -> NDArray[np.float64]:
    """Median star width in equal parts of the field.

    Parameters
    ----------
    stars : `~astropy.table.Table`
        x, y and the column; with `reason`, only replaced stars count; with `flux_deep` and
        its error, only those of a signal-to-noise above 50, or the best ten for each part.
    column : str
        Such as "fwhm_before" or "fwhm_after" of stars.ecsv, pixels.
    shape : (int, int)
        Rows and columns of the picture.
    parts : (int, int)
        Parts along y and x.

    Returns
    -------
    widths : (parts_y, parts_x) float ndarray
        Row 0 is at the bottom; NaN where fewer than five stars tell.
    """
    x, y, width = (column_values(stars, name) for name in ("x", "y", column))
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(width)
    if {"flux_deep", "flux_deep_err"} <= set(stars.colnames):
        good &= _clear_ones(stars, _ENOUGH * parts[0] * parts[1])
    if "reason" in stars.colnames:
        good &= column_texts(stars, "reason") == ""
    row = np.clip((y[good] + 0.5) / shape[0] * parts[0], 0, parts[0] - 1e-9).astype(int)
    place = np.clip((x[good] + 0.5) / shape[1] * parts[1], 0, parts[1] - 1e-9).astype(int)
    widths = np.full(parts, math.nan)
    for i in range(parts[0]):
        for j in range(parts[1]):
            here = width[good][(row == i) & (place == j)]
            if len(here) >= _FEWEST:
                widths[i, j] = np.median(here)
    return widths


def _clear_ones(stars: Table, number: int) -> NDArray[np.bool_]:
    """Stars of a clear signal; the clearest `number` of those above 10 where they are few."""
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = column_values(stars, "flux_deep") / column_values(stars, "flux_deep_err")
    clear = np.nan_to_num(clear)
    if len(clear) <= number:
        return np.asarray(clear > _CLEAR / 5)
    limit = np.clip(np.partition(clear, -number)[-number], _CLEAR / 5, _CLEAR)
    return np.asarray(clear >= limit)


def draw_field(
    axes: Axes,
    stars: Table,
    *,
    column: str = "fwhm_after",
    shape: tuple[int, int],
    limits: tuple[float, float] | None = None,
) -> None:
    """Draw median star widths over the field, in a stronger shade where stars are wider.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    stars, column, shape
        As for `median_widths`.
    limits : (float, float) or None
        Widths of the weakest and the strongest shade, None for a range of at least 10 % about
        those found, so that equal widths look equal.
    """
    widths = median_widths(stars, column=column, shape=shape)
    axes.set_xlim(0, shape[1])
    axes.set_ylim(0, shape[0])
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    known = widths[np.isfinite(widths)]
    if not known.size:
        axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", va="center")
        return
    low, high = limits if limits is not None else (float(known.min()), float(known.max()))
    high = max(high, 1.1 * low)
    side = shape[1] / widths.shape[1], shape[0] / widths.shape[0]
    for (i, j), width in np.ndenumerate(widths):
        corner = j * side[0], i * side[1]
        share = 0.0 if math.isnan(width) else min(max((width - low) / (high - low), 0.0), 1.0)
        axes.add_patch(
            Rectangle(corner, *side, facecolor=INK, alpha=0.05 + 0.4 * share, linewidth=0)
        )
        label = "–" if math.isnan(width) else f"{width:.2f}"
        axes.text(corner[0] + side[0] / 2, corner[1] + side[1] / 2, label, ha="center", va="center")


def field_figure(results: Results, shapes: dict[str, tuple[int, int]]) -> PageFigure | None:
    """Widths over the field before and after, for each group with a picture."""
    columns = {"fwhm_before": "deep stack", "fwhm_after": "final picture"}
    groups = [
        (group, group.stars)
        for group in results.groups[:MOST_PANELS]
        if group.stars is not None
        and group.label in shapes
        and any(np.isfinite(column_values(group.stars, name)).any() for name in columns)
    ]
    if not groups:
        return None

    def draw(narrow: bool) -> Figure:
        rows, across = (2 * len(groups), 1) if narrow else (len(groups), 2)
        figure, axes = make_panels(rows, across, narrow=narrow, height=2.9)
        places: Any = iter(axes.ravel())
        for group, stars in groups:
            shape = shapes[group.label]
            found = [median_widths(stars, column=name, shape=shape) for name in columns]
            known = np.concatenate([widths[np.isfinite(widths)] for widths in found])
            limits = (float(known.min()), float(known.max())) if known.size else None
            for name, words in columns.items():
                place = next(places)
                draw_field(place, stars, column=name, shape=shape, limits=limits)
                title = f"{plain_text(group_title(group))}: {words}" if len(groups) > 1 else words
                style_axes(place)
                place.set_title(title, loc="left", fontsize=9, color=INK)
                for spine in place.spines.values():
                    spine.set_visible(False)
        return figure

    return in_both_layouts(
        draw,
        title="Star width over the field",
        caption="Median FWHM in pixels of the replaced stars in each part of the field, before and "
        "after. A stronger shade is wider, on one scale for both.",
        prefix="field",
    )
