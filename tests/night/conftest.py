"""One small simulated night, drawn once, with its truth."""

import pytest

from framesort.night import process_night

# 12 L frames with the heater off, 9 heated of which one only in part; 8 Ha frames.
SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 11
[camera]
width = 520
height = 400
hot_pixels = 60
[stars]
count = 320
faintest = 8.0
brightest = 1e5
[nebula]
arcs = 3
galaxies = 2
coarsest = 120.0
[seeing]
fwhm = 2.8
jitter = 0.02
trail = 0.2
[mount]
dither = 8.0
drift = 6.0
flip = 24.0
flip_offset = 15.0
[heater]
events = [[13.8, 100], [25.0, 0]]
[calibration]
darks = 1
[[filter]]
name = "L"
sky = 6.0
diffuse = 2.0
filaments = 1.5
[[filter]]
name = "Ha"
stars = 0.15
sky = 0.3
diffuse = 0.6
filaments = 1.0
[[run]]
filter = "L"
exposure = 60.0
count = 21
[[run]]
filter = "Ha"
exposure = 60.0
count = 7
[[event]]
kind = "trail"
minute = 3.0
length = 9.0
angle = 15.0
[[event]]
kind = "satellite"
minute = 6.0
strength = 3000.0
angle = 30.0
[[event]]
kind = "satellite"
minute = 15.0
strength = 3000.0
angle = 130.0
"""


@pytest.fixture(scope="session")
def simulated(draw_night):
    return draw_night(SCENARIO)


@pytest.fixture(scope="session")
def merged(simulated, tmp_path_factory):
    """The whole pipeline over the simulated night, in this process."""
    out = tmp_path_factory.mktemp("merged")
    return process_night([simulated.frames], out=out, heater=simulated.log)
