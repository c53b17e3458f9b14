"""Minutes with the heater off and on, and the goal, in closed form."""

import math

import pytest

from framesort.live import LiveFrame, collect_minutes, equal_depth_minutes


def night(states, *, exposure=120.0, name="L", begin=0.0, gap=0.0, **changes):
    return [
        LiveFrame(
            file=f"{name}{k}", start=begin + k * (exposure + gap), exposure=exposure, filter=name,
            heater_state=state, **changes,
        )
        for k, state in enumerate(states)
    ]  # fmt: skip


def test_minutes_by_filter_and_state():
    frames = night(["off"] * 5 + ["on"] * 3 + ["part", "unknown"])
    frames += night(["off"], name="Ha", exposure=300.0, begin=5000.0)
    frames += night(["off"], name="Ha", exposure=300.0, begin=6000.0, reason="few stars")
    ha, lum = collect_minutes(frames, {"L": 30.0})
    assert (lum.filter, lum.off, lum.on) == ("L", 10.0, 8.0)
    assert lum.missing == 20.0
    assert (ha.off, ha.on) == (5.0, 0.0) and math.isnan(ha.missing) and math.isnan(ha.ready)


def test_goal_for_all_filters():
    (lum,) = collect_minutes(night(["off"] * 5), {"": 12.0})
    assert (lum.goal, lum.missing) == (12.0, 2.0)


def test_ready_at_the_present_rate():
    # 120 s exposures every 240 s: half the time counts, so 10 min missing take 20 min.
    frames = night(["off"] * 10, gap=120.0)
    (lum,) = collect_minutes(frames, {"L": 30.0})
    end = 9 * 240.0 + 120.0
    assert lum.missing == 10.0
    assert lum.ready == pytest.approx(end + 600 / (1200 / end))


def test_never_ready_with_the_heater_on_for_long():
    frames = night(["off"] * 5 + ["on"] * 30)
    (lum,) = collect_minutes(frames, {"L": 30.0})
    assert lum.missing == 20.0 and math.isnan(lum.ready)


def test_reached_goal_is_ready_now():
    (lum,) = collect_minutes(night(["off"] * 15), {"L": 30.0})
    assert lum.missing == 0.0 and lum.ready == 15 * 120.0


def test_no_frames_no_minutes():
    assert collect_minutes([]) == ()


def test_equal_depth_in_closed_form():
    # Equal noise; heated stars twice as wide, and more than half of the frames: the median of all
    # is the heated width. The heater-off stack then needs a quarter of the time of all.
    frames = night(["off"] * 4, fwhm=2.0, noise=5.0)
    frames += night(["on"] * 12, begin=1000.0, fwhm=4.0, noise=5.0)
    assert equal_depth_minutes(frames) == {"L": pytest.approx(32.0 / 4)}


def test_no_goal_without_heater_off_frames():
    assert equal_depth_minutes(night(["on"] * 4, fwhm=2.0, noise=5.0)) == {}
