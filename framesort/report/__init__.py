"""The report: plots, pictures and one page in plain words. Reads results only."""

from framesort.report._advice import asks_for_something
from framesort.report._field import draw_field, median_widths
from framesort.report._page import write_report
from framesort.report._pictures import compare_pictures, draw_picture, write_preview
from framesort.report._read import GroupSummary, Results, SetSummary, read_results
from framesort.report._residual import draw_residual, measure_residual
from framesort.report._response import (
    depth_curve,
    draw_depth,
    draw_light_by_angle,
    draw_response,
)
from framesort.report._stars import (
    StarCutout,
    choose_stars,
    cut_places,
    cut_stars,
    draw_star_cutouts,
)
from framesort.report._stretch import Stretch, measure_stretch, shrink_image, stretch_image
from framesort.report._style import style_axes
from framesort.report._timeline import draw_history, draw_timeline, draw_widths, split_nights

__all__ = [
    "GroupSummary",
    "Results",
    "SetSummary",
    "StarCutout",
    "Stretch",
    "asks_for_something",
    "choose_stars",
    "compare_pictures",
    "cut_places",
    "cut_stars",
    "depth_curve",
    "draw_depth",
    "draw_field",
    "draw_history",
    "draw_light_by_angle",
    "draw_picture",
    "draw_residual",
    "draw_response",
    "draw_star_cutouts",
    "draw_timeline",
    "draw_widths",
    "measure_residual",
    "measure_stretch",
    "median_widths",
    "read_results",
    "shrink_image",
    "split_nights",
    "stretch_image",
    "style_axes",
    "write_preview",
    "write_report",
]
