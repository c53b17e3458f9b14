"""One very small simulated night, made once, for calls from outside."""

import pytest

from framesort.night import sort_night

# 6 frames with the heater off, one in part, then 4 with it on.
SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 5
[camera]
width = 300
height = 240
hot_pixels = 30
[stars]
count = 180
faintest = 12.0
brightest = 8e4
[seeing]
fwhm = 2.8
jitter = 0.02
[mount]
dither = 6.0
[heater]
events = [[6.6, 100]]
[calibration]
darks = 0
[[filter]]
name = "L"
sky = 6.0
diffuse = 2.0
filaments = 1.5
[[run]]
filter = "L"
exposure = 60.0
count = 11
"""


@pytest.fixture(scope="session")
def small_night(draw_night):
    return draw_night(SCENARIO)


@pytest.fixture(scope="session")
def sorted_night(small_night, tmp_path_factory):
    """The result of sorting; copy it to merge."""
    out = tmp_path_factory.mktemp("sorted") / "out"
    sort_night(small_night.frames, out=out, heater=small_night.log)
    return out
