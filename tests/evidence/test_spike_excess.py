"""The spike beyond the heater-off frames: drawn profiles and a real night."""

import json
from pathlib import Path

import numpy as np
import pytest

from framesort.evidence._spike import measure_spike_excess
from framesort.quality import measure_frames
from framesort.records import SPIKE_BINS, FrameQuality
from framesort.stars import spike_template

pytestmark = pytest.mark.slow

NIGHT = Path(__file__).parents[2].parent / "shared" / "nights" / "real"
CENTRE = (np.arange(SPIKE_BINS) + 0.5) * 180 / SPIKE_BINS


def frame(rng, strength=0.0, *, angle=62.0, trail=0.0, noise=1e-4, trail_angle=0.0):
    """A measured frame with a trail along some angle and a spike."""
    bump = np.exp(-0.5 * (((CENTRE - trail_angle + 90) % 180 - 90) / 14.0) ** 2)
    cross = spike_template(np.array([90.0]))[0] * 0.003
    light = trail * bump / bump.sum() + strength * spike_template(np.array([angle]))[0] + cross
    # Neighbouring sectors see the same pixels: noise is smooth over about five.
    white = rng.normal(0, noise, SPIKE_BINS)
    smooth = np.fft.ifft(np.fft.fft(white) * np.exp(-0.5 * (np.fft.fftfreq(90) * 20) ** 2)).real
    light = light + smooth - (light + smooth).mean()
    return FrameQuality(
        spike_raw=0.01,
        spike_raw_err=0.0004,
        spike_profile=light,
        spike_profile_err=np.full(90, noise),
    )


def off(angle, truth):
    return np.abs((np.asarray(angle) - truth + 90) % 180 - 90)


def test_line_beside_a_changing_trail():
    rng = np.random.default_rng(0)
    strength = np.r_[np.zeros(20), np.full(20, 0.006)]
    qualities = [
        frame(rng, s, trail=rng.uniform(0.005, 0.015), trail_angle=rng.normal(0, 4))
        for s in strength
    ]
    found, error, angle = measure_spike_excess(qualities, ["a"] * 40, strength == 0)
    assert np.all(found[20:] > 3 * error[20:])
    assert np.mean(found[:20] > 3 * error[:20]) == 0
    assert off(angle[20:], 62).max() < 3
    # The angle is chosen for the largest strength, which adds a part of the error.
    assert np.median(found[20:]) == pytest.approx(0.006, rel=0.1)


def test_no_false_lines_whatever_the_number_of_unheated_frames():
    false, count = 0, 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        number = [1, 2, 3, 5, 8, 15][seed % 6]
        qualities = [
            frame(rng, trail=rng.uniform(0.006, 0.012), trail_angle=rng.normal(0, 3))
            for _ in range(number + 10)
        ]
        cold = np.arange(number + 10) < number
        found, error, _ = measure_spike_excess(qualities, ["a"] * len(cold), cold)
        false += int(np.sum(found > 3 * error))
        count += len(cold)
    assert false <= 0.01 * count


def test_groups_are_compared_with_their_own():
    rng = np.random.default_rng(3)
    first = [frame(rng, trail=0.01) for _ in range(10)]
    second = [frame(rng, trail=0.01, trail_angle=120.0) for _ in range(10)]
    found, error, _ = measure_spike_excess(first + second, ["a"] * 10 + ["b"] * 10, [True] * 20)
    assert np.all(found < 3 * error)
    # A group without any takes those of the others, and is less sure.
    heated = [frame(rng, 0.006, trail=0.01) for _ in range(4)]
    own = measure_spike_excess(first + heated, ["a"] * 14, [True] * 10 + [False] * 4)
    other = measure_spike_excess(first + heated, ["a"] * 10 + ["c"] * 4, [True] * 10 + [False] * 4)
    assert np.allclose(own[0][10:], other[0][10:])
    assert np.all(other[1][10:] > 1.9 * own[1][10:])


def test_without_unheated_frames_only_differences_and_unsure():
    rng = np.random.default_rng(4)
    qualities = [frame(rng, s, trail=0.008) for s in (0.0, 0.0, 0.0, 0.0, 0.02, 0.02, 0.0, 0.0)]
    found, error, angle = measure_spike_excess(qualities, ["a"] * 8, np.zeros(8, bool))
    assert found[4:6].min() > found[[0, 1, 2, 3, 6, 7]].max()
    assert off(angle[4:6], 62).max() < 3
    assert np.all(error >= 0.01)  # the spike of the frames taken for reference frames


def test_frames_without_measurement_and_wrong_lengths():
    rng = np.random.default_rng(5)
    qualities = [frame(rng) for _ in range(6)] + [FrameQuality(reason="unreadable")]
    found, error, angle = measure_spike_excess(qualities, ["a"] * 7, [True] * 3 + [False] * 4)
    assert np.isfinite(found[:6]).all()
    assert np.isnan([found[6], error[6], angle[6]]).all()
    with pytest.raises(ValueError, match="7, 6, 7"):
        measure_spike_excess(qualities, ["a"] * 6, [True] * 7)
    assert all(len(v) == 0 for v in measure_spike_excess([], [], []))


def test_order_does_not_matter():
    rng = np.random.default_rng(6)
    qualities = [frame(rng, 0.004 * (k > 7), trail=rng.uniform(0.005, 0.01)) for k in range(14)]
    cold = np.arange(14) < 8
    turn = rng.permutation(14)
    one = measure_spike_excess(qualities, ["a"] * 14, cold)
    two = measure_spike_excess([qualities[i] for i in turn], ["a"] * 14, cold[turn])
    for a, b in zip(one, two, strict=True):
        assert b == pytest.approx(a[turn], rel=1e-6)


@pytest.mark.skipif(not NIGHT.exists(), reason="the real night is not here")
def test_real_night():
    told = json.loads((NIGHT / "truth.json").read_text())
    told["frames"] = told["frames"][::2]  # half of them, for time
    share = np.array([f["share"] for f in told["frames"]])
    dose = np.array([f["dose"] for f in told["frames"]])
    qualities = measure_frames([NIGHT / "frames" / f["file"] for f in told["frames"]])
    cold, hot = share < 0.005, dose >= 60
    found, error, angle = measure_spike_excess(qualities, ["a"] * len(share), cold)
    # Asked: 0.98, 3 degrees, 5 %.
    assert np.mean(found[hot][:, None] > found[cold][None, :]) >= 0.98
    assert abs(np.median((angle[hot] - told["angle_deg"] + 90) % 180 - 90)) <= 3
    assert np.mean(found[cold] > 3 * error[cold]) <= 0.05
    assert np.mean(found[hot] > 3 * error[hot]) > 0.9
