import numpy as np
import pytest

from framesort.errors import HeaterLogError, HeaterLogWarning
from framesort.heater import LogOptions, read_heater_log

EVENTS = "2024-03-14T19:00:00Z"
T19 = 1710442800.0  # 2024-03-14T19:00:00 UTC, `date -u -d 2024-03-14T19:00:00 +%s` of GNU coreutils
NIGHT = 14 * 3600.0  # what a switch speaks for: no day has two nights within it


@pytest.fixture
def log(tmp_path):
    def write(text, **options):
        path = tmp_path / "log.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_heater_log(path, LogOptions(**options))

    return write


def power_at(trace, seconds):
    """Independent of `average`: plain look-up of the step a moment lies in."""
    for begin, end, power in zip(trace.edges[:-1], trace.edges[1:], trace.power, strict=True):
        if begin <= seconds < end:
            return power
    return np.nan


def test_samples_switch_midway_and_end_one_cadence_after_the_last(log):
    rows = "".join(f"2024-03-14T19:00:{s:02d}Z,{0 if s < 20 else 60}\n" for s in range(0, 40, 2))
    trace = log("time_utc,heater_percent\n" + rows)
    # By the rule: samples at 18 s (0 %) and 20 s (60 %), so the switch is at 19 s; cadence 2 s.
    assert trace.edges.tolist() == [T19, T19 + 19, T19 + 40]
    assert trace.power.tolist() == [0, 60]


def test_gap_is_unknown_and_not_off(log):
    rows = "".join(f"{T19 + s:.0f},30\n" for s in [*range(0, 100, 2), *range(400, 500, 2)])
    trace = log("epoch,heater_percent\n" + rows)
    assert power_at(trace, T19 + 99) == 30
    assert np.isnan(power_at(trace, T19 + 250))
    assert power_at(trace, T19 + 401) == 30
    # Silent from one cadence after 98 s to 400 s.
    assert "1 gap of up to 300 s" in " ".join(trace.notes)
    wide = log("epoch,heater_percent\n" + rows, max_gap=400)
    assert wide.power.tolist() == [30]


def test_switch_events_hold_and_begin_with_off(log):
    trace = log("time,heater\n2024-03-14T19:00:00Z,30\n2024-03-14T20:00:00Z,0\n")
    assert trace.edges.tolist() == [T19 - NIGHT, T19, T19 + 3600, T19 + 3600 + NIGHT]
    assert trace.power.tolist() == [0, 30, 0]


def test_switch_events_that_begin_with_off_leave_the_time_before_unknown(log):
    trace = log("time,heater\n2024-03-14T19:00:00Z,off\n2024-03-14T20:00:00Z,on\n")
    assert np.isnan(power_at(trace, T19 - 1))
    assert trace.power.tolist() == [0, 100]


def test_a_switch_is_valid_for_one_night(log):
    """14 hours and no more; between events of two nights only where both say off."""
    rows = [(0, 30), (2, 0), (24, 60), (25, 100), (48, 0), (49, 50)]
    text = "time,event\n" + "".join(f"{T19 + 3600 * h:.0f},{p}\n" for h, p in rows)
    trace = log(text)
    hours = [-15, -13, 1, 15, 17, 23, 24.5, 38, 40, 47, 48.5, 62, 64]
    wanted = [np.nan, 0, 30, 0, 0, 0, 60, 100, np.nan, np.nan, 0, 50, np.nan]
    start = T19 + 3600 * np.array(hours)
    np.testing.assert_array_equal(trace.average(start, start + 60)[1], wanted)
    assert trace.span == (T19, T19 + 49 * 3600)


def test_intervals_are_valid_for_one_night(log):
    text = "from,to,power\n2024-03-14T19:00Z,2024-03-14T20:00Z,30\n"
    text += "2024-03-16T19:00Z,,40\n"
    with pytest.warns(HeaterLogWarning, match="no end"):
        trace = log(text)
    hours = np.array([-15, -13, 0.5, 10, 16, 30, 40, 48.5, 61, 63])
    wanted = [np.nan, 0, 30, 0, np.nan, np.nan, 0, 40, 40, np.nan]
    start = T19 + 3600 * hours
    np.testing.assert_array_equal(trace.average(start, start + 60)[1], wanted)


def test_times_of_a_clock_that_was_not_set(log):
    """Two rows before the logger had its time are left out; a log of such rows is refused."""
    good = "".join(f"2024-03-14T19:{m:02d}:00Z,{30 * (m > 5)}\n" for m in range(12))
    with pytest.warns(HeaterLogWarning, match="lines 2, 3: time 1970-01-01T00:00:05, of a clock"):
        trace = log("time,heater\n1970-01-01T00:00:05Z,0\n1970-01-01T00:01:05Z,0\n" + good)
    assert trace.span[0] == T19
    bad = good.replace("2024-03-14", "1970-01-01")
    with pytest.raises(HeaterLogError, match=r"log.csv: the times 1970-01-01T19:00:00 to .*start"):
        log("time,heater\n" + bad)


