"""Frames and minutes since the heater was switched, by the log or by the headers."""

import math
from dataclasses import replace

import numpy as np
import pytest

from framesort.live import LiveFrame, LiveStatus, find_switch, since_switch, status_lines
from framesort.records import HeaterTrace


def night(powers, widths=None, **changes):
    """Frames of a minute, one every 70 s, with the power of their headers."""
    return [
        LiveFrame(
            file=f"{k:03d}.fits", start=70.0 * k, exposure=60.0, group="L",
            heater_state="unknown" if math.isnan(p) else "on" if p > 0 else "off", heater_power=p,
            fwhm=3.0 if widths is None else widths[k], **changes,
        )
        for k, p in enumerate(powers)
    ]  # fmt: skip


def trace(edges, power):
    return HeaterTrace(edges=np.array(edges, dtype=float), power=np.array(power, dtype=float))


def test_last_switch_of_the_log():
    assert find_switch([], trace([0, 100, 300, 400], [0, 60, 61])) == 100.0  # 61 is noise
    assert find_switch([], trace([0, 100, 300, 400], [0, 60, 80])) == 300.0
    assert find_switch([], trace([0, 100, 300, 400], [3, 0, 0.1])) == 300.0
    assert find_switch([], trace([0, 100, 300, 400], [0, 60, math.nan])) == 100.0
    assert math.isnan(find_switch([], trace([-math.inf, math.inf], [60])))


def test_last_switch_of_the_headers():
    assert find_switch(night([0, 0, 60, 61, 59]), None) == 140.0
    assert find_switch(night([0, 60, 60, 0]), None) == 210.0
    assert math.isnan(find_switch(night([60, 60, 60]), None))  # none yet
    assert math.isnan(find_switch(night([0, math.nan, 60]), None))
    assert math.isnan(find_switch(night([math.nan] * 3), None))
    assert math.isnan(find_switch([], None))


def test_frames_since_the_switch_and_their_width():
    frames = night([0] * 5 + [60] * 3, [9.0] + [3.0] * 4 + [3.3, 3.6, 3.9])
    assert since_switch(frames, 350.0) == (3, pytest.approx(1.2))
    assert since_switch(frames, 330.0) == (3, pytest.approx(1.2))  # while no frame was taken
    assert since_switch(frames, 600.0) == (0, pytest.approx(math.nan, nan_ok=True))
    assert since_switch(frames, math.nan)[0] == 0
    other = [replace(f, group="Ha") for f in frames[5:]]
    number, ratio = since_switch([*frames[:5], *other], 350.0)
    assert number == 3 and math.isnan(ratio)  # nothing of that filter before
    number, ratio = since_switch([*frames[:7], replace(frames[7], reason="few stars")], 350.0)
    assert number == 3 and ratio == pytest.approx(1.15)


def test_frames_before_are_those_of_one_state():
    frames = night([60] * 3 + [0] * 2 + [60] * 2, [4.0] * 3 + [3.0] * 2 + [3.9] * 2)
    assert since_switch(frames, 350.0) == (2, pytest.approx(1.3))


def test_line_on_the_terminal():
    frames = tuple(night([0, 0, 60, 60, 60]))
    status = LiveStatus(
        heater="on, 60 %", switched=130.0, frames=frames, frames_since_switch=3,
        fwhm_since_switch=1.24,
    )  # fmt: skip
    # 5 frames, a minute each, one every 70 s: the last one ends 340 s after the first began.
    assert status_lines(status)[1] == "heater on for 3 frames, 4 min; FWHM +24 % against before"
    part = replace(status, heater="switched during the last frame", frames_since_switch=0)
    assert "switched 4 min before" in status_lines(part)[1]
    assert len(status_lines(replace(status, switched=math.nan))) == 1
    assert len(status_lines(replace(status, heater="unknown"))) == 1
