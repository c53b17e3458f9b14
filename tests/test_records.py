"""Columns, reasons, and the invariants of the result classes."""

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table

from framesort.records import (
    STAR_COLUMNS,
    HeaterTrace,
    Transform,
    add_column,
    add_reason,
    column_values,
    empty_star_list,
)


def test_columns_carry_unit_and_text():
    table = Table()
    add_column(table, "exposure", [60.0, 300.0])
    assert table["exposure"].unit == u.s and table["exposure"].info.description == "exposure time"
    add_column(table, "reason", ["", ""])
    table["reason"][0] = "a text longer than any before it"
    assert table["reason"][0] == "a text longer than any before it"


def test_values_that_are_not_there_are_nan():
    table = Table({"fwhm": np.ma.array([3.0, 4.0], mask=[False, True])})
    assert np.array_equal(column_values(table, "fwhm"), [3.0, np.nan], equal_nan=True)
    assert np.isnan(column_values(table, "sky")).all()


def test_reasons_are_added_once_and_must_be_known():
    assert add_reason(add_reason("cloud", "heated"), "cloud") == "cloud; heated"
    with pytest.raises(KeyError):
        add_reason("", "because")


def test_empty_star_list_has_every_column():
    assert empty_star_list().colnames == list(STAR_COLUMNS)


def test_share_and_power_of_an_exposure():
    # Heater off, on at 50 % from t = 100, full from t = 160, unknown from t = 200.
    trace = HeaterTrace(
        edges=np.array([-np.inf, 100.0, 160.0, 200.0, np.inf]),
        power=np.array([0.0, 50.0, 100.0, np.nan]),
    )
    share, power = trace.average(
        np.array([0, 70, 140, 100, 190]), np.array([60, 130, 180, 160, 210])
    )
    assert share == pytest.approx([0, 0.5, 1, 1, np.nan], nan_ok=True)
    assert power == pytest.approx([0, 25, 75, 50, np.nan], nan_ok=True)


def test_trace_does_not_reach_beyond_its_edges():
    trace = HeaterTrace(edges=np.array([0.0, 100.0]), power=np.array([0.0]))
    assert np.isnan(trace.average([50.0], [150.0])[0][0])
    assert trace.average([0.0], [100.0])[0][0] == 0


def test_trace_refuses_what_is_no_step_function():
    with pytest.raises(ValueError, match="one longer than power, got 2 and 2"):
        HeaterTrace(edges=np.array([0.0, 1.0]), power=np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="must increase"):
        HeaterTrace(edges=np.array([0.0, 0.0]), power=np.array([0.0]))


def test_transform_reports_its_geometry():
    # Scale 1.01, turned by 30 degrees, shifted by (5, -7).
    c, s = 1.01 * np.cos(np.pi / 6), 1.01 * np.sin(np.pi / 6)
    transform = Transform(matrix=np.array([[c, -s, 5.0], [s, c, -7.0], [0, 0, 1]]), matched=10)
    assert transform.scale == pytest.approx(1.01)
    assert transform.rotation == pytest.approx(30.0)
    assert np.ravel(transform.map_points(10, 0)) == pytest.approx([10 * c + 5, 10 * s - 7])
    assert transform and not Transform(reason="not matched")
