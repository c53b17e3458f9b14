"""Heater power that is in memory already, in the kinds that the field uses."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy import units as u
from astropy.table import QTable, Table
from astropy.time import Time
from astropy.timeseries import TimeSeries

from framesort.errors import HeaterLogError
from framesort.heater import make_stepped_heater

BEGIN = datetime(2026, 2, 11, 20, 0, tzinfo=UTC)
MOMENTS = [BEGIN, BEGIN + timedelta(minutes=10), BEGIN + timedelta(minutes=30)]
POWER = [0.0, 60.0, 0.0]


def kinds():
    time = Time([moment.replace(tzinfo=None) for moment in MOMENTS])
    yield "datetimes with a zone", (MOMENTS, POWER)
    yield "Time", (time, POWER)
    yield "Time in TT", (time.tt, np.array(POWER))
    yield "percent", (time, POWER * u.percent)
    yield "share", (time, np.array(POWER) / 100 * u.one)
    yield "out of order", (time[[2, 0, 1]], np.array(POWER)[[2, 0, 1]])
    yield "Table", (Table({"time": time, "power": POWER}), None)
    yield "QTable", (QTable({"time": time, "power": POWER * u.percent}), None)
    yield "TimeSeries", (TimeSeries(time=time, data={"power": POWER * u.percent}), None)


@pytest.mark.parametrize(
    ("time", "power"), [case for _, case in kinds()], ids=[n for n, _ in kinds()]
)
def test_all_kinds_mean_the_same(time, power):
    trace = make_stepped_heater(time, power)
    start = BEGIN.timestamp() + 60 * np.array([-5.0, 2.0, 5.0, 12.0, 50.0])
    share, mean = trace.average(start, start + 600)
    # Ten minutes each: before the first moment; 2 of 10 on; 5 of 10 on; on; off.
    assert np.allclose(share, [np.nan, 0.2, 0.5, 1.0, 0.0], equal_nan=True)
    assert np.allclose(mean, [np.nan, 12.0, 30.0, 60.0, 0.0], equal_nan=True)


def test_until_an_end_and_with_gaps():
    trace = make_stepped_heater(MOMENTS, [0, np.nan, 40], end=BEGIN + timedelta(minutes=40))
    start = BEGIN.timestamp() + 60 * np.array([0.0, 9.0, 31.0, 35.0])
    share, _ = trace.average(start, start + 360)
    assert np.allclose(share, [0, np.nan, 1, np.nan], equal_nan=True)


def test_the_last_moment_is_valid_for_one_night():
    trace = make_stepped_heater(MOMENTS, [0, 60, 40])
    last = trace.span[1]
    start = last + 3600 * np.array([13.0, 13.9, 15.0])
    np.testing.assert_array_equal(trace.average(start, start + 600)[0], [1, np.nan, np.nan])


@pytest.mark.parametrize(
    ("time", "power", "message"),
    [
        (MOMENTS, [0, 1], "one length"),
        ([], [], "Time or datetime"),
        (MOMENTS, [0, 120, 0], "0 to 100 percent, got 120"),
        (Table({"when": [1]}), None, "columns time and power"),
        (["yesterday"], [0], "Time or datetime"),
    ],
)
def test_what_is_no_power_against_time(time, power, message):
    with pytest.raises(HeaterLogError, match=message):
        make_stepped_heater(time, power)
