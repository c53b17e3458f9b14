import textwrap

import pytest

from framesort.simulation import read_scenario, simulate_night

SCENARIO = """
start = 2024-10-14T20:12:00Z
seed = 3

[camera]
width = 320
height = 240
hot_pixels = 20

[stars]
count = 90
faintest = 40.0
brightest = 4e4

[mount]
flip = 6.0

[heater]
events = [[2.75, 100], [5.0, 0]]

[logger]
margin = 2.0

[calibration]
darks = 1
flats = 1

[[filter]]
name = "L"
sky = 5.0

[[filter]]
name = "Ha"
stars = 0.1
sky = 0.2

[[run]]
filter = "L"
exposure = 60.0
count = 4

[[run]]
filter = "Ha"
exposure = 90.0
count = 2

[[event]]
kind = "trail"
minute = 0.5
length = 7.0
angle = 20.0

[[event]]
kind = "satellite"
minute = 1.5
strength = 4000.0
angle = 30.0
"""


@pytest.fixture(scope="session")
def scenario_text():
    return textwrap.dedent(SCENARIO)


@pytest.fixture(scope="session")
def scenario(tmp_path_factory, scenario_text):
    path = tmp_path_factory.mktemp("scenario") / "night.toml"
    path.write_text(scenario_text)
    return read_scenario(path)


@pytest.fixture(scope="session")
def night(tmp_path_factory, scenario):
    """Folder and truth of a small night."""
    folder = tmp_path_factory.mktemp("night")
    return folder, simulate_night(scenario, folder)
