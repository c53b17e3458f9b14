"""Altitude of the Sun, the Moon and the target during each exposure."""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy import units as u
from astropy.coordinates import AltAz, Angle, EarthLocation, SkyCoord, get_body, get_sun
from astropy.time import Time
from astropy.utils import iers
from astropy.utils.exceptions import AstropyWarning
from erfa import ErfaWarning
from numpy.typing import NDArray

from framesort.frames._headers import header_number

__all__ = ["SKY_COLUMNS", "Site", "header_site", "sky_positions"]

SKY_COLUMNS = ("sun_altitude", "moon_altitude", "moon_separation", "target_altitude")

_GEODETIC = (
    ("OBSGEO-B", "OBSGEO-L", "OBSGEO-H"),
    ("SITELAT", "SITELONG", "SITEELEV"),
    ("SITE-LAT", "SITE-LON", "SITE-ELV"),
    ("LAT-OBS", "LONG-OBS", "ALT-OBS"),
    ("OBS-LAT", "OBS-LONG", "OBS-ELEV"),
    ("GEOLAT", "GEOLON", "GEOELEV"),
    ("LATITUDE", "LONGITUD", "ALTITUDE"),
)
"""Latitude, longitude and height: the first of the FITS Standard, the others common practice."""

_HIGHEST = 9000.0
"""Metres; a larger height in a header is the altitude of something else."""


@dataclass(frozen=True)
class Site:
    """A place on Earth: degrees, longitude positive to the east, and metres above sea level."""

    latitude: float
    longitude: float
    height: float = 0.0


def header_site(header: Mapping[str, Any]) -> Site | None:
    """Site of the observation: OBSGEO-X, -Y, -Z, else latitude and longitude, else None.

    Longitudes count to the east unless value or comment name the west.
    """
    x, y, z = (header_number(header, f"OBSGEO-{axis}") for axis in "XYZ")
    if np.isfinite(x + y + z) and 6.3e6 < np.sqrt(x * x + y * y + z * z) < 6.4e6:
        place = EarthLocation.from_geocentric(x, y, z, unit=u.m)
        return Site(float(place.lat.deg), float(place.lon.deg), float(place.height.to_value(u.m)))
    for names in _GEODETIC:
        latitude, longitude = (_degrees(header, name) for name in names[:2])
        if abs(latitude) <= 90 and -180 <= longitude <= 360:
            height = header_number(header, names[2])
            return Site(
                latitude,
                (longitude + 180) % 360 - 180,
                float(height) if -500 < height < _HIGHEST else 0.0,
            )
    return None


def _degrees(header: Mapping[str, Any], keyword: str) -> float:
    """A number of degrees, or a text such as "31 40 48 N"; south and west are negative."""
    text = str(header.get(keyword, "")).strip()
    comments = getattr(header, "comments", None)
    comment = str(comments[keyword]).lower() if comments is not None and keyword in header else ""
    side = text[-1:].upper()
    turned = side in ("S", "W")
    if side and side in "NSEW":
        text = text[:-1].strip()
    elif "west" in comment and "east" not in comment:
        turned = True
    try:
        value = float(Angle(text, unit=u.deg).deg)
    except Exception:  # the parser raises several kinds
        return np.nan
    return -value if turned else value


def sky_positions(
    middle: NDArray[np.float64], sites: Sequence[Site | None], places: Sequence[tuple[float, float]]
) -> dict[str, NDArray[np.float64]]:
    """Altitudes of Sun, Moon and target, and distance of the Moon from the target.

    Parameters
    ----------
    middle : (n,) float ndarray
        Middle of each exposure, seconds since 1970 UTC; NaN where unknown.
    sites : sequence of Site or None
        Where each frame was taken.
    places : sequence of (float, float)
        ra, dec of each frame (ICRS), degrees; NaN where unknown.

    Returns
    -------
    dict of str to (n,) float ndarray
        `SKY_COLUMNS`, degrees, without refraction; NaN where site, time or place is unknown.

    Notes
    -----
    Some headers count longitudes to the west. Where the target is below the horizon or the Sun
    above it, and neither with the longitude reversed, the reversed one is used.
    """
    result = {name: np.full(len(sites), np.nan) for name in SKY_COLUMNS}
    known, aimed = np.isfinite(middle), np.asarray(places, dtype=float)
    for site in {site for site in sites if site is not None}:
        rows = np.array([k for k, own in enumerate(sites) if own == site and known[k]], dtype=int)
        if not rows.size:
            continue
        found = _positions(middle[rows], site, aimed[rows])
        if _impossible(found):
            west = replace(site, longitude=-site.longitude)
            other = _positions(middle[rows], west, aimed[rows])
            found = found if _impossible(other) else other
        for name in SKY_COLUMNS:
            result[name][rows] = found[name]
    return result


def _impossible(found: dict[str, NDArray[np.float64]]) -> bool:
    """Whether most frames show a target below the horizon or were taken by day."""
    wrong = (found["target_altitude"] < 0) | (found["sun_altitude"] > 0)
    return bool(np.mean(wrong) > 0.5)


def _positions(
    unix: NDArray[np.float64], site: Site, places: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    location = EarthLocation.from_geodetic(site.longitude, site.latitude, site.height)
    # Offline: the tables of the Earth's rotation that astropy brings are enough for arc minutes.
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        iers.conf.set_temp("iers_degraded_accuracy", "ignore"),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", AstropyWarning)
        warnings.simplefilter("ignore", ErfaWarning)
        time = Time(unix, format="unix", scale="utc")
        frame = AltAz(obstime=time, location=location)
        sun = get_sun(time).transform_to(frame)
        moon = get_body("moon", time, location).transform_to(frame)
        aimed: NDArray[np.bool_] = np.asarray(np.isfinite(places).all(axis=1))
        ra, dec = np.where(aimed[:, None], places, 0.0).T
        target = SkyCoord(ra, dec, unit=u.deg).transform_to(frame)
        apart = moon.separation(target).deg
    return {
        "sun_altitude": np.asarray(sun.alt.deg, dtype=float),
        "moon_altitude": np.asarray(moon.alt.deg, dtype=float),
        "moon_separation": np.where(aimed, apart, np.nan),
        "target_altitude": np.where(aimed, target.alt.deg, np.nan),
    }