def test_events_in_words(log):
    trace = log(
        "when;event\n"
        "2024-03-14 19:00:00Z;heater on at 30 %\n"
        "2024-03-14 19:30:00Z;Heater set to 60%\n"
        "2024-03-14 20:00:00Z;heater OFF\n"
    )
    assert trace.power.tolist() == [0, 30, 60, 0]


def test_states_at_a_cadence(log):
    rows = "".join(
        f"2024-03-14 19:{m:02d}:00+00:00\t{'on' if m >= 5 else 'off'}\n" for m in range(10)
    )
    trace = log("time\tstate\n" + rows)
    assert trace.edges.tolist() == [T19, T19 + 270, T19 + 600]
    assert trace.power.tolist() == [0, 100]


def test_intervals(log):
    text = (
        "from,to,power %\n2024-03-14T19:00Z,2024-03-14T19:10Z,30\n"
        "2024-03-14T19:30Z,2024-03-14T19:40Z,100\n"
    )
    trace = log(text)
    assert trace.edges.tolist() == [*(T19 + np.array([-NIGHT, 0, 600, 1800, 2400, 2400 + NIGHT]))]
    assert trace.power.tolist() == [0, 30, 0, 100, 0]


def test_overlapping_intervals_are_unknown_where_they_differ(log):
    text = "from,to,power\n2024-03-14T19:00Z,2024-03-14T19:10Z,30\n"
    text += "2024-03-14T19:05Z,2024-03-14T19:15Z,50\n"
    with pytest.warns(HeaterLogWarning, match="overlap"):
        trace = log(text)
    np.testing.assert_array_equal(trace.power, [0, 30, np.nan, 50, 0])


def test_intervals_that_name_zero_do_not_fill_the_rest_with_off(log):
    text = "from,to,power\n2024-03-14T19:00Z,2024-03-14T19:10Z,30\n"
    text += "2024-03-14T19:10Z,2024-03-14T19:15Z,0\n"
    trace = log(text)
    assert trace.power.tolist() == [30, 0]
    assert np.isnan(power_at(trace, T19 - 1)) and np.isnan(power_at(trace, T19 + 901))


def test_an_interval_without_an_end_goes_on(log):
    """A heater that is still on, or whose end nobody wrote down, must not pass as off."""
    text = "from,to,power\n2024-03-14T19:00Z,,30\n2024-03-14T20:00Z,2024-03-14T20:30Z,50\n"
    with pytest.warns(HeaterLogWarning, match="lines 2, 4: no end, extended"):
        trace = log(text + "2024-03-14T21:00Z,,100\n")
    assert trace.edges.tolist() == [*(T19 + np.array([-NIGHT, 0, 3600, 5400, 7200, 7200 + NIGHT]))]
    assert trace.power.tolist() == [0, 30, 50, 0, 100]


def test_rows_that_are_there_twice_are_named(log):
    rows = [f"2024-03-14T19:00:{s:02d}Z,30" for s in range(20)]
    rows.insert(5, rows[5])
    trace = log("time_utc,heater_percent\n" + "\n".join(rows) + "\n")
    assert "line 7: same time and value as the next row." in trace.notes


def test_watts_are_scaled_by_full_power(log):
    text = "time,heater W\n2024-03-14T19:00Z,6\n2024-03-14T20:00Z,12\n2024-03-14T21:00Z,0\n"
    assert log(text, full_power=24).power.tolist() == [0, 25, 50, 0]
    trace = log(text)
    assert trace.power.tolist() == [0, 50, 100, 0]
    assert any("full_power" in note for note in trace.notes)


def test_duty_of_255_needs_an_option(log):
    text = "time,pwm\n2024-03-14T19:00Z,128\n2024-03-14T20:00Z,255\n2024-03-14T21:00Z,0\n"
    with pytest.raises(HeaterLogError, match="full_power"):
        log(text)
    assert log(text, full_power=255).power[2] == 100


def test_fractions(log):
    trace = log("time,duty\n2024-03-14T19:00Z,0.3\n2024-03-14T20:00Z,0\n2024-03-14T21:00Z,1\n")
    assert trace.power.tolist() == [0, 30, 0, 100]


