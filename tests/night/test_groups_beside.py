"""Filters are independent: one is stacked while the stars of another are replaced."""

import threading

import numpy as np
import pytest

from framesort.night import _merge, merge_groups, place_frames, sort_frames
from framesort.workers import free_memory, open_executor

pytestmark = pytest.mark.slow

SCENARIO = """
start = 2026-03-04T20:00:00Z
seed = 6
[camera]
width = 320
height = 240
[stars]
count = 160
faintest = 10.0
brightest = 1e5
[seeing]
fwhm = 2.8
jitter = 0.02
[mount]
dither = 6.0
[heater]
events = [[5.0, 100], [12.0, 0]]
[[filter]]
name = "Ha"
stars = 0.6
sky = 1.0
diffuse = 1.0
filaments = 1.0
[[filter]]
name = "L"
sky = 6.0
diffuse = 2.0
filaments = 1.5
[[run]]
filter = "Ha"
exposure = 60.0
count = 8
[[run]]
filter = "L"
exposure = 60.0
count = 8
"""


class Stages:
    """Progress that notes when each stage begins and ends."""

    def __init__(self):
        self.marks = []

    def __call__(self, name):
        def follow(items):
            self.marks.append(("begin", name))
            yield from items
            self.marks.append(("end", name))

        return follow


@pytest.fixture(scope="module")
def placed_night(draw_night):
    night = draw_night(SCENARIO)
    made = sort_frames(sorted(night.frames.glob("*.fits")), heater=night.log)
    return made, place_frames(made.table, made.qualities)


def merge(placed_night, executor, progress=None):
    night, placed = placed_night
    return list(
        merge_groups(night.table, night.qualities, placed, executor=executor, progress=progress)
    )


def test_same_results_beside_each_other_and_in_turn(placed_night, monkeypatch):
    one_by_one = merge(placed_night, None)
    stages = Stages()
    monkeypatch.setattr(_merge, "free_memory", lambda: 1 << 40)
    with open_executor(2) as pool:
        beside = merge(placed_night, pool, stages)
    assert [group.label for group in beside] == ["Ha", "L"]
    first, last = ("begin", "L: stacking"), ("end", "Ha: replacing stars")
    assert stages.marks.index(first) < stages.marks.index(last)
    for one, other in zip(one_by_one, beside, strict=True):
        np.testing.assert_array_equal(one.replacement.final, other.replacement.final)
        np.testing.assert_array_equal(one.deep.data, other.deep.data)
        assert (one.fwhm, one.spike, one.notes) == (other.fwhm, other.spike, other.notes)


def test_in_turn_where_memory_is_short(placed_night, monkeypatch):
    stages = Stages()
    monkeypatch.setattr(_merge, "free_memory", lambda: 1 << 20)
    with open_executor(2) as pool:
        merge(placed_night, pool, stages)
    first, last = ("begin", "L: stacking"), ("end", "Ha: replacing stars")
    assert stages.marks.index(first) > stages.marks.index(last)


def test_stacking_ends_when_the_replacement_beside_it_is_stopped(placed_night, monkeypatch):
    begun = threading.Event()

    def stop(*args, **kwargs):
        assert begun.wait(60)
        raise KeyboardInterrupt

    def progress(name):
        def follow(items):
            for number, item in enumerate(items):
                if name == "L: stacking":
                    assert number < 2, "stacking was not stopped"
                    begun.set()
                    stopped.wait(60)
                yield item

        return follow

    class Flag(threading.Event):
        def set(self):
            super().set()
            stopped.set()

    stopped = threading.Event()
    monkeypatch.setattr(_merge, "Event", Flag)
    monkeypatch.setattr(_merge, "free_memory", lambda: 1 << 40)
    monkeypatch.setattr(_merge, "replace_stars", stop)
    with open_executor(2) as pool, pytest.raises(KeyboardInterrupt):
        merge(placed_night, pool, progress)


def test_memory_that_is_free_is_positive_or_not_known():
    free = free_memory()
    assert free is None or free > 0
