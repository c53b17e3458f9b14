"""Grades each frame against the night's own heater-off frames, with the reason in words.

`measure_yardstick` says what those look like, `find_dew` which of them dew over, `tag_frames`
grades all.
"""

from framesort.tags._dew import find_dew
from framesort.tags._grades import GradeLimits, tag_frames
from framesort.tags._yardstick import KEEP_OUT, Yardstick, measure_yardstick

__all__ = [
    "KEEP_OUT",
    "GradeLimits",
    "Yardstick",
    "find_dew",
    "measure_yardstick",
    "tag_frames",
]
