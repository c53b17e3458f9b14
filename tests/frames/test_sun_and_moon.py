"""Sun, Moon and target in the sky, against published values and Meeus' formulae."""

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import FK5, SkyCoord
from astropy.io import fits
from astropy.io.fits import Header
from astropy.time import Time

from framesort.frames import read_frames
from framesort.frames._sky import SKY_COLUMNS, Site, header_site, sky_positions


def altitude(time, site, ra, dec):
    """Altitude of an apparent place: Meeus 1998, Astronomical Algorithms, eq. 12.4 and 13.6."""
    t = (time.ut1.jd - 2451545.0) / 36525
    sidereal = 280.46061837 + 360.98564736629 * (time.ut1.jd - 2451545.0) + 0.000387933 * t * t
    hour = np.radians(sidereal + site.longitude - ra)
    lat, dec = np.radians([site.latitude, dec])
    return np.degrees(
        np.arcsin(np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour))
    )


def test_target_altitude_of_a_published_example():
    # Meeus 1998, example 13.b: Venus from the US Naval Observatory, 1987 April 10, 19:21 UT, at
    # apparent place 23h 09m 16.641s, -6 deg 43' 11.61"; altitude 15.1249 degrees. Aberration and
    # nutation (30 arc seconds) are not taken off the place here.
    time = Time(["1987-04-10T19:21:00"], scale="utc")
    apparent = SkyCoord(
        "23h09m16.641s -6d43m11.61s", frame=FK5(equinox=Time(1987.27, format="jyear"))
    )
    place = apparent.icrs
    site = Site(38 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600))
    found = sky_positions(time.unix, [site], [(place.ra.deg, place.dec.deg)])
    # The Sun is up in this example, so either sense of longitude is as good.
    assert found["target_altitude"][0] == pytest.approx(15.1249, abs=0.02)


def test_sun_altitude_of_a_published_place():
    # Meeus 1998, example 25.a: apparent place of the Sun, 1992 October 13, 0h TD (59 s ahead of
    # UTC), to 0.01 degrees.
    time = Time("1992-10-12T23:59:01", scale="utc")
    site = Site(48.0, 11.0, 500.0)
    found = sky_positions(time.reshape(1).unix, [site], [(np.nan, np.nan)])
    expected = altitude(time, site, 198.38083, -7.78507)
    assert found["sun_altitude"][0] == pytest.approx(expected, abs=0.015)
    assert np.isnan(found["target_altitude"][0]) and np.isnan(found["moon_separation"][0])


def test_moon_altitude_and_separation_of_a_published_place():
    # Meeus 1998, example 47.a: the Moon 1992 April 12, 0h TD: apparent place and parallax.
    time = Time("1992-04-11T23:59:01", scale="utc")
    site = Site(40.0, -30.0)
    geocentric = altitude(time, site, 134.688470, 13.768368)
    parallax = np.degrees(np.arcsin(np.sin(np.radians(0.991990)) * np.cos(np.radians(geocentric))))
    found = sky_positions(time.reshape(1).unix, [site], [(134.688470, 13.768368)])
    # The Earth's flattening moves the Moon by up to 0.01 degrees, parallax lowers it by almost
    # the 0.99 that are allowed for above (its own altitude is used in the exact formula).
    assert found["moon_altitude"][0] == pytest.approx(geocentric - parallax, abs=0.03)
    # Precession from 1992 to 2000 moves the place of the target by 0.11 degrees.
    assert found["moon_separation"][0] == pytest.approx(parallax, abs=0.15)


def test_a_header_that_counts_longitude_to_the_west():
    # Cards of a public frame of the MicroObservatory (Whipple Observatory, Arizona): longitude
    # 110.88 to the west without a sign, altitude of the telescope TELALT 62.592 in the header.
    header = Header({"LATITUDE": 31.68, "LONGITUD": 110.88})
    time = Time(["2017-12-20T01:33:43.317"], scale="utc")
    site = header_site(header)
    assert site == Site(31.68, 110.88)
    found = sky_positions(time.unix, [site], [(31.312099, 46.769087)])
    # The field is 0.9 degrees wide, and the card may hold for another moment of the exposure
    # (0.16 degrees a minute).
    assert found["target_altitude"][0] == pytest.approx(62.592, abs=0.3)
    assert -18 < found["sun_altitude"][0] < -12  # the first frame of the evening


