"""Heater power as a step function of time, from any log; share and power over an interval.

`read_heater_log` reads a text of columns: samples of power, switch events, on and off,
intervals, or the supply current of the whole rig. `make_constant_heater` and
`make_header_heater` serve where there is no log, `make_stepped_heater` where power is in
memory. `add_heater_columns` puts the heater's share, power and state into the table of frames.
"""

from framesort.heater._given import make_stepped_heater
from framesort.heater._join import join_traces, shift_trace
from framesort.heater._log import FORMS, read_heater_log
from framesort.heater._options import LogOptions
from framesort.heater._trace import (
    add_heater_columns,
    describe_trace,
    draw_trace,
    make_constant_heater,
    make_header_heater,
    tabulate_trace,
)

__all__ = [
    "FORMS",
    "LogOptions",
    "add_heater_columns",
    "describe_trace",
    "draw_trace",
    "join_traces",
    "make_constant_heater",
    "make_header_heater",
    "make_stepped_heater",
    "read_heater_log",
    "shift_trace",
    "tabulate_trace",
]
