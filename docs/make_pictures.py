"""Draws the tutorial's pictures from the demo's result.

python docs/make_pictures.py demo/result
"""

import argparse
from pathlib import Path

import numpy as np
from astropy.table import Table
from matplotlib.figure import Figure

from framesort.files import read_image
from framesort.report import (
    cut_stars,
    draw_depth,
    draw_light_by_angle,
    draw_residual,
    draw_response,
    draw_star_cutouts,
    draw_timeline,
    draw_widths,
    measure_residual,
    read_results,
)
from framesort.report._style import style_axes

HERE = Path(__file__).parent / "pictures"


def save(figure: Figure, name: str) -> None:
    """Write a picture in the report's style."""
    for axes in figure.axes:
        if axes.axison:
            style_axes(axes)
    figure.savefig(HERE / f"tutorial-{name}.png", dpi=90, facecolor="white")


def draw_night(folder: Path) -> None:
    """Draw everything that the tutorial shows of a result."""
    results = read_results(folder)
    table, summary = results.table, results.summary

    figure = Figure(figsize=(8, 4.6), layout="constrained")
    above, below = figure.subplots(2)
    draw_timeline(above, table, steps=[vars(step) for step in summary.heater.steps])
    draw_widths(below, table[table["filter"] == "L"])
    save(figure, "night")

    figure = Figure(figsize=(8, 3), layout="constrained")
    for axes, quantity in zip(figure.subplots(1, 2), ("fwhm_growth", "spike"), strict=True):
        draw_response(
            axes,
            [vars(point) for point in summary.response],
            quantity=quantity,
            highest_acceptable=[vars(limit) for limit in summary.highest_acceptable],
            curve=[vars(point) for point in summary.response_curve],
        )
    save(figure, "response")

    group = next(group for group in results.groups if group.filter == "L")
    rows = table[group.rows]
    figure = Figure(figsize=(8, 3.4), layout="constrained")
    polar = figure.add_subplot(1, 2, 1, projection="polar")
    draw_light_by_angle(polar, rows, profiles=group.light_by_angle)
    draw_depth(figure.add_subplot(1, 2, 2), rows)
    save(figure, "light")

    final, sharp = (read_image(folder / "L" / f"{name}.fits")[0] for name in ("final", "sharp"))
    stars = group.stars if group.stars is not None else Table()
    cutouts = cut_stars(group, stars, shape=(final.shape[0], final.shape[1]))
    figure = Figure(figsize=(7, 3.6), layout="constrained")
    draw_star_cutouts(figure.subplots(3, len(cutouts)), cutouts)
    save(figure, "stars")

    residual = measure_residual(final, sharp, scale=group.flux_scale)
    part = (slice(500, 700), slice(0, 350))  # around one of the two brightest stars
    figure = Figure(figsize=(7, 4))
    draw_residual(figure.add_axes((0, 0, 1, 1)), np.asarray(residual)[part])
    save(figure, "residual")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("result", type=Path, help="folder that demo/run.py made")
    draw_night(parser.parse_args().result)
