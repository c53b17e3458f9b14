"""Temperature and humidity of the air in headers; the camera's own are never taken for them."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.io.fits import Header

from framesort.frames import header_weather, read_frames


def header(**cards):
    made = Header()
    for keyword, card in cards.items():
        made[keyword.replace("__", "-")] = card
    return made


@pytest.mark.parametrize(
    ("cards", "temperature", "humidity"),
    [
        ({"AMBTEMP": 8.5, "HUMIDITY": 74.0}, 8.5, 74.0),
        ({"AMB_TEMP": "8.5", "AMB_HUM": 0.74}, 8.5, 74.0),
        ({"AOCAMBT": (8.5, "[C] ambient temperature"), "AOCHUM": 74}, 8.5, 74),
        ({"TELTEMP": (287.0, "Ambient Telescope Temperature in Kelvin"),
          "TELHUM": (5, "Relative Humidity as a Percentage")}, 13.85, 5),
        ({"AMBTEMP": (50.0, "[F] air")}, 10.0, np.nan),
        ({"TEMPERAT": (11.0, "air temperature")}, 11.0, np.nan),
        # The camera's, the focuser's, and what says that there is none.
        ({"CCD__TEMP": -10.0, "SET__TEMP": -10.0}, np.nan, np.nan),
        ({"TEMPERAT": -10.0}, np.nan, np.nan),
        ({"TEMPERAT": (-10.0, "CCD temperature in air")}, np.nan, np.nan),
        ({"AMBTEMP": (-10.0, "ambient of the sensor")}, np.nan, np.nan),
        ({"FOCTEMP": 9.0}, np.nan, np.nan),
        ({"HUMIDITY": (12.0, "in the camera's chamber")}, np.nan, np.nan),
        ({"TELTEMP": (-1.0, "Ambient, in Kelvin, =-1 if no data"), "TELHUM": -1}, np.nan, np.nan),
        ({"AMBTEMP": -999.0, "HUMIDITY": 0.0, "RELHUM": 81.0}, np.nan, 81.0),
    ],
)  # fmt: skip
def test_what_a_header_gives_of_the_air(cards, temperature, humidity):
    found = header_weather(header(**cards))
    np.testing.assert_allclose(found, (temperature, humidity), atol=1e-9)


def test_the_table_has_them(tmp_path):
    cards = header(EXPTIME=60.0, DATE__OBS="2024-10-14T22:00:00", AMBTEMP=8.5, HUMIDITY=74.0)
    cards["CCD-TEMP"] = -10.0
    fits.writeto(tmp_path / "a.fits", np.zeros((20, 30), "f4"), cards)
    # Cards in the primary header, the image in an extension.
    hdus = [fits.PrimaryHDU(header=cards), fits.ImageHDU(np.zeros((20, 30), "f4"))]
    fits.HDUList(hdus).writeto(tmp_path / "b.fits")
    table = read_frames([tmp_path / "a.fits", tmp_path / "b.fits"])
    assert list(table["air_temperature"]) == [8.5, 8.5]
    assert list(table["humidity"]) == [74.0, 74.0]
    assert str(table["air_temperature"].unit) == "deg_C"
