"""Minutes since the last change of heater power, and the power before it."""

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time

from framesort.heater import add_heater_columns, make_constant_heater, read_heater_log
from framesort.records import HeaterTrace, column_values, keep_switches

T0 = 1773522000.0


def table_at(*middles, exposure=60.0):
    """Frames whose exposures have these middles, in minutes after `T0`."""
    table = Table()
    seconds = T0 + 60 * np.array(middles) - exposure / 2
    table["start"] = Time(seconds, format="unix", scale="utc")
    table["exposure"] = np.full(len(seconds), exposure)
    return table


def last_switch(trace, *middles, **options):
    table = table_at(*middles)
    add_heater_columns(table, trace, **options)
    return column_values(table, "minutes_since_switch"), column_values(table, "previous_power")


def test_by_hand():
    trace = HeaterTrace(
        edges=T0 + 60 * np.array([-10.0, 0.0, 5.0, 20.0, 30.0, 40.0]),
        power=np.array([0.0, 60.0, 100.0, np.nan, 30.0]),
    )
    minutes, before = last_switch(trace, -3, 0.25, 4, 7, 25, 35, 45)
    # Before the first change, in the gap, after it and beyond the log's end nothing is known.
    np.testing.assert_allclose(minutes, [np.nan, 0.25, 4, 2, *[np.nan] * 3], atol=1e-6)
    np.testing.assert_array_equal(before, [np.nan, 0, 0, 60, *[np.nan] * 3])


def test_units_clock_offset_and_a_constant():
    trace = HeaterTrace(edges=np.array([-np.inf, T0, np.inf]), power=np.array([0.0, 100.0]))
    minutes, before = last_switch(trace, 10.0, clock_offset=120.0)
    np.testing.assert_allclose([minutes[0], before[0]], [8.0, 0.0], atol=1e-6)
    assert np.isnan(last_switch(make_constant_heater(60), 1.0)).all()
    table = table_at(1.0)
    add_heater_columns(table, trace)
    assert table["minutes_since_switch"].unit == "min"
    assert table["previous_power"].unit == "percent"
    table["start"][0] = np.ma.masked
    add_heater_columns(table, trace)
    assert np.isnan(column_values(table, "minutes_since_switch")[0])


@pytest.mark.parametrize(("noise", "switches"), [(0.0, 3), (0.6, 3), (6.0, 1000)])
def test_noise_of_a_log_is_no_switch(noise, switches):
    rng = np.random.default_rng(4)
    seconds = np.arange(0, 7200.0, 2.0)
    true = np.select([seconds < 1800, seconds < 3600, seconds < 5400], [0.0, 100.0, 30.0], 60.0)
    power = np.clip(true + rng.normal(0, noise, len(true)), 0, None)
    noisy = HeaterTrace(edges=T0 + np.r_[seconds, 7200.0], power=power)
    kept = keep_switches(noisy)
    if noise > 2.5:  # noise as large as a change: not silently smoothed
        assert len(kept.power) > switches
        return
    assert len(kept.power) == switches + 1
    # The mean of 900 samples; below 0 the noise is cut off.
    np.testing.assert_allclose(kept.power, [0, 100, 30, 60], atol=0.4 * noise + 0.05)
    minutes, before = last_switch(noisy, 40, 61, 119)
    np.testing.assert_allclose(minutes, [10, 1, 29], atol=0.04)
    np.testing.assert_allclose(before, [0, 100, 30], atol=0.4 * noise + 0.05)


def test_samples_on_the_way_belong_to_one_change():
    seconds = np.array([0.0, 600.0, 602.0, 604.0, 1200.0, 1210.0, 1800.0])
    trace = HeaterTrace(edges=T0 + seconds, power=np.array([0.0, 35.0, 80.0, 100.0, 20.0, 60.0]))
    kept = keep_switches(trace)
    # 20 % for ten seconds is a pulse, no stay on the way from 100 to 60 %.
    np.testing.assert_array_equal(kept.power, [0, 100, 20, 60])
    np.testing.assert_array_equal(kept.edges - T0, [0, 604, 1200, 1210, 1800])


def test_from_a_text(tmp_path):
    log = tmp_path / "log.csv"
    log.write_text(
        "time_utc,heater_percent\n2026-03-14T21:00:00Z,0\n2026-03-14T21:30:00Z,60\n"
        "2026-03-14T22:00:00Z,0\n"
    )
    table = Table()
    table["start"] = Time(["2026-03-14T21:40:00", "2026-03-14T22:10:00"], scale="utc")
    table["exposure"] = [120.0, 120.0]
    add_heater_columns(table, read_heater_log(log))
    np.testing.assert_allclose(column_values(table, "minutes_since_switch"), [11, 11], atol=1e-6)
    np.testing.assert_allclose(column_values(table, "previous_power"), [0, 60])