@pytest.mark.parametrize(
    ("cards", "latitude", "longitude", "height"),
    [
        ({"OBSGEO-B": 31.68, "OBSGEO-L": -110.88, "OBSGEO-H": 1268.0}, 31.68, -110.88, 1268.0),
        ({"SITELAT": "+31 40 48", "SITELONG": "-110 52 48"}, 31.68, -110.88, 0.0),
        ({"SITELAT": "31 40 48 N", "SITELONG": "110 52 48 W"}, 31.68, -110.88, 0.0),
        ({"LAT-OBS": -24.6, "LONG-OBS": 289.6, "ALT-OBS": 2635}, -24.6, -70.4, 2635.0),
        ({"LATITUDE": 31.68, "LONGITUD": (110.88, "[deg] West")}, 31.68, -110.88, 0.0),
        ({"LATITUDE": 31.68, "LONGITUD": -110.88, "ALTITUDE": 40000}, 31.68, -110.88, 0.0),
    ],
)
def test_sites_in_headers(cards, latitude, longitude, height):
    header = Header()
    for keyword, card in cards.items():
        header[keyword] = card
    site = header_site(header)
    assert (site.latitude, site.longitude) == pytest.approx((latitude, longitude))
    assert site.height == height


def test_geocentric_coordinates():
    # WGS 84: on the equator at longitude 0, and at the north pole.
    site = header_site({"OBSGEO-X": 6378137.0, "OBSGEO-Y": 0.0, "OBSGEO-Z": 0.0})
    assert (site.latitude, site.longitude, site.height) == pytest.approx((0, 0, 0), abs=1e-6)
    site = header_site({"OBSGEO-X": 0.0, "OBSGEO-Y": 0.0, "OBSGEO-Z": 6356752.3142})
    assert site.latitude == pytest.approx(90) and abs(site.height) < 1e-3


@pytest.mark.parametrize(
    "cards", [{}, {"SITELAT": 31.68}, {"SITELAT": "north", "SITELONG": "x"}, {"LATITUDE": 131.0,
    "LONGITUD": 2.0}, {"OBSGEO-X": 0.0, "OBSGEO-Y": 0.0, "OBSGEO-Z": 0.0}],
)  # fmt: skip
def test_no_site(cards):
    assert header_site(cards) is None


def test_the_table_has_them(tmp_path):
    site = {"SITELAT": 48.0, "SITELONG": 11.0}
    for name, cards in {
        "a": {"DATE-OBS": "2026-03-14T22:00:00", "RA": 120.0, "DEC": 40.0} | site,
        "b": {"DATE-OBS": "2026-03-14T23:00:00"} | site,
        "c": {"DATE-OBS": "2026-03-15T00:00:00", "RA": 120.0, "DEC": 40.0},
        "d": {"RA": 120.0, "DEC": 40.0} | site,
    }.items():
        fits.writeto(
            tmp_path / f"{name}.fits", np.zeros((20, 30), "f4"), Header(cards | {"EXPTIME": 60.0})
        )
    table = read_frames(sorted(tmp_path.iterdir()))
    assert np.isfinite(table["sun_altitude"]).tolist() == [True, True, False, False]
    assert np.isfinite(table["target_altitude"]).tolist() == [True, False, False, False]
    for name in SKY_COLUMNS:
        assert table[name].unit == u.deg
    # New Moon was 2026 March 19: four days before, it is far from a target at night.
    assert table["moon_altitude"][0] < 0 and table["sun_altitude"][0] < -30


def test_years_beyond_the_tables_of_the_earths_rotation():
    # 1973, 2026 November (predicted at best), 2050, 2096: warnings are errors in tests.
    unix = np.array([1e8, 1.795e9, 2.52e9, 4e9, np.nan])
    found = sky_positions(unix, [Site(48.0, 11.0)] * 5, [(10.0, 20.0)] * 5)
    for name in SKY_COLUMNS:
        assert np.isfinite(found[name]).tolist() == [True] * 4 + [False]
