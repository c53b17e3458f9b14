"""Time cards of what several exposures were combined to, and the unit of its pixels."""

import re
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.time import Time
from numpy.typing import ArrayLike, NDArray

from framesort.images import header_unit

__all__ = ["sign_combined"]

_TIMES = re.compile(
    r"(DATE|TIME|MJD|JD|UT|UTC|LST|ST)-(OBS|BEG|END|AVG|LOC|STA)|"
    r"DATE|(LST?|SIDEREAL|HA|UT|UTC|JD|MJD|BJD|HJD|JD-HELIO|JD-UTC|JD_UTC|TELAPSE|TSTART|TSTOP)|"
    r"(EXPTIME|EXPOSURE|XPOSURE|EXP_TIME|NCOMBINE|TIMESYS)"
)
"""Cards that hold for one exposure only."""

_PRECISION = 3
"""Digits of the seconds: a camera's clock is not better."""


def sign_combined(
    header: Header, start: Time, exposure: ArrayLike, *, frames: int | None = None
) -> Header:
    """A header of one exposure made that of several combined.

    Parameters
    ----------
    header : `~astropy.io.fits.Header`
        Of one of the frames.
    start : (n,) `~astropy.time.Time`
        Starts of the exposures, masked where unknown.
    exposure : (n,) float array_like
        Seconds, NaN where unknown.
    frames : int or None
        Number of frames combined; None for n.

    Returns
    -------
    `~astropy.io.fits.Header`
        A copy with, by the FITS Standard 4.0 (section 9), TIMESYS, DATE-OBS and MJD-OBS (start
        of the first frame), DATE-END and MJD-END (end of the last), DATE-AVG and MJD-AVG (mean
        of the exposures' middles, weighted by their lengths), EXPTIME (sum) and NCOMBINE; BUNIT
        always. Cards that held for the one exposure are gone. What is not known of a frame is
        left out of dates, with a sentence in HISTORY; the sum of exposures is there only where
        all are known.
    """
    signed = header.copy()
    for keyword in {key for key in signed if _TIMES.fullmatch(key)}:
        signed.remove(keyword, remove_all=True)
    unit, note = header_unit(signed)
    signed["BUNIT"] = (unit, "unit of the pixels")
    seconds: NDArray[np.float64] = np.atleast_1d(np.asarray(exposure, dtype=float))
    days_since: Any = start.utc.mjd
    begin: NDArray[np.float64] = np.atleast_1d(
        np.ma.filled(np.ma.asarray(days_since, dtype=float), np.nan)
    )
    count = len(seconds) if frames is None else frames
    signed["NCOMBINE"] = (count, "frames combined")
    if len(seconds) and np.isfinite(seconds).all():
        signed["EXPTIME"] = (round(float(seconds.sum()), 6), "[s] total exposure of the frames")
    known = np.isfinite(seconds) & np.isfinite(begin)
    if known.any():
        first, days = begin[known].min(), seconds[known] / 86400
        last = (begin[known] + days).max()
        weight = days if days.sum() > 0 else np.ones_like(days)
        # Less the first: products of large numbers would cost the thousandths.
        middle = first + np.average(begin[known] - first + days / 2, weights=weight)
        signed["TIMESYS"] = ("UTC", "time scale of the dates")
        for name, mjd, text in (
            ("OBS", first, "start of the first frame"),
            ("END", last, "end of the last frame"),
            ("AVG", middle, "mean of the frames' middles, by exposure"),
        ):
            moment = Time(mjd, format="mjd", scale="utc", precision=_PRECISION)
            rounded = Time(moment.isot, format="isot", scale="utc")
            signed[f"DATE-{name}"] = (moment.isot, text)
            signed[f"MJD-{name}"] = (float(rounded.mjd), f"[d] DATE-{name} as a number")
    if known.sum() < len(known):
        signed["HISTORY"] = f"times of {int(known.sum())} of {len(known)} frames are known"
    if note:
        signed["HISTORY"] = note
    return signed
