"""The table of frames as arrays: times, widths, the raw spike as a vector."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import column_values, unix_seconds

__all__ = [
    "Series",
    "group_constants",
    "group_names",
    "list_channels",
    "make_series",
    "pool_frames",
    "take_rows",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Series:
    """Measurements of all frames as arrays.

    Attributes
    ----------
    start, exposure : (n,) float ndarray
        Seconds since 1970, seconds; NaN where unknown.
    log_fwhm : (n,) float ndarray
        Natural logarithm of the FWHM, since seeing, focus and heater act as factors.
    spike : (n, 2) float ndarray
        Raw spike as a vector, ``strength * (cos 2a, sin 2a)``: spikes of any angle
        add as such vectors, and 0 and 180 degrees are the same.
    group : (n,) int ndarray
        Number of the frame's filter and exposure.
    """

    start: Floats
    exposure: Floats
    log_fwhm: Floats
    spike: Floats
    group: NDArray[np.intp]


def group_names(table: Table) -> list[tuple[str, float]]:
    """Filter and exposure of each frame; exposures of one group count as one."""
    exposure = column_values(table, "exposure")
    filters = (
        [str(name) for name in table["filter"]] if "filter" in table.colnames else [""] * len(table)
    )
    if "group" in table.colnames:
        groups = np.array([str(name) for name in table["group"]])
        for name in set(groups):
            exposure[groups == name] = np.median(exposure[groups == name])
    return list(zip(filters, (float(t) for t in exposure), strict=True))


def make_series(table: Table) -> Series:
    """Series of a table with start, exposure, fwhm and, where there, spike_raw and its angle."""
    fwhm = column_values(table, "fwhm")
    strength = column_values(table, "spike_raw")
    angle = 2 * np.radians(column_values(table, "spike_raw_angle"))
    names = group_names(table)
    numbers = {name: i for i, name in enumerate(sorted(set(names)))}
    with np.errstate(invalid="ignore", divide="ignore"):
        log_fwhm = np.where(fwhm > 0, np.log(fwhm), np.nan)
    return Series(
        start=unix_seconds(table["start"]),
        exposure=column_values(table, "exposure"),
        log_fwhm=log_fwhm,
        spike=np.column_stack([strength * np.cos(angle), strength * np.sin(angle)]),
        group=np.array([numbers[name] for name in names], dtype=np.intp),
    )


def take_rows(series: Series, rows: NDArray[np.intp]) -> Series:
    """Some of the frames, in the order of `rows`."""
    return Series(
        start=series.start[rows],
        exposure=series.exposure[rows],
        log_fwhm=series.log_fwhm[rows],
        spike=series.spike[rows],
        group=series.group[rows],
    )


def pool_frames(series: Series, seconds: float) -> tuple[Series, Floats]:
    """Mean of the frames of a group that begin within one interval, where most frames share one.

    Parameters
    ----------
    series : Series
        In the order of `start`.
    seconds : float
        Length of the intervals.

    Returns
    -------
    series : Series
        One row for each group and interval with frames, in the order of time. Its exposure lasts
        from the beginning of the first frame to the end of the last.
    counts : (n,) float ndarray
        Frames in each row.
    """
    if np.median(np.diff(series.start)) > 0.5 * seconds:
        return series, np.ones(len(series.start))
    interval = np.floor((series.start - series.start[0]) / seconds).astype(np.intp)
    pairs = interval * (series.group.max() + 1) + series.group
    _, first, row, counts = np.unique(
        pairs, return_index=True, return_inverse=True, return_counts=True
    )
    end = np.full(len(first), -np.inf)
    np.maximum.at(end, row, series.start + series.exposure)

    def mean(values: Floats) -> Floats:
        known = np.isfinite(values)
        total = np.bincount(row, np.where(known, values, 0.0), len(first))
        number = np.bincount(row, known, len(first))
        return np.where(number > 0, total / np.maximum(number, 1), np.nan)

    start = series.start[first]
    order = np.argsort(start, kind="stable")
    pooled = Series(
        start=start,
        exposure=end - start,
        log_fwhm=mean(series.log_fwhm),
        spike=np.column_stack([mean(values) for values in series.spike.T]),
        group=series.group[first],
    )
    return take_rows(pooled, order), counts[order].astype(float)


def list_channels(series: Series) -> list[Floats]:
    """Log FWHM, and the two components of the spike vector where most frames have it."""
    channels = [series.log_fwhm]
    if np.isfinite(series.spike).all(axis=1).mean() > 0.8:
        channels += [series.spike[:, 0], series.spike[:, 1]]
    return channels


def group_constants(series: Series) -> Floats:
    """A constant for each filter and exposure, shape (n, groups)."""
    groups = np.unique(series.group)
    return np.asarray((series.group[:, None] == groups[None, :]).astype(float))
