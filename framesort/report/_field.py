"""Map of the FWHM over the field."""

import math
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.report._columns import column_texts
from framesort.report._layout import (
    MOST_PANELS,
    PageFigure,
    group_title,
    make_page_figure,
    make_panels,
)
from framesort.report._read import Results
from framesort.report._style import INK, plain_text, style_axes

__all__ = ["draw_field", "field_figure", "median_widths"]

_LOW_SNR, _HIGH_SNR = 10.0, 50.0
"""S/N from which the width of a star is set by the optics and not by noise or nebulosity."""

_ENOUGH = 10
"""Mean number of stars for each part of the field below which fainter ones are used as well."""

_FEWEST = 5
"""Number of stars in a part of the field below which its median is not given."""


def median_widths(
    stars: Table, *, column: str, shape: tuple[int, int], parts: tuple[int, int] = (4, 6)
) -> NDArray[np.float64]:
    """Median FWHM in equal parts of the field.

    Parameters
    ----------
    stars : `~astropy.table.Table`
        x, y and the column; with `reason`, only replaced stars are used; with `flux_deep` and
        its error, only those with S/N above 50, or the best ten for each part.
    column : str
        Such as "fwhm_before" or "fwhm_after" of stars.ecsv, pixels.
    shape : (int, int)
        Rows and columns of the picture.
    parts : (int, int)
        Parts along y and x.

    Returns
    -------
    widths : (parts_y, parts_x) float ndarray
        Row 0 is at the bottom; NaN for fewer than five stars.
    """
    x, y, width = (column_values(stars, name) for name in ("x", "y", column))
    good = np.isfinite(x) & np.isfinite(y) & np.isfinite(width)
    if {"flux_deep", "flux_deep_err"} <= set(stars.colnames):
        good &= _well_measured(stars, _ENOUGH * parts[0] * parts[1])
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


def _well_measured(stars: Table, number: int) -> NDArray[np.bool_]:
    """Stars of high S/N; where they are few, the best `number` of those above a lower limit."""
    with np.errstate(divide="ignore", invalid="ignore"):
        snr = column_values(stars, "flux_deep") / column_values(stars, "flux_deep_err")
    snr = np.nan_to_num(snr)
    if len(snr) <= number:
        return np.asarray(snr > _LOW_SNR)
    limit = np.clip(np.partition(snr, -number)[-number], _LOW_SNR, _HIGH_SNR)
    return np.asarray(snr >= limit)


def draw_field(
    axes: Axes,
    stars: Table,
    *,
    column: str = "fwhm_after",
    shape: tuple[int, int],
    limits: tuple[float, float] | None = None,
) -> None:
    """Draw the median FWHM over the field, darker for larger values.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    stars, column, shape
        As for `median_widths`.
    limits : (float, float) or None
        FWHM of the lightest and the darkest shade; None for the range of the values, at least
        10 %, so that equal widths look equal.
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
    """FWHM over the field before and after star replacement, for each group with a picture."""
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

    figure, axes = make_panels(len(groups), 2, height=2.9)
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

    return make_page_figure(
        figure,
        title="FWHM over the field",
        caption="Median FWHM (px) of the replaced stars in each part of the field, in the deep "
        "stack and in the final picture. Darker is wider, on a common scale.",
        prefix="field",
    )
