"""Opens a night: finds the files, reads headers to the table, groups frames for stacking.

Pixels come on demand from a `FrameReader`, which calibrates them where masters were given.
"""

from framesort.frames._calibrate import FrameReader, Recipe, make_reader
from framesort.frames._camera import header_pattern, strip_pattern
from framesort.frames._combined import sign_combined
from framesort.frames._find import check_apart, find_frames
from framesort.frames._headers import header_exposure, header_start, is_calibration
from framesort.frames._masters import CameraSetup, Master, Masters, read_masters
from framesort.frames._nights import name_nights
from framesort.frames._table import MAX_SIZE, group_frames, read_frames
from framesort.frames._targets import header_place, name_targets, same_name
from framesort.frames._weather import header_weather

__all__ = [
    "MAX_SIZE",
    "CameraSetup",
    "FrameReader",
    "Master",
    "Masters",
    "Recipe",
    "check_apart",
    "find_frames",
    "group_frames",
    "header_exposure",
    "header_pattern",
    "header_place",
    "header_start",
    "header_weather",
    "is_calibration",
    "make_reader",
    "name_nights",
    "name_targets",
    "read_frames",
    "read_masters",
    "same_name",
    "sign_combined",
    "strip_pattern",
]
