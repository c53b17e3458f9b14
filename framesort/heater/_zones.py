"""Local time to UTC with repeated and missing hours."""

from datetime import datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

__all__ = ["to_utc"]

_STRAIGHT_ON = 1200.0
"""Rows closer than this, in seconds, are neighbours in time: well below the repeated hour."""

_BUCKET = 900
"""Zones change at whole quarters of an hour of local time (tz database since 1970)."""


def _offsets(
    local: NDArray[np.float64], zone: tzinfo
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offset from UTC of each local time for fold 0 and fold 1 (PEP 495)."""
    bucket, which = np.unique(np.floor(local / _BUCKET), return_inverse=True)
    both = np.empty((len(bucket), 2))
    epoch = datetime(1970, 1, 1)
    for i, number in enumerate(bucket):
        wall = epoch + timedelta(seconds=float(number) * _BUCKET)
        for fold in (0, 1):
            offset = wall.replace(tzinfo=zone, fold=fold).utcoffset()
            both[i, fold] = 0.0 if offset is None else offset.total_seconds()
    return both[which, 0], both[which, 1]


def _choose_fold(
    local: NDArray[np.float64], repeated: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which rows of the repeated hour belong to its second pass, and which could be either.

    Rows are in the order of the file. Within a run of repeated times the clock stepping
    back marks the second pass. Without such a step a run that goes straight on into the
    time after the hour is the second pass, one that goes straight on from the time
    before it the first.
    """
    second, unsure = np.zeros(len(local), dtype=bool), np.zeros(len(local), dtype=bool)
    edges = np.flatnonzero(np.diff(np.r_[False, repeated, False].astype(int)))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        back = np.flatnonzero(np.diff(local[begin:end]) < 0)
        if back.size:
            second[begin + back[-1] + 1 : end] = True
            continue
        before = abs(local[begin] - local[begin - 1]) if begin else np.inf
        after = abs(local[end] - local[end - 1]) if end < len(local) else np.inf
        second[begin:end] = after < before
        unsure[begin:end] = min(before, after) > _STRAIGHT_ON
    return second, unsure


def to_utc(
    local: NDArray[np.float64], zone: tzinfo
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Local wall-clock seconds to UTC seconds.

    Parameters
    ----------
    local : (n,) float ndarray
        Seconds since 1970-01-01T00:00:00 of the wall clock, finite, in the order of the file.
    zone : tzinfo

    Returns
    -------
    utc : (n,) float ndarray
        NaN where the wall clock never showed that time (the hour left out in spring).
    missing : (n,) bool ndarray
        Those rows.
    unsure : (n,) bool ndarray
        Rows of the repeated hour whose pass does not follow from the neighbouring rows.
    """
    early, late = _offsets(local, zone)
    # PEP 495: fold 0 is the first pass, its offset is the larger one; in the gap it is reversed.
    second, unsure = _choose_fold(local, early > late)
    utc = local - np.where(second, late, early)
    missing = early < late
    utc[missing] = np.nan
    return utc, missing, unsure
