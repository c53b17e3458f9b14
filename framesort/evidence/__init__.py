"""Evidence of the heater in the frames: response to power, clock offset, switches without a log.

All functions use the table of frames with its measured columns; the excess of the spike also the
light against angle of each frame.
"""

from framesort.evidence._angles import average_light_by_angle
from framesort.evidence._clock import estimate_clock_offset
from framesort.evidence._compare import LogCheck, compare_log, fit_other_day
from framesort.evidence._follow import follow_spike, mean_spike_angle
from framesort.evidence._gap import compare_gap, read_gap_angle
from framesort.evidence._night_drift import NightDrift, estimate_drift
from framesort.evidence._onset import fit_onset
from framesort.evidence._response import Response, estimate_response
from framesort.evidence._spike import measure_spike_excess
from framesort.evidence._switches import StarStates, describe_switches, sort_states

__all__ = [
    "LogCheck",
    "NightDrift",
    "Response",
    "StarStates",
    "average_light_by_angle",
    "compare_gap",
    "compare_log",
    "describe_switches",
    "estimate_clock_offset",
    "estimate_drift",
    "estimate_response",
    "fit_onset",
    "fit_other_day",
    "follow_spike",
    "mean_spike_angle",
    "measure_spike_excess",
    "read_gap_angle",
    "sort_states",
]
