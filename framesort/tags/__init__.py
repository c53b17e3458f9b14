"""Grades of frames relative to the heater-off frames of the night, with the reasons.

`measure_reference_quality` measures the reference frames, `find_dew` finds those affected by dew,
and `tag_frames` grades all frames.
"""

from framesort.tags._dew import find_dew
from framesort.tags._grades import GradeLimits, tag_frames
from framesort.tags._reference import KEEP_OUT, ReferenceQuality, measure_reference_quality

__all__ = [
    "KEEP_OUT",
    "GradeLimits",
    "ReferenceQuality",
    "find_dew",
    "measure_reference_quality",
    "tag_frames",
]
