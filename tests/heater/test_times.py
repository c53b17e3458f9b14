"""Rules of time. Expected values were made with `zoneinfo` and `datetime` of the standard
library, or follow from ISO 8601, RFC 3339, PEP 495 and the tz database; none with framesort."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from astropy.time import Time

from framesort.errors import HeaterLogError, HeaterLogWarning
from framesort.heater import LogOptions, read_heater_log


@pytest.fixture
def first_event(tmp_path):
    """UTC of the first of two events whose times are written as given."""

    def read(*times, heading="time", **options):
        path = tmp_path / "log.csv"
        rows = [f"{time};{30 * (i % 2 == 0)}" for i, time in enumerate(times)]
        path.write_text(f"{heading};power\n" + "\n".join(rows) + "\n")
        trace = read_heater_log(path, LogOptions(form="switches", **options))
        return datetime.fromtimestamp(round(trace.span[0], 6), UTC).replace(tzinfo=None)

    return read


LATER = "2030-01-01T00:00:00Z"
WANTED = datetime(2024, 3, 14, 15, 9, 26)


@pytest.mark.parametrize(
    "text",
    [
        "2024-03-14T15:09:26",  # ISO 8601
        "2024-03-14 15:09:26",  # RFC 3339 sec. 5.6, note on the blank
        "2024-03-14T15:09:26Z",
        "2024-03-14T15:09:26.000Z",
        "2024-03-14T15:09:26,000Z",  # ISO 8601: comma or full stop
        "20240314T150926Z",  # basic format
        "20240314150926",
        "2024-03-14T17:09:26+02:00",  # RFC 3339 sec. 4.2: local minus offset
        "2024-03-14T17:09:26+0200",
        "2024-03-14T17:09:26+02",
        "2024-03-14T08:09:26 -07:00",
        "2024/03/14 15:09:26",
        "14.03.2024 15:09:26",
        "03/14/2024 3:09:26 PM",
        "3/14/2024 03:09:26 p.m.",
        "14 Mar 2024 15:09:26",
        "Mar 14, 2024 3:09:26 PM",
        "1710428966",  # POSIX: 60383.63155092593 MJD, (MJD - 40587) * 86400
        "1710428966000",
        "1710428966.0",
    ],
)
def test_ways_to_write_a_time(first_event, text):
    assert first_event(text) == WANTED


def test_julian_dates(first_event):
    # MJD and JD of 2024-03-14T15:09:26 UTC: 60383.63155092593 and 2460384.131550926 (astropy Time).
    # A double holds a JD to 40 microseconds.
    for heading, text in (("MJD", "60383.63155092593"), ("JD", "2460384.131550926")):
        found = first_event(text, heading=heading)
        assert abs(found - WANTED) < timedelta(milliseconds=1)


def test_twelve_hour_clock_at_midnight_and_noon(first_event):
    # 12 am is the first hour of the day, 12 pm the first after noon (NIST, times of day FAQ).
    assert first_event("03/14/2024 12:30:00 AM") == datetime(2024, 3, 14, 0, 30)
    assert first_event("03/14/2024 12:30:00 PM") == datetime(2024, 3, 14, 12, 30)


def test_end_of_day_and_leap_second(first_event):
    assert first_event("2024-03-14T24:00:00") == datetime(2024, 3, 15)  # ISO 8601:2004
    # 23:59:60 existed on this day; in seconds since 1970 it is the second that follows.
    assert first_event("2016-12-31T23:59:60Z") == datetime(2017, 1, 1)


def test_ambiguous_dates(first_event):
    with pytest.raises(HeaterLogError, match="day_first"):
        first_event("03/04/2024 19:00:00")
    assert first_event("03/04/2024 19:00:00", day_first=True) == datetime(2024, 4, 3, 19)
    assert first_event("03/04/2024 19:00:00", day_first=False) == datetime(2024, 3, 4, 19)
    # One date of the file decides for all; equal numbers need no decision.
    assert first_event("03/04/2024 19:00:00", "13/04/2024 19:00:00") == datetime(2024, 4, 3, 19)
    assert first_event("05/05/2024 19:00:00") == datetime(2024, 5, 5, 19)
    with pytest.raises(HeaterLogError, match="YYYY-MM-DD"):
        first_event("13/04/2024 19:00:00", "04/13/2024 20:00:00")


@pytest.mark.parametrize("text", ["2024-02-30 10:00:00", "2023-02-29 10:00:00", "2024-03-14 25:00"])
def test_times_that_do_not_exist_are_left_out(first_event, text):
    with pytest.warns(HeaterLogWarning, match="line 2: no time"):
        assert first_event(text, "2024-03-14 15:09:26") == WANTED


@pytest.mark.parametrize(
    ("zone", "local", "utc"),
    [
        ("Asia/Kolkata", "2024-06-01 00:00:00", datetime(2024, 5, 31, 18, 30)),
        ("America/Phoenix", "2017-12-19 18:21:43", datetime(2017, 12, 20, 1, 21, 43)),
        ("-07:00", "2017-12-19 18:21:43", datetime(2017, 12, 20, 1, 21, 43)),
        ("UTC-7", "2017-12-19 18:21:43", datetime(2017, 12, 20, 1, 21, 43)),
        ("+0530", "2024-06-01 00:00:00", datetime(2024, 5, 31, 18, 30)),
        ("Europe/Berlin", "2024-07-01 00:00:00", datetime(2024, 6, 30, 22, 0)),
    ],
)
def test_zones(first_event, zone, local, utc):
    assert first_event(local, heading="local time", zone=zone) == utc


def test_zone_of_the_field_comes_first(first_event):
    assert first_event("2024-03-14T15:09:26Z", zone="Europe/Berlin") == WANTED


@pytest.mark.parametrize("zone", ["Mars/Olympus", "../../etc/passwd", "", "\x00", "+25:00"])
def test_unknown_zone(first_event, zone):
    with pytest.raises(HeaterLogError, match="zone"):
        first_event("2024-03-14 15:09:26", zone=zone)


def local_log(tmp_path, zone, begin, minutes, *, every=1):
    """Samples whose local times are made by zoneinfo from true UTC times."""
    utc = [begin + timedelta(minutes=m) for m in range(0, minutes, every)]
    local = [t.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for t in utc]
    path = tmp_path / "local.csv"
    rows = [f"{t},{i % 3 == 0:d}" for i, t in enumerate(local)]
    path.write_text("local time,state\n" + "\n".join(rows) + "\n")
    return path, np.array([t.timestamp() for t in utc])


@pytest.mark.parametrize(
    ("zone", "begin"),
    [
        ("Europe/Berlin", datetime(2024, 10, 26, 22, tzinfo=UTC)),  # 02:30 occurs twice (PEP 495)
        ("America/New_York", datetime(2024, 11, 3, 3, tzinfo=UTC)),  # 01:30 occurs twice
        ("Australia/Lord_Howe", datetime(2024, 4, 6, 12, tzinfo=UTC)),  # half an hour twice
        ("Europe/Berlin", datetime(2024, 3, 30, 22, tzinfo=UTC)),  # 02:30 never occurs
        ("Asia/Kolkata", datetime(2024, 6, 1, 16, tzinfo=UTC)),  # no summer time
    ],
)
def test_a_night_over_the_change_of_clocks(tmp_path, zone, begin):
    path, utc = local_log(tmp_path, zone, begin, 400)
    trace = read_heater_log(path, LogOptions(zone=zone, form="samples"))
    # Every third sample is on, so switches lie midway between samples, all night long.
    change = np.flatnonzero(np.diff(np.arange(400) % 3 == 0))
    np.testing.assert_allclose(trace.edges[1:-1], (utc[change] + utc[change + 1]) / 2, atol=1e-6)
    assert trace.edges[0] == utc[0]


@pytest.mark.parametrize(("start", "hour"), [(0, 0), (20, 0), (80, 1)])
def test_log_that_begins_within_the_repeated_hour(tmp_path, start, hour):
    # 02:00 summer time is 00:00 UTC on 2024-10-27 in Berlin; the hour repeats until 02:00 UTC.
    begin = datetime(2024, 10, 27, 0, tzinfo=UTC) + timedelta(minutes=start)
    path, utc = local_log(tmp_path, "Europe/Berlin", begin, 300)
    assert (
        read_heater_log(path, LogOptions(zone="Europe/Berlin", form="samples")).edges[0] == utc[0]
    )


def test_single_events_in_the_repeated_hour_are_reported(first_event):
    with pytest.warns(HeaterLogWarning, match="occurred twice"):
        found = first_event(
            "2024-10-27 00:05:00", "2024-10-27 02:30:00", "2024-10-27 05:00", zone="Europe/Berlin"
        )
    assert found == datetime(2024, 10, 26, 22, 5)


def test_the_hour_left_out_in_spring_is_reported(first_event):
    with pytest.warns(HeaterLogWarning, match="line 3: the clock of Europe/Berlin never showed"):
        first_event("2024-03-31 01:30:00", "2024-03-31 02:30:00", zone="Europe/Berlin")


def test_seconds_since_a_start(first_event):
    for start in (WANTED, Time(WANTED), "2024-03-14T15:09:26", "2024-03-14T17:09:26+02:00"):
        found = first_event("90.5", "3600", heading="elapsed", start=start)
        assert found == WANTED + timedelta(seconds=90.5)
    with pytest.raises(HeaterLogError, match="start"):
        first_event("90.5", "3600", heading="elapsed")


def test_times_of_day_run_over_midnight(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,power\n22:00:00,30\n01:30:00,0\n")
    with pytest.raises(HeaterLogError, match="no date"):
        read_heater_log(path)
    trace = read_heater_log(path, LogOptions(start="2024-03-14T21:50:00"))
    inner = [datetime.fromtimestamp(t, UTC).replace(tzinfo=None) for t in trace.edges[1:-1]]
    assert inner == [datetime(2024, 3, 14, 22), datetime(2024, 3, 15, 1, 30)]


def test_times_without_a_zone_are_utc_and_that_is_reported(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time,power\n2024-03-14T15:09:26,30\n2024-03-14T16:00:00,0\n")
    trace = read_heater_log(path)
    assert trace.edges[1] == WANTED.replace(tzinfo=UTC).timestamp()
    assert any("read as UTC" in note for note in trace.notes)
