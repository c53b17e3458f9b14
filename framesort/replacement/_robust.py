"""Middle and scatter of samples with outliers."""

import numpy as np

from framesort.records import MAD_TO_SIGMA
from framesort.replacement._arrays import Array

__all__ = ["median_deviation", "quick_median", "robust_std", "shortest_half"]


def quick_median(values: Array) -> Array:
    """Median along the last axis, without NaN: several times as quick as `numpy.median`."""
    half = values.shape[-1] // 2
    parted = np.partition(values, half, axis=-1)
    middle = parted[..., half]
    if values.shape[-1] % 2:
        return np.asarray(middle)
    return np.asarray((parted[..., :half].max(axis=-1) + middle) / 2)


def median_deviation(values: Array) -> float:
    """Standard deviation of a normal sample around 0 from its median deviation; without NaN."""
    return MAD_TO_SIGMA * float(quick_median(np.abs(values)))


def robust_std(values: Array, centre: float | np.floating | None = None) -> np.floating:
    """Standard deviation of a normal sample from its median deviation, around its median.

    In the precision of the values; `centre` is used in place of their median.
    """
    centre = np.median(values) if centre is None else centre
    std: np.floating = MAD_TO_SIGMA * np.median(np.abs(values - centre))
    return std


def shortest_half(values: Array) -> tuple[float, float]:
    """Middle and scatter of the narrowest half of a sample (Rousseeuw 1984, JASA 79, 871).

    Up to half of the values may be anything, all on one side as well. The scatter is scaled to the
    standard deviation of a normal sample.
    """
    v = np.sort(values)
    h = len(v) // 2 + 1
    if h >= len(v):
        return float(np.median(v)), float(np.ptp(v))
    spans = v[h - 1 :] - v[: len(v) - h + 1]
    k = int(np.argmin(spans))
    part = v[k : k + h]
    # Half of a normal sample lies within 0.6745 standard deviations of its middle.
    return float(np.median(part)), float(spans[k] / (2 * 0.6745))
