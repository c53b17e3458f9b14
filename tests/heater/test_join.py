"""Logs of several nights as one, by construction."""

import numpy as np
import pytest

from framesort.errors import HeaterLogError
from framesort.heater import join_traces, make_constant_heater, shift_trace
from framesort.records import HeaterTrace

INF, NAN = np.inf, np.nan


def trace(edges, power, **more):
    return HeaterTrace(edges=np.array(edges, dtype=float), power=np.array(power, float), **more)


def power_at(joined, *times):
    start = np.array(times, dtype=float)
    return joined.average(start, start + 1)[1]


def test_samples_of_two_nights():
    one = trace([0, 100, 200], [0, 50], notes=("first",))
    two = trace([1000, 1100, 1200], [80, 0], notes=("second",))
    for order in ((one, two), (two, one)):
        joined = join_traces(order)
        got = power_at(joined, -10, 50, 150, 500, 1050, 1150, 1300)
        np.testing.assert_array_equal(got, [NAN, 0, 50, NAN, 80, 0, NAN])
        assert joined.notes == ("first", "second")


def test_a_state_for_ever_ends_where_the_next_log_begins():
    one = trace([-INF, 100, 200, INF], [0, 100, 0])  # switch events
    two = trace([1000, 1100, 1150, 1200], [80, NAN, 0])  # samples with a gap
    joined = join_traces([one, two])
    got = power_at(joined, -1e6, 150, 500, 1050, 1120, 1170, 1e6)
    # In the gap of the second log the first does not speak for it, nor after it.
    np.testing.assert_array_equal(got, [0, 100, 0, 80, NAN, 0, NAN])
    # What events say of the time before the first of them counts for the first log only.
    later = trace([-INF, 1000, INF], [40, 0])
    got = power_at(join_traces([one, later]), 50, 150, 500, 1500)
    np.testing.assert_array_equal(got, [0, 100, 0, 0])


def test_events_of_two_nights():
    """Each log speaks for its own night; what the second says of the time before it counts too."""
    hour, day = 3600.0, 86400.0
    one = trace([-14 * hour, 0, hour, 15 * hour], [0, 60, 30], entries=(0, hour))
    two = trace([day - 14 * hour, day, day + 14 * hour], [0, 80], entries=(day, day))
    for order in ((one, two), (two, one)):
        joined = join_traces(order)
        got = power_at(joined, -hour, 60, 2 * hour, 14 * hour, 16 * hour, day - 60, day + 60)
        np.testing.assert_array_equal(got, [0, 60, 30, 30, 0, 0, 80])
        assert joined.span == (0, day)


def test_overlapping_logs():
    long = trace([0, 1000], [30])
    short = trace([400, 500, 600], [0, 100])
    got = power_at(join_traces([short, long]), 100, 450, 550, 700)
    np.testing.assert_array_equal(got, [30, 0, 100, 30])


def test_one_log_stays_as_it_is_and_a_constant_has_no_place_beside_others():
    one = trace([0, 100], [30])
    assert join_traces([one]) is one
    with pytest.raises(HeaterLogError, match="without times"):
        join_traces([one, make_constant_heater(20)])
    moved = shift_trace(one, -25.0)
    np.testing.assert_array_equal(moved.edges, [-25, 75])


def test_confidence_is_kept():
    one = trace([0, 100], [30], confidence=np.array([0.7]))
    two = trace([200, 300], [30])
    joined = join_traces([one, two])
    known = np.isfinite(joined.power)
    np.testing.assert_array_equal(joined.confidence[known], [0.7, 1.0])
