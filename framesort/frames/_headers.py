"""Header cards: start and length of the exposure, camera, kind of frame.

Times follow the FITS Standard 4.0 (Pence et al. 2010, A&A 524, A42; time keywords: Rots et
al. 2015, A&A 574, A36): DATE-BEG, DATE-OBS and the MJD forms in the scale of TIMESYS, UTC
where it is absent, DATE-OBS being the start of the exposure. Headers that break the standard
in a known way (a zone at the end of the date) are understood, with a note.
"""

import re
import warnings
from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any

import numpy as np
from astropy.time import Time, TimeDelta
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales
from erfa import ErfaWarning

from framesort.frames._dates import date_order, plausible, read_date

__all__ = [
    "LONGEST_EXPOSURE",
    "header_date_order",
    "header_exposure",
    "header_number",
    "header_start",
    "is_calibration",
    "local_start",
    "pixel_scale",
]

LONGEST_EXPOSURE = 86400.0
"""Seconds; a larger value in a header is wrong."""

_SCALES = {"utc", "tai", "tt", "tdb", "tcb", "tcg", "ut1"}
_SCALE_ALIASES = {"et": "tt", "tdt": "tt", "iat": "tai", "gmt": "utc", "ut": "utc", "z": "utc"}
_KIND = re.compile(r"(?i)\b(dark|flat|bias|zero|offset|dome|skyflat|darkflat)", re.ASCII)
_NAME_KIND = re.compile(r"(?i)^(master)?[_\- ]?(dark|flat|bias|darkflat)s?([_\- .\d]|$)")


def header_number(header: Mapping[str, Any], *keywords: str) -> float:
    """The first of the keywords that holds a finite number, else NaN. Texts are parsed."""
    for keyword in keywords:
        try:
            value = float(header[keyword])
        except (KeyError, TypeError, ValueError):
            continue
        if np.isfinite(value):
            return value
    return np.nan


def header_exposure(header: Mapping[str, Any]) -> float:
    """Exposure time in seconds: EXPTIME, EXPOSURE, XPOSURE, else DATE-END less the start.

    NaN where the header has none.
    """
    seconds = header_number(header, "EXPTIME", "EXPOSURE", "XPOSURE")
    if np.isnan(seconds) and "DATE-END" in header:
        begin = _first_date(header, ("DATE-BEG", "DATE-OBS"))[0]
        end = _first_date(header, ("DATE-END",))[0]
        if begin is not None and end is not None:
            seconds = float((end - begin).sec)
    return seconds


def header_start(
    header: Mapping[str, Any], *, day_first: bool | None = None
) -> tuple[Time | None, str]:
    """Start of the exposure.

    DATE-BEG, DATE-OBS, MJD-BEG and MJD-OBS are taken as the start, in this order; from
    DATE-AVG or MJD-AVG half the exposure is subtracted, from DATE-END all of it.

    Parameters
    ----------
    header : mapping
        Keywords and values.
    day_first : bool or None
        Order of day and month in dates as 02/11/2026; None where it is not known.

    Returns
    -------
    start : `~astropy.time.Time` or None
        In UTC; None where the header has no plausible time.
    note : str
        "" or what breaks the standard and how it is understood, a sentence; without a
        time, why the header's was not used.
    """
    start, note = _first_date(header, ("DATE-BEG", "DATE-OBS"), day_first)
    if start is not None:
        return start, note
    start = _first_mjd(header, ("MJD-BEG", "MJD-OBS"))
    if start is not None:
        return start, ""
    exposure = header_number(header, "EXPTIME", "EXPOSURE", "XPOSURE")
    if 0 <= exposure <= LONGEST_EXPOSURE:  # false for NaN
        for date, mjd, part in (("DATE-AVG", "MJD-AVG", 0.5), ("DATE-END", "MJD-END", 1.0)):
            later, remark = _first_date(header, (date,), day_first)
            later = _first_mjd(header, (mjd,)) if later is None else later
            if later is not None:
                return later - TimeDelta(part * exposure, format="sec"), remark
            note = note or remark
    return None, note


