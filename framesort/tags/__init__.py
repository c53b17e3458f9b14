"""Grades each frame against the night's own heater-off frames, with the reason in words.

`measure_reference_quality` says what those look like, `find_dew` which of them dew over, and
`tag_frames` grades all.
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
