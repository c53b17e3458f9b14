"""Same frames, same bits: whatever the number of workers, the executor and the order given."""

import numpy as np
import pytest

from framesort.night import merge_groups, place_frames, sort_frames
from framesort.workers import open_executor

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-03-04T20:00:00Z
seed = 5
[camera]
width = 360
height = 280
hot_pixels = 40
[stars]
count = 200
faintest = 10.0
brightest = 1e5
[seeing]
fwhm = 2.8
jitter = 0.02
[mount]
dither = 6.0
drift = 4.0
[heater]
events = [[6.8, 100]]
[[filter]]
name = "L"
sky = 6.0
diffuse = 2.0
filaments = 1.5
[[run]]
filter = "L"
exposure = 60.0
count = 10
"""


@pytest.fixture(scope="module")
def short_night(draw_night):
    night = draw_night(SCENARIO)
    frames = sorted(night.frames.glob("*.fits"))
    return frames, night.log, run_night(frames, night.log, None)


def run_night(frames, log, executor):
    """The whole pipeline without files: the night's table and its one merged group."""
    night = sort_frames(frames, heater=log, executor=executor)
    placed = place_frames(night.table, night.qualities, executor=executor)
    [group] = merge_groups(night.table, night.qualities, placed, executor=executor)
    assert group.replacement is not None
    return night.table, group


def same(one, other):
    np.testing.assert_array_equal(one[1].replacement.final, other[1].replacement.final)
    np.testing.assert_array_equal(one[1].replacement.stars, other[1].replacement.stars)
    for name in ("deep", "sharp"):
        a, b = getattr(one[1], name), getattr(other[1], name)
        for pixels in ("data", "weight", "coverage"):
            np.testing.assert_array_equal(getattr(a, pixels), getattr(b, pixels))
        assert a.frames == b.frames
    assert one[0].pformat(max_width=-1) == other[0].pformat(max_width=-1)


def test_two_workers_and_the_frames_in_reverse(short_night):
    frames, log, alone = short_night
    with open_executor(2) as pool:
        same(alone, run_night(frames[::-1], log, pool))