def test_noise_of_a_measured_power_is_off(log):
    rng = np.random.default_rng(1)
    power = np.where(np.arange(200) < 100, 0, 40) + rng.uniform(0, 0.3, 200)
    rows = "".join(f"{T19 + i:.0f},{p:.3f}\n" for i, p in enumerate(power))
    trace = log("epoch,heater_percent\n" + rows)
    share, mean = trace.average([T19, T19 + 50], [T19 + 80, T19 + 150])
    assert share[0] == 0 and mean[0] == 0
    # Half on, switched at 99.5 s of 50..150; the mean of the noise, 0.15, is in the power.
    assert share[1] == pytest.approx(0.505, abs=1e-6)
    assert mean[1] == pytest.approx(0.505 * 40.15, abs=0.1)


def test_malformed_unsorted_and_double_rows_are_named_by_line(log):
    rows = [f"2024-03-14T19:00:{s:02d}Z,{0 if s < 20 else 60}" for s in range(0, 40, 2)]
    rows[3] = "2024-03-14T19:00:06Z,oops"
    rows[5] = "yesterday,0"
    rows[7], rows[8] = rows[8], rows[7]
    rows.insert(12, "2024-03-14T19:00:22Z,61")
    with pytest.warns(HeaterLogWarning) as caught:
        trace = log("time_utc,heater_percent\n" + "\n".join(rows) + "\nhalf a row\n")
    assert len(caught) == 1
    told = str(caught[0].message)
    # Line 1 is the heading, so row k of the list stands on line k + 2.
    assert "line 5: no number" in told
    assert "line 7: no time" in told
    assert "line 10: earlier" in told
    assert "line 13: same time" in told or "line 14: same time" in told
    assert "line 23: too few columns" in told
    assert "; ".join(trace.notes).count("left out") >= 3
    assert trace.edges[1] == T19 + 19


@pytest.mark.parametrize(
    "text",
    [
        "date,time,dew heater %\n2024-03-14,19:00:00,30\n2024-03-14,20:00:00,0\n",
        "# a comment\n# time;power\n2024-03-14 19:00:00;30,0\n2024-03-14 20:00:00;0,0\n",
        "2024-03-14 19:00:00 30\n2024-03-14 20:00:00 0\n",
        "Time|Heater|Ambient temp\n2024-03-14T19:00:00|30|4.5\n2024-03-14T20:00:00|0|4.4\n",
        '"time","power"\n"2024-03-14T19:00:00","30"\n"2024-03-14T20:00:00","0"\n',
        "cooler,power,camera power,Time (UTC)\n1,30,9,2024-03-14T19:00\n2,0,9,2024-03-14T20:00\n",
        "time,power\r\n2024-03-14T19:00:00,30 %\r\n\r\n2024-03-14T20:00:00,0 %\r\n",
        "\ufefftime,power\n2024-03-14T19:00:00,30\n2024-03-14T20:00:00,0",
        "time,power\n2024-03-14T19:00:00,30\n2024-03-14T20:00:00,0\n".encode("utf-16"),
        "logger of the roof\nmade tonight\ntime,power\n2024-03-14T19:00,30\n2024-03-14T20:00,0\n",
    ],
)
def test_columns_and_separators_are_found(log, text):
    trace = log(text)
    assert trace.edges.tolist() == [T19 - NIGHT, T19, T19 + 3600, T19 + 3600 + NIGHT]
    assert trace.power.tolist() == [0, 30, 0]


def test_columns_by_name_and_number(log):
    text = "a,b,c\n5,2024-03-14T19:00:00,30\n6,2024-03-14T20:00:00,0\n"
    assert log(text, time_column="B", value_column=3).power.tolist() == [0, 30, 0]
    with pytest.raises(HeaterLogError, match="value_column"):
        log(text)
    with pytest.raises(HeaterLogError, match="no column 'd'"):
        log(text, value_column="d")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no row"),
        ("hello\nworld\n", "no row"),
        ("time,power\nx,1\ny,2\nz,3\n", "time"),
        ("time,power\n2024-03-14T19:00Z,x\n2024-03-14T19:01Z,y\n", "value_column"),
        ("time,power\n2024-03-14T19:00Z,-30\n2024-03-14T20:00Z,0\n", "negative"),
        ("local time,power\n2024-03-14T19:00,30\n2024-03-14T20:00,0\n", "give zone"),
    ],
)
def test_bad_logs_say_what_where_and_what_to_do(log, text, message):
    with pytest.raises(HeaterLogError, match=message) as caught:
        log(text)
    assert "log.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(HeaterLogError, match="no such file"):
        read_heater_log(tmp_path / "none.csv")
    with pytest.raises(HeaterLogError, match="cannot be read"):
        read_heater_log(tmp_path)


def test_wrong_form(tmp_path):
    with pytest.raises(HeaterLogError, match="form"):
        read_heater_log(tmp_path / "none.csv", LogOptions(form="guess"))
