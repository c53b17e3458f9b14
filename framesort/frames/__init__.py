"""Opens a night: finds the files, reads headers to the table, groups what may be stacked."""

from framesort.frames._find import find_frames
from framesort.frames._headers import header_exposure, header_start, is_calibration
from framesort.frames._table import group_frames, read_frames

__all__ = [
    "find_frames",
    "group_frames",
    "header_exposure",
    "header_start",
    "is_calibration",
    "read_frames",
]
