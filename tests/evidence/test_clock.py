from dataclasses import replace

import numpy as np
import pytest
from astropy.time import Time
from nights import T0, draw_night

from framesort.evidence import estimate_clock_offset
from framesort.records import HeaterTrace

pytestmark = pytest.mark.slow

SWITCHES = [(0.35, 60), (0.9, 100), (1.3, 0), (1.75, 80), (2.2, 0)]


def log(switches, ahead=0.0):
    """The switches as a log whose clock is ahead by so many seconds."""
    times = T0 + 3600 * np.array([hour for hour, _ in switches]) + ahead
    power = np.array([0.0, *(percent for _, percent in switches)])
    return HeaterTrace(edges=np.array([-np.inf, *times, np.inf]), power=power)


@pytest.mark.parametrize("ahead", [0, 3600, -420, 7 * 3600])
def test_shifted_logs(ahead):
    """Frames of 60 s every 80 s: the shift is found within one cadence, and its error is honest."""
    deviations = []
    for seed in range(4):
        table = draw_night(np.random.default_rng(seed), SWITCHES)
        clock = estimate_clock_offset(table, log(SWITCHES, ahead))
        assert abs(clock.seconds + ahead) < 80
        assert 0 < clock.error < 80
        assert clock.significant == (ahead != 0)
        deviations.append((clock.seconds + ahead) / clock.error)
    # Four seeds: four sigma for the worst, the mean within a sigma.
    assert np.max(np.abs(deviations)) < 4
    assert abs(np.mean(deviations)) < 1


def only_on_and_off(switches, ahead=0.0):
    """What one remembers who forgot the powers: 100 for any."""
    return log([(hour, 100 * (percent > 0)) for hour, percent in switches], ahead)


@pytest.mark.parametrize("ahead", [0, 3600, -420, 7 * 3600])
def test_powers_that_differ_and_are_not_known(ahead):
    """True times, on and off only, the powers from 60 to 100 % and one too weak to show."""
    switches = [(0.2, 20), (0.35, 60), (0.8, 100), (1.3, 0), (1.75, 80), (2.2, 0)]
    for seed in range(3):
        table = draw_night(np.random.default_rng(seed), switches)
        clock = estimate_clock_offset(table, only_on_and_off(switches, ahead))
        # Half a cadence of 80 s and a frame called wrongly; a wrong power makes 4000 s of it.
        assert abs(clock.seconds + ahead) < 80
        assert clock.significant == (ahead != 0), clock.sentence


def test_a_log_of_other_switches_moves_nothing():
    """No offset makes this log agree: what is told is not applied."""
    table = draw_night(np.random.default_rng(6), SWITCHES)
    others = [(0.1, 100), (0.25, 0), (0.5, 100), (0.65, 0), (0.9, 100), (1.05, 0), (1.9, 100)]
    assert not estimate_clock_offset(table, log(others)).significant
    assert not estimate_clock_offset(table, only_on_and_off(others)).significant


def test_no_offset_beyond_fourteen_hours():
    table = draw_night(np.random.default_rng(1), SWITCHES)
    for days in (1, -2):
        clock = estimate_clock_offset(table, log(SWITCHES, days * 86400))
        assert not clock.significant and not abs(clock.seconds) > 14 * 3600


def test_an_offset_needs_states_that_bear_it_out():
    """Without a spike the stars name no states: an offset is told, not applied."""
    table = draw_night(np.random.default_rng(1), SWITCHES, spike=0.0)
    clock = estimate_clock_offset(table, log(SWITCHES, 3600))
    assert abs(clock.seconds + 3600) < 80 and not clock.significant
    assert "not applied" in clock.sentence


def test_known_causes_are_named():
    table = draw_night(np.random.default_rng(1), SWITCHES)
    assert "summer time" in estimate_clock_offset(table, log(SWITCHES, 3600)).sentence
    assert "zone" in estimate_clock_offset(table, log(SWITCHES, -2 * 3600)).sentence
    assert "--clock-offset" in estimate_clock_offset(table, log(SWITCHES, -500)).sentence
    assert "agree" in estimate_clock_offset(table, log(SWITCHES)).sentence


def test_camera_that_stamps_the_end_of_the_exposure():
    table = draw_night(
        np.random.default_rng(1), [(1.0, 100), (2.1, 0), (3.3, 80)], exposure=300, pause=10,
        frames=48,
    )  # fmt: skip
    table["start"] = Time(table["start"].unix + 300, format="unix", scale="utc")
    clock = estimate_clock_offset(table, log([(1.0, 100), (2.1, 0), (3.3, 80)]))
    # A log must be moved later by one exposure to agree with stamps that are late by it.
    assert abs(clock.seconds - 300) < 3 * clock.error
    assert clock.significant and "end of the exposure" in clock.sentence


def test_log_of_samples_does_not_cover_all_shifts():
    """A log that ends with the night: shifts that push it off the frames must not win."""
    switches = log(SWITCHES, ahead=600)
    trace = replace(
        switches, edges=np.array([T0 - 600, *switches.edges[1:-1], T0 + 3600 * 2.9 + 600])
    )
    table = draw_night(np.random.default_rng(2), SWITCHES)
    assert abs(estimate_clock_offset(table, trace).seconds + 600) < 80


def test_no_effect_no_clock():
    table = draw_night(np.random.default_rng(3), SWITCHES, blur=0.0, spike=0.0)
    clock = estimate_clock_offset(table, log(SWITCHES))
    assert np.isnan(clock.seconds) and not clock.significant
    assert "not measured" in clock.sentence
    constant = HeaterTrace(edges=np.array([-np.inf, np.inf]), power=np.array([30.0]))
    assert not estimate_clock_offset(table, constant).significant
    assert not estimate_clock_offset(table[:3], log(SWITCHES)).significant


def test_regular_switching_leaves_two_readings():
    """Half an hour on, half an hour off all night: a shift of an hour fits as well."""
    switches = [(0.5 * k, 100 * (k % 2)) for k in range(1, 16)]
    table = draw_night(np.random.default_rng(4), switches, frames=100, walk=0.02)
    clock = estimate_clock_offset(table, log(switches, ahead=3600))
    assert not clock.significant
    assert "ambiguous" in clock.sentence


def test_missing_values():
    table = draw_night(np.random.default_rng(5), SWITCHES)
    table["fwhm"][::6] = np.nan
    table["spike_raw"][::9] = np.nan
    assert abs(estimate_clock_offset(table, log(SWITCHES, 900)).seconds + 900) < 80
    del table["spike_raw"], table["spike_raw_angle"]
    assert abs(estimate_clock_offset(table, log(SWITCHES, 900)).seconds + 900) < 80


def test_a_heater_that_is_only_off_or_full():
    """No frame between the two levels: power and its square then say the same."""
    switches = [(0.60, 100), (1.50, 0)]
    table = draw_night(np.random.default_rng(3), switches)
    start = table["start"].unix
    gaps = 0.5 * (start[1:] + start[:-1] + np.asarray(table["exposure"], dtype=float)[:-1])
    edges = [gaps[np.argmin(np.abs(gaps - T0 - 3600 * hour))] for hour, _ in switches]
    trace = HeaterTrace(edges=np.array([-np.inf, *edges, np.inf]), power=np.array([0, 100.0, 0]))
    share, _ = trace.average(start, start + np.asarray(table["exposure"], dtype=float))
    assert set(share) == {0.0, 1.0}
    clock = estimate_clock_offset(table, trace)
    assert abs(clock.seconds) < 80 and not clock.significant
