"""During the night: follows a folder and a log that grow, and reports what changed.

The subpackage knows files, numbers and pages; `framesort.night.watch_night` measures the frames
and puts the parts together. Nothing here switches a heater.
"""

from framesort.live._alerts import CAUTION, find_events, find_hints
from framesort.live._commands import EVENT_KINDS, EventCommands, Journal
from framesort.live._follow import FolderFollower, Scan
from framesort.live._log import LogFollower
from framesort.live._minutes import collect_minutes, equal_depth_minutes
from framesort.live._page import encode_status, render_status
from framesort.live._serve import LiveServer, serve_status
from framesort.live._sky import DEW_CALL, call_dew, judge_sky
from framesort.live._status import FilterMinutes, LiveEvent, LiveFrame, LiveStatus, SkyVerdict
from framesort.live._switch import find_switch, since_switch
from framesort.live._text import (
    clock_text,
    describe_heater,
    describe_state,
    frame_line,
    status_lines,
)

__all__ = [
    "CAUTION",
    "DEW_CALL",
    "EVENT_KINDS",
    "EventCommands",
    "FilterMinutes",
    "FolderFollower",
    "Journal",
    "LiveEvent",
    "LiveFrame",
    "LiveServer",
    "LiveStatus",
    "LogFollower",
    "Scan",
    "SkyVerdict",
    "call_dew",
    "clock_text",
    "collect_minutes",
    "describe_heater",
    "describe_state",
    "encode_status",
    "equal_depth_minutes",
    "find_events",
    "find_hints",
    "find_switch",
    "frame_line",
    "judge_sky",
    "render_status",
    "serve_status",
    "since_switch",
    "status_lines",
]
