"""Times of what several exposures were combined to, by the FITS Standard 4.0."""

import numpy as np
import pytest
from astropy.io.fits import Header
from astropy.time import Time

from framesort.frames import header_start, sign_combined

ONE = {
    "DATE-OBS": "2017-12-19T18:33:43.317-0700",
    "DATE-END": "2017-12-19T18:34:45.277-0700",
    "UT-OBS": "2017-12-20T01:33:43.317",
    "TIME-OBS": "01:33:43",
    "MJD-OBS": 58107.065,
    "EXPOSURE": 60.0,
    "DATE": "2017-12-21",
    "TELESCOP": "a telescope",
    "BUNIT": "ADU",
}


def test_start_end_middle_and_total():
    start = Time(["2024-10-14T23:59:00", "2024-10-14T22:00:00", "2024-10-15T01:00:00"])
    signed = sign_combined(Header(ONE), start, [60.0, 120.0, 300.0])
    assert signed["TIMESYS"] == "UTC"
    assert signed["NCOMBINE"] == 3
    assert signed["EXPTIME"] == 480.0
    assert signed["DATE-OBS"] == "2024-10-14T22:00:00.000"
    assert signed["DATE-END"] == "2024-10-15T01:05:00.000"
    # Minutes after 22:00: middles 119.5, 1, 182.5 with weights 1, 2, 5.
    middle = Time("2024-10-14T22:00:00").mjd + (119.5 + 2 * 1 + 5 * 182.5) / 8 * 60 / 86400
    assert abs(Time(signed["DATE-AVG"]).mjd - middle) * 86400 < 1e-3
    for name in ("OBS", "END", "AVG"):
        assert abs(Time(signed[f"DATE-{name}"]).mjd - signed[f"MJD-{name}"]) * 86400 < 1e-4
    assert signed["TELESCOP"] == "a telescope"
    assert signed["BUNIT"] == "adu"
    left = {"UT-OBS", "TIME-OBS", "EXPOSURE", "DATE"} & set(signed)
    assert not left, "cards of one exposure stay"
    assert header_start(signed)[0].isot == "2024-10-14T22:00:00.000"


def test_what_is_not_known_is_not_claimed():
    start = Time(["2024-10-14T22:00:00", "2024-10-14T23:00:00"])
    start[1] = np.ma.masked
    signed = sign_combined(Header(ONE), start, [60.0, 60.0])
    assert signed["DATE-END"] == "2024-10-14T22:01:00.000"
    assert "1 of 2 frames" in str(signed["HISTORY"])
    signed = sign_combined(Header(ONE), start[:1], [np.nan])
    assert not {"EXPTIME", "DATE-OBS", "DATE-END", "DATE-AVG", "MJD-OBS"} & set(signed)


@pytest.mark.parametrize(
    ("told", "unit"),
    [("", "adu"), ("ADU", "adu"), ("electrons", "electron"), ("furlong per", "adu")],
)
def test_the_unit_is_one_that_can_be_read(told, unit):
    header = Header({"BUNIT": told} if told else {})
    signed = sign_combined(header, Time(["2024-10-14T22:00:00"]), [1.0])
    assert signed["BUNIT"] == unit
    assert ("no unit" in str(signed.get("HISTORY", ""))) == (told == "furlong per")
