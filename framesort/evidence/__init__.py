"""What the night says of the heater: response to power, clock offset, switches without a log.

Everything here works on the table of frames with its measured columns; the line's excess
also on the light by angle of each frame.
"""

from framesort.evidence._angles import average_light_by_angle
from framesort.evidence._clock import ClockOffset, estimate_clock_offset
from framesort.evidence._line import measure_line_excess
from framesort.evidence._response import Response, estimate_response
from framesort.evidence._switches import find_switches

__all__ = [
    "ClockOffset",
    "Response",
    "average_light_by_angle",
    "estimate_clock_offset",
    "estimate_response",
    "find_switches",
    "measure_line_excess",
]
