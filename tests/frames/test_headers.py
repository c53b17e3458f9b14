"""Header rules against the FITS Standard 4.0 and independently computed times."""

import pytest
from astropy.time import Time

from framesort.frames import header_exposure, header_start, is_calibration


def iso(header):
    return header_start(header)[0].isot


def test_date_obs_is_utc_start():
    # FITS Standard 4.0, sec. 4.4.2.2 and 9.2.1: start of the observation, UTC without TIMESYS.
    start, note = header_start({"DATE-OBS": "2024-03-14T15:09:26"})
    assert note == ""
    # Value computed with astropy Time and found in a public FITS crate's example.
    assert start.mjd == pytest.approx(60383.63155092593, abs=1e-9)


def test_date_beg_beats_date_obs():
    # FITS Standard 4.0, sec. 9.5 (section from memory).
    header = {"DATE-OBS": "2024-03-14T00:00:00", "DATE-BEG": "2024-03-14T01:00:00"}
    assert iso(header) == "2024-03-14T01:00:00.000"


def test_timesys_tai():
    # TAI - UTC was 37 s from 2017 on (IERS Bulletin C 52).
    header = {"DATE-OBS": "2024-03-14T00:00:37", "TIMESYS": "TAI"}
    assert iso(header) == "2024-03-14T00:00:00.000"


def test_average_minus_half_the_exposure():
    header = {"DATE-AVG": "2024-03-15T00:01:00", "EXPTIME": 300.0}
    assert iso(header) == "2024-03-14T23:58:30.000"


def test_mjd_obs():
    assert iso({"MJD-OBS": 51544.5}) == "2000-01-01T12:00:00.000"
    assert iso({"MJD-OBS": 57754.0}) == "2017-01-01T00:00:00.000"


def test_end_minus_exposure():
    assert iso({"DATE-END": "2024-03-15T00:03:30", "EXPTIME": 300}) == "2024-03-14T23:58:30.000"


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2024-03-14T15:09:26+02:00", "2024-03-14T13:09:26.000"),
        ("2017-12-19T18:33:43.317-0700", "2017-12-20T01:33:43.317"),
        ("2024-03-14T15:09:26Z", "2024-03-14T15:09:26.000"),
    ],
)
def test_zone_is_understood_and_reported(text, utc):
    start, note = header_start({"DATE-OBS": text})
    assert start.isot == utc
    assert "not by the standard" in note


def test_old_date_means_1900s():
    # Year-2000 agreement of 1997, sec. 3.1: DD/MM/YY means 1900 to 1999 only.
    assert iso({"DATE-OBS": "14/03/97"}) == "1997-03-14T00:00:00.000"
    # No camera took a frame in 1924: this one breaks the standard.
    start, note = header_start({"DATE-OBS": "14/03/24"})
    assert start.isot == "2024-03-14T00:00:00.000" and "not by the standard" in note


def test_date_and_time_in_two_keywords():
    assert iso({"DATE-OBS": "2024-03-14", "TIME-OBS": "15:09:26"}) == "2024-03-14T15:09:26.000"


def test_leap_second():
    # 2016-12-31T23:59:60 exists (IERS Bulletin C 52); 60 s after :30 is :29.
    start, _ = header_start({"DATE-OBS": "2016-12-31T23:59:60"})
    assert (Time("2017-01-01T00:00:00") - start).sec == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    "text", ["", "yesterday", "2024-13-45T00:00:00", "2024-03-14T25:00:00+99:99"]
)
def test_no_time_is_none(text):
    assert header_start({"DATE-OBS": text})[0] is None


def test_exposure_keywords():
    assert header_exposure({"EXPTIME": 300}) == 300
    assert header_exposure({"EXPOSURE": "60.0"}) == 60
    assert header_exposure({"XPOSURE": 20.5}) == 20.5
    dates = {"DATE-OBS": "2024-03-14T23:58:30", "DATE-END": "2024-03-15T00:03:30"}
    assert header_exposure(dates) == pytest.approx(300, abs=1e-6)


@pytest.mark.parametrize(
    ("header", "name", "wanted"),
    [
        ({"IMAGETYP": "Dark Frame"}, "x.fits", True),
        ({"IMAGETYP": "FLAT"}, "x.fits", True),
        ({"FRAME": "Bias"}, "x.fits", True),
        ({"IMAGETYP": "Light Frame"}, "dark_nebula.fits", False),
        ({"IMAGETYP": "LIGHT", "EXPTIME": 10}, "x.fits", False),
        ({"EXPTIME": 60}, "dark_0001.fits", True),
        ({"EXPTIME": 60}, "M_dark_nebula_0001.fits", False),
        ({"EXPTIME": 0}, "x.fits", True),
    ],
)
def test_calibration_frames(header, name, wanted):
    assert is_calibration(header, name) is wanted