def local_start(header: Mapping[str, Any], zone: tzinfo | None) -> tuple[Time | None, str]:
    """Start of the exposure by a camera's clock (DATE-LOC) in a time zone.

    Returns
    -------
    start : `~astropy.time.Time` or None
        In UTC; of an hour that a zone has twice, the first.
    note : str
        "" or why there is none.
    """
    try:
        moment = datetime.fromisoformat(str(header.get("DATE-LOC", "")).strip())
    except ValueError:
        return None, ""
    if zone is None:
        return None, "DATE-LOC: the camera's clock without its zone; --camera-zone names it"
    start = Time(moment.replace(tzinfo=zone).astimezone(UTC).replace(tzinfo=None), scale="utc")
    return (start, "") if plausible(start) else (None, "")


def header_date_order(header: Mapping[str, Any]) -> bool | None:
    """Whether the header's date in a form as 13/02/2026 has its day first; None if open."""
    for keyword in ("DATE-BEG", "DATE-OBS", "DATE-AVG", "DATE-END"):
        order = date_order(str(header.get(keyword, "")).strip())
        if order is not None:
            return order
    return None


def _time_scale(header: Mapping[str, Any]) -> str:
    text = str(header.get("TIMESYS", "UTC")).strip().lower()
    text = re.sub(r"\(.*\)$", "", text)  # realisations such as TT(TAI)
    text = _SCALE_ALIASES.get(text, text)
    return text if text in _SCALES else "utc"


def _first_mjd(header: Mapping[str, Any], keywords: tuple[str, ...]) -> Time | None:
    mjd = header_number(header, *keywords)
    if not 0 < mjd < 200_000:  # also false for NaN; 1858 to 2406
        return None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ErfaWarning)  # years before UTC and far ahead
        time = Time(mjd, format="mjd", scale=_time_scale(header)).utc
    return time if plausible(time) else None


def _first_date(
    header: Mapping[str, Any], keywords: tuple[str, ...], day_first: bool | None = None
) -> tuple[Time | None, str]:
    """The first plausible date; else None and what is wrong with the first that is not."""
    trouble = ""
    for keyword in keywords:
        text = str(header.get(keyword, "")).strip()
        if "T" not in text and " " not in text:
            # The older convention: the date in one keyword, the time of day in another.
            clock = str(header.get(keyword.replace("DATE", "TIME"), "")).strip()
            text = f"{text}T{clock}" if text and ":" in clock else text
        if text:
            time, note = read_date(text, _time_scale(header), day_first=day_first)
            note = f"{keyword}: {note}" if note else ""
            if time is not None:
                return time, note
            trouble = trouble or note
    return None, trouble


def is_calibration(header: Mapping[str, Any], name: str = "") -> bool:
    """Whether the file is a dark, flat or bias.

    By IMAGETYP, FRAME or OBSTYPE; where none of these is there, by the beginning of
    the file's name.
    """
    kinds = [str(header[k]) for k in ("IMAGETYP", "FRAME", "OBSTYPE") if k in header]
    if any(kind.strip() for kind in kinds):
        return any(_KIND.search(kind.replace("_", " ")) for kind in kinds)
    return bool(_NAME_KIND.match(name)) or header_number(header, "EXPTIME", "EXPOSURE") == 0


def pixel_scale(header: Mapping[str, Any]) -> float:
    """Image scale in arcsec per pixel, from the WCS, PIXSCALE, SECPIX or the optics; else NaN."""
    scale = header_number(header, "PIXSCALE", "SECPIX", "SCALE")
    if np.isfinite(scale):
        return scale
    if "CTYPE1" in header and "CRVAL1" in header:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                return float(proj_plane_pixel_scales(WCS(header, naxis=2))[0] * 3600)
        except Exception:  # a damaged WCS is the same as none here
            return np.nan
    size, focal = header_number(header, "XPIXSZ", "PIXSIZE1"), header_number(header, "FOCALLEN")
    # micrometres over millimetres, 206265 arcsec in a radian
    return 206.264806 * size / focal if focal > 0 else np.nan
