"""Simulated supply currents with known heater power."""

import numpy as np
import pytest

from framesort.errors import HeaterLogError
from framesort.heater import LogOptions, read_heater_log

T0 = 1710442800.0


def draw_rig(rng, schedule, *, hours, cadence=5.0, full=1.3, noise=0.03, slews=15):
    """Seconds, amperes and true heater percent: base, drift, slews of seconds, noise."""
    t = np.arange(int(hours * 3600 / cadence)) * cadence
    power = np.zeros_like(t)
    for hour, percent in schedule:
        power[t >= 3600 * hour] = percent
    current = 1.9 + power / 100 * full + 0.06 * np.sin(t / 1900 + rng.uniform(0, 6)) + 5e-6 * t
    for begin in rng.uniform(0, t[-1], slews):
        current[(t >= begin) & (t < begin + rng.uniform(2, 12))] += rng.uniform(0.5, 2)
    return t, current + rng.normal(0, noise, t.size), power


@pytest.fixture
def read(tmp_path):
    def read(t, current, **options):
        path = tmp_path / "rig.csv"
        rows = (f"{T0 + s:.1f},{a:.3f}" for s, a in zip(t, current, strict=True))
        path.write_text("\n".join(["epoch,supply amps", *rows]) + "\n")
        return read_heater_log(path, LogOptions(**options))

    return read


def at(trace, t):
    place = np.searchsorted(trace.edges, T0 + t, side="right") - 1
    return trace.power[np.clip(place, 0, len(trace.power) - 1)]


SCHEDULE = [(1.0, 40), (1.6, 100), (2.4, 0), (3.2, 60), (4.2, 0)]


@pytest.mark.parametrize("full_current", [1.3, None])
def test_heater_among_cooler_flip_slews_and_drift(read, full_current):
    t, current, power = draw_rig(np.random.default_rng(1), SCHEDULE, hours=5)
    cooling = np.clip(t - 400, 0, None)
    current += np.where(t > 400, 1.1 * (0.55 + 0.45 * np.exp(-cooling / 240)), 0)
    current[(t > 7200 + 3600 * 0.8) & (t < 7280 + 3600 * 0.8)] += 1.4  # meridian flip
    trace = read(t, current, full_current=full_current)
    found = at(trace, t)
    assert np.isfinite(found).all()
    # Power within 5 % of full, but for one sample on either side of each of the five switches.
    assert np.sum(np.abs(found - power) > 5) <= 10
    assert any("of another device" in note for note in trace.notes)
    assert (trace.confidence[np.isfinite(trace.power)] >= 0.8).all()


def test_cooler_alone_is_no_heater(read):
    t, current, _ = draw_rig(np.random.default_rng(2), [], hours=5)
    current += 1.1 * ((t > 400) & (t < 17500))
    trace = read(t, current)
    assert np.isnan(trace.power).all()
    assert "unknown" in trace.notes[1] and "full_current" in trace.notes[1]


def test_nothing_but_drift_is_unknown(read):
    for seed in range(5):
        t, current, _ = draw_rig(np.random.default_rng(seed), [], hours=6)
        assert np.isnan(read(t, current).power).all()


def test_given_full_current_settles_a_single_step(read):
    """One rise by the heater's full current in mid-night, and a smaller device before."""
    t, current, power = draw_rig(np.random.default_rng(3), [(2.0, 100), (3.0, 0)], hours=5)
    current += 0.7 * (t > 500)
    found = at(read(t, current, full_current=1.3), t)
    assert np.sum(np.abs(found - power) > 5) <= 4


def test_a_switch_during_a_flip(read):
    t, current, power = draw_rig(np.random.default_rng(4), SCHEDULE, hours=5)
    current[(t > 3600 * 2.4 - 60) & (t < 3600 * 2.4 + 30)] += 1.2
    found = at(read(t, current, full_current=1.3), t)
    # The switch can be misplaced by the flip's 90 s, 18 samples; the rest must be right.
    assert np.sum(~(np.abs(found - power) <= 5)) <= 18 + 8


def test_gap_in_a_current(read):
    t, current, power = draw_rig(np.random.default_rng(5), SCHEDULE, hours=5)
    keep = (t < 4000) | (t > 5000)
    found = at(read(t[keep], current[keep], full_current=1.3), t)
    assert np.isnan(found[(t > 4010) & (t < 4990)]).all()
    rest = keep & ((t < 3990) | (t > 5010))
    assert np.sum(~(np.abs(found - power) <= 5)[rest]) <= 10


def test_milliamperes_and_fast_samples(tmp_path):
    t, current, power = draw_rig(np.random.default_rng(6), SCHEDULE, hours=5, cadence=0.5)
    path = tmp_path / "rig.csv"
    rows = (f"{T0 + s:.1f};{1000 * a:.0f}" for s, a in zip(t, current, strict=True))
    path.write_text("\n".join(["epoch;supply current mA", *rows]) + "\n")
    found = at(read_heater_log(path, LogOptions(full_current=1.3)), t)
    assert np.mean(np.abs(found - power) > 5) < 0.001


def test_random_nights(read):
    """What is said must be right; what cannot be said stays unknown."""
    wrong, unknown, calibrated = [], [], []
    for seed in range(300, 325):
        rng = np.random.default_rng(seed)
        times = np.sort(rng.uniform(0.5, 5.5, rng.integers(3, 8)))
        level, schedule = 0, []
        for hour in times:
            level = int(rng.choice([p for p in (0, 0, 30, 50, 80, 100) if p != level]))
            schedule.append((hour, level))
        full, noise = rng.uniform(0.8, 3), rng.choice([0.01, 0.03, 0.05])
        t, current, power = draw_rig(rng, schedule, hours=6, full=full, noise=noise)
        if seed % 3:
            current += rng.uniform(0.4, 1.5) * (t > rng.uniform(0, 1200))
        found = at(read(t, current, full_current=full), t)
        known = np.isfinite(found)
        wrong.append(np.mean(np.abs(found - power)[known] > 10) if known.any() else 0)
        unknown.append(1 - known.mean())
        if power.max() == 100:
            found = at(read(t, current), t)
            known = np.isfinite(found)
            calibrated.append(np.mean(np.abs(found - power)[known] > 10) if known.any() else 0)
    # A stretch is named from a chance of 0.8 on; errors of a few percent are what that means.
    assert np.mean(wrong) < 0.02
    assert np.mean(unknown) < 0.20
    assert np.mean(calibrated) < 0.10


def test_too_short_and_wrong_scale(read):
    with pytest.raises(HeaterLogError, match="too few"):
        read(np.arange(10.0), np.ones(10))
    with pytest.raises(HeaterLogError, match="full_current"):
        read(np.arange(100.0), np.ones(100), full_current=0)
