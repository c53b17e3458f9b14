import json
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from matplotlib.figure import Figure

from framesort.errors import HeaterLogError
from framesort.files import write_table
from framesort.heater import (
    LogOptions,
    add_heater_columns,
    describe_trace,
    draw_trace,
    make_constant_heater,
    make_header_heater,
    read_heater_log,
    tabulate_trace,
)
from framesort.records import HeaterTrace

NIGHT = Path(__file__).parents[2] / "../shared/nights/real"
T19 = 1710442800.0  # 2024-03-14T19:00:00 UTC


def frames(*seconds, exposure=60.0):
    table = Table({"start": Time(T19 + np.array(seconds), format="unix", scale="utc")})
    table["exposure"] = np.full(len(seconds), exposure)
    return table


TRACE = HeaterTrace(
    edges=T19 + np.array([0.0, 100.0, 200.0, 300.0, 400.0]),
    power=np.array([0.0, 40.0, 80.0, np.nan]),
)


def test_states_of_frames():
    table = frames(0, 70, 120, 170, 250, 500, -30)
    add_heater_columns(table, TRACE)
    assert list(table["heater_state"]) == [
        "off",
        "part",
        "on",
        "on",
        "unknown",
        "unknown",
        "unknown",
    ]
    assert list(table["state_source"]) == ["log"] * 4 + [""] * 3
    # By hand: 70..130 has 30 s of 40 %; 170..230 has 30 s of 40 and 30 s of 80 %.
    np.testing.assert_allclose(table["heater_share"][:4], [0, 0.5, 1, 1], atol=1e-6)
    np.testing.assert_allclose(table["heater_power"][:4], [0, 20, 40, 60], atol=1e-4)
    assert np.isnan(table["heater_share"][4:]).all()
    assert table["heater_power"].unit == "percent"


def test_half_a_percent_of_an_exposure_is_still_off_or_on():
    table = frames(100 - 59.8, 100 - 0.2, 100 - 59.6, 100 - 0.4)
    add_heater_columns(table, TRACE)
    # 0.2 s of 60 s is a share of 0.0033, 0.4 s of 0.0067; the limits are 0.005 and 0.995.
    assert list(table["heater_state"]) == ["off", "on", "part", "part"]


def test_clock_offset_is_added_to_the_log():
    # The log's clock is an hour ahead: its 20:00 is 19:00 on the camera, so -3600 is added.
    ahead = HeaterTrace(edges=TRACE.edges + 3600, power=TRACE.power)
    table = frames(0, 120)
    add_heater_columns(table, ahead, clock_offset=-3600.0)
    assert list(table["heater_state"]) == ["off", "on"]


def test_frames_without_a_start_are_unknown_to_a_log():
    table = frames(0, 120)
    table["start"][0] = np.ma.masked
    add_heater_columns(table, TRACE)
    assert list(table["heater_state"]) == ["unknown", "on"]
    assert list(table["state_source"]) == ["", "log"]


def test_one_power_at_any_time_holds_without_a_start_but_not_without_an_exposure():
    table = frames(0, 120, 240)
    table["start"][0] = np.ma.masked
    table["exposure"][2] = np.nan
    add_heater_columns(table, make_constant_heater(0))
    assert list(table["heater_state"]) == ["off", "off", "unknown"]
    assert list(table["state_source"]) == ["given", "given", ""]


def test_constant_heater():
    assert make_constant_heater(100).average([0.0], [60.0]) == (1.0, 100.0)
    assert make_constant_heater(0).average([0.0], [60.0]) == (0.0, 0.0)
    for power in (-1, 101, np.nan):
        with pytest.raises(HeaterLogError, match="0 to 100"):
            make_constant_heater(power)


def test_power_in_headers():
    table = frames(0, 59.5, 200, 300)
    power = [0, 30, np.nan, 120]
    trace = make_header_heater(table["start"], table["exposure"], power)
    add_heater_columns(table, trace)
    # The first frame ends half a second into the second by its rounded times.
    assert list(table["heater_state"]) == ["part", "on", "unknown", "unknown"]
    assert table["heater_power"][1] == pytest.approx(30)
    with pytest.raises(HeaterLogError, match="keyword"):
        make_header_heater(table["start"], table["exposure"], [np.nan] * 4)


def test_describe_and_draw():
    table = describe_trace(TRACE)
    assert (
        table["start"][0] == "2024-03-14T19:00:00Z" and table["stop"][3] == "2024-03-14T19:06:40Z"
    )
    assert list(table["seconds"]) == [100.0] * 4
    np.testing.assert_array_equal(table["confidence"], [1, 1, 1, np.nan])
    endless = describe_trace(make_constant_heater(30))
    assert endless["start"][0] == "" and np.isinf(endless["seconds"][0])
    figure = Figure()
    axes = figure.add_subplot()
    draw_trace(axes, TRACE)
    # One shaded stretch for the unknown one, named in a legend; the steps, filled and as a line.
    assert len(axes.patches) == 3
    assert [text.get_text() for text in axes.get_legend().get_texts()] == ["not known"]
    assert axes.get_ylabel() == "heater power (%)"
    draw_trace(figure.add_subplot(), make_constant_heater(30))


@pytest.mark.skipif(not NIGHT.exists(), reason="the night with known truth is not here")
@pytest.mark.parametrize(
    ("name", "options", "tolerance"),
    [
        ("heater_power.csv", {}, 0.02),
        ("switches.csv", {}, 0.005),
        ("supply_current.csv", {"zone": "-07:00"}, 0.1),
        ("supply_current.csv", {"zone": "America/Phoenix", "full_current": 1.3}, 0.1),
    ],
)
def test_real_night(name, options, tolerance):
    """Tolerances are those asked for: a sample's interval, the rounding of events, and for
    the supply current the samples of 5 s in an exposure of 60 s."""
    truth = json.loads((NIGHT / "truth.json").read_text())["frames"]
    start = Time([frame["start"][:-6] for frame in truth], scale="utc")
    table = Table({"start": start, "exposure": np.full(len(truth), 60.0)})
    add_heater_columns(table, read_heater_log(NIGHT / name, LogOptions(**options)))
    share, dose = (np.array([frame[key] for frame in truth]) for key in ("share", "dose"))
    np.testing.assert_allclose(table["heater_share"], share, atol=tolerance)
    np.testing.assert_allclose(table["heater_power"], dose, atol=100 * tolerance)
    wanted = np.where(share < 0.005, "off", np.where(share > 0.995, "on", "part"))
    assert list(table["heater_state"]) == list(wanted)


@pytest.mark.parametrize("kind", ["samples with a gap", "events", "constant"])
def test_the_table_of_steps_is_a_heater_log(tmp_path, kind):
    """Written as ECSV, read by astropy and as a log: the same powers, no endless step."""
    trace = {
        "samples with a gap": TRACE,
        "events": HeaterTrace(
            edges=T19 + np.array([-50400.0, 0, 90.5, 50490.5]), power=np.array([0.0, 40, 10])
        ),
        "constant": make_constant_heater(30),
    }[kind]
    path = tmp_path / "heater.ecsv"
    write_table(path, tabulate_trace(trace, T19 - 60, T19 + 3600))
    plain = Table.read(path)
    assert plain.colnames == ["start", "stop", "power"]
    assert np.isfinite(Time(list(plain["start"])).unix).all()
    assert "inf" not in path.read_text()
    again = read_heater_log(path)
    begin = T19 + np.array([-30.0, 0, 50, 80, 150, 250, 350])
    np.testing.assert_allclose(
        again.average(begin, begin + 20)[1], trace.average(begin, begin + 20)[1]
    )
