"""Star quality of a whole night: measured in parallel, kept between runs."""

from framesort.quality._columns import add_quality_columns, find_saturation
from framesort.quality._frames import measure_frames
from framesort.quality._given import adopt_star_list
from framesort.quality._segmentation import measure_segments
from framesort.quality._transparency import measure_transparency

__all__ = [
    "add_quality_columns",
    "adopt_star_list",
    "find_saturation",
    "measure_frames",
    "measure_segments",
    "measure_transparency",
]
