"""During the night: follows a folder and a log that grow, and tells what changed.

The subpackage knows files, numbers and pages; `framesort.night.watch_night` measures the frames
and puts the parts together. Nothing here switches a heater.
"""

from framesort.live._follow import FolderFollower, Scan
from framesort.live._log import LogFollower
from framesort.live._page import encode_status, render_status
from framesort.live._serve import LiveServer, serve_status
from framesort.live._sky import DEW_CALL, call_dew, judge_sky
from framesort.live._status import FilterMinutes, LiveEvent, LiveFrame, LiveStatus, SkyVerdict

__all__ = [
    "DEW_CALL",
    "FilterMinutes",
    "FolderFollower",
    "LiveEvent",
    "LiveFrame",
    "LiveServer",
    "LiveStatus",
    "LogFollower",
    "Scan",
    "SkyVerdict",
    "call_dew",
    "encode_status",
    "judge_sky",
    "render_status",
    "serve_status",
]
