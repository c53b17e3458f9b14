"""Stars of one image: background, detection, shape, flux and the line of light.

The one instrument that several rooms use; it takes and gives plain arrays and tables.
"""

from framesort.stars._background import (
    Background,
    background_level,
    estimate_background,
    subtract_background,
)
from framesort.stars._detect import guess_saturation
from framesort.stars._find import find_stars
from framesort.stars._line import LineOfLight, measure_line
from framesort.stars._match import match_star_lists
from framesort.stars._measure import measure_image
from framesort.stars._rays import line_template, peak_angle
from framesort.stars._smooth import smooth_image

__all__ = [
    "Background",
    "LineOfLight",
    "background_level",
    "estimate_background",
    "find_stars",
    "guess_saturation",
    "line_template",
    "match_star_lists",
    "measure_image",
    "measure_line",
    "peak_angle",
    "smooth_image",
    "subtract_background",
]
