"""Which frames belong to one night."""

import warnings

import numpy as np
from astropy.time import Time
from erfa import ErfaWarning
from numpy.typing import NDArray

from framesort.records import unix_seconds

__all__ = ["name_nights"]

GAP = 6 * 3600.0
"""Seconds without a frame after which a new night begins: no night's darkness has a pause so
long, and no day between two nights is so short where frames are taken at both ends of it."""


def name_nights(start: Time, exposure: NDArray[np.floating] | None = None) -> list[str]:
    """Name the night of each frame.

    Parameters
    ----------
    start : (n,) `~astropy.time.Time`
        Start of each exposure; masked where unknown.
    exposure : (n,) float array_like or None
        Seconds; an unknown one counts as 0.

    Returns
    -------
    list of str
        The date (UTC) twelve hours before the night's first frame, such as "2026-02-11", so
        that the hours after midnight belong to the evening before; a letter is added where two
        nights would have one name. "" for a frame without a start.
    """
    unix = unix_seconds(start)
    length = np.zeros(len(unix)) if exposure is None else np.nan_to_num(exposure)
    names = np.full(len(unix), "", dtype=object)
    rows = np.flatnonzero(np.isfinite(unix))
    rows = rows[np.argsort(unix[rows], kind="stable")]
    if not rows.size:
        return [str(name) for name in names]
    latest = np.maximum.accumulate(unix[rows] + length[rows])
    begins = np.r_[True, unix[rows][1:] - latest[:-1] > GAP]
    taken: dict[str, int] = {}
    for night in np.split(rows, np.flatnonzero(begins)[1:]):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ErfaWarning)  # a clock that is decades out
            date = Time(unix[night[0]] - 43200.0, format="unix", scale="utc").isot[:10]
        taken[date] = taken.get(date, 0) + 1
        names[night] = date if taken[date] == 1 else f"{date}{chr(96 + taken[date])}"
    return [str(name) for name in names]
