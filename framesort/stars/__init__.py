"""Stars of one image: background, detection, shape, flux and the spike.

Used by several subpackages; arguments and results are plain arrays and tables.
"""

from framesort.stars._background import (
    Background,
    MeshMap,
    WholeMap,
    background_level,
    estimate_background,
    prepare_image,
    subtract_background,
)
from framesort.stars._detect import guess_saturation
from framesort.stars._find import find_stars
from framesort.stars._match import match_star_lists
from framesort.stars._measure import measure_image
from framesort.stars._rays import peak_angle, spike_template
from framesort.stars._smooth import smooth_image

__all__ = [
    "Background",
    "MeshMap",
    "WholeMap",
    "background_level",
    "estimate_background",
    "find_stars",
    "guess_saturation",
    "match_star_lists",
    "measure_image",
    "peak_angle",
    "prepare_image",
    "smooth_image",
    "spike_template",
    "subtract_background",
]
