"""Logs against the stars, on simulated nights: silent where they agree, and not where not."""

import numpy as np
import pytest
from astropy.table import Table
from nights import T0, draw_night

from framesort.evidence import (
    compare_log,
    estimate_clock_offset,
    estimate_response,
    fit_other_day,
    sort_states,
)
from framesort.heater import add_heater_columns, make_constant_heater
from framesort.records import HeaterTrace

SWITCHES = [(0.2, 25), (0.4, 60), (0.9, 100), (1.3, 0), (1.75, 80), (2.2, 0)]
OTHER = [(0.05, 80), (0.3, 0), (1.2, 60), (1.7, 0), (2.3, 60), (2.5, 0)]


def log(switches, ahead=0.0):
    times = T0 + 3600 * np.array([hour for hour, _ in switches]) + ahead
    edges = np.r_[times[0] - 14 * 3600, times, times[-1] + 14 * 3600]
    power = np.array([0.0, *(percent for _, percent in switches)])
    return HeaterTrace(edges=edges, power=power, entries=(times[0], times[-1]))


@pytest.fixture(scope="module")
def night():
    table = draw_night(np.random.default_rng(2), SWITCHES)
    table["file"] = [f"f{i:03d}.fits" for i in range(len(table))]
    return table, sort_states(table)


def check(night, trace, *, with_clock=True):
    table, states = night[0].copy(), night[1]
    add_heater_columns(table, trace)
    clock = estimate_clock_offset(table, trace, states=states) if with_clock else None
    return compare_log(table, states, trace=trace, clock=clock, response=estimate_response(table))


@pytest.mark.parametrize(
    "trace",
    [
        log(SWITCHES),
        log([(hour, 100 * (percent > 0)) for hour, percent in SWITCHES]),
        log(SWITCHES, ahead=40),
    ],
    ids=["true", "on and off only", "half an exposure late"],
)
def test_a_good_log_is_not_spoken_of(night, trace):
    found = check(night, trace)
    assert not found.contradicts and not found.sentence
    assert found.agree > 0.8 * found.compared > 0.5 * len(night[0])


@pytest.mark.parametrize(
    ("trace", "better", "words"),
    [
        (log(SWITCHES, ahead=3600), "clock", "--clock-offset -3"),
        (log([(-0.2, 100)] + [(h, 100 * (p == 0)) for h, p in SWITCHES]), "inverted", "swapped"),
        (log(OTHER), "none", "ithout --heater"),
        (make_constant_heater(0), "none", "heater power given"),
        (make_constant_heater(100), "none", "appear unheated"),
    ],
    ids=["clock", "inverted", "other night", "always off", "always on"],
)
def test_a_log_that_the_stars_contradict(night, trace, better, words):
    found = check(night, trace, with_clock=trace.span is not None)
    assert found.contradicts and found.better == better, found.sentence
    assert words in found.sentence and "(first: f" in found.sentence


@pytest.mark.parametrize("days", [2, -2])
def test_a_log_of_the_wrong_date(night, days):
    table, states = night
    trace = log(SWITCHES, ahead=86400 * days)
    found = fit_other_day(table, states, trace, [-days, -days + 1, -days - 1])
    assert found is not None and found[0] == -days
    assert found[1].agree > 0.8 * len(table)
    assert fit_other_day(table, states, log(OTHER, ahead=86400 * days), [-days]) is None


def test_nothing_is_reported_where_the_stars_give_no_states():
    table = draw_night(np.random.default_rng(3), SWITCHES, blur=0.0, spike=0.0)
    assert isinstance(table, Table)
    found = check((table, sort_states(table)), log(OTHER))
    assert not found.contradicts and not found.compared
