"""The report: plots, pictures and one page. Reads results only."""

from framesort.report._comparison_figures import draw_effects, draw_star_profiles
from framesort.report._comparison_page import write_comparison
from framesort.report._field import draw_field
from framesort.report._kept import keep_figures
from framesort.report._onset_figure import draw_onset
from framesort.report._page import write_report
from framesort.report._pictures import draw_picture, write_preview
from framesort.report._read import read_results
from framesort.report._residual import draw_residual, measure_residual
from framesort.report._response import depth_curve, draw_depth, draw_light_by_angle, draw_response
from framesort.report._stars import cut_stars, draw_star_cutouts
from framesort.report._stretch import measure_stretch, stretch_image
from framesort.report._timeline import draw_history, draw_timeline, draw_widths

__all__ = [
    "cut_stars",
    "depth_curve",
    "draw_depth",
    "draw_effects",
    "draw_field",
    "draw_history",
    "draw_light_by_angle",
    "draw_onset",
    "draw_picture",
    "draw_residual",
    "draw_response",
    "draw_star_cutouts",
    "draw_star_profiles",
    "draw_timeline",
    "draw_widths",
    "keep_figures",
    "measure_residual",
    "measure_stretch",
    "read_results",
    "stretch_image",
    "write_comparison",
    "write_preview",
    "write_report",
]
