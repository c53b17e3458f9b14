"""Heated frames whose stars are as good as those of the heater-off frames."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.tags._reference import ReferenceQuality

__all__ = ["find_harmless_heat"]

_LEAST_OFF = 3
"""Minimum number of heater-off frames for their scatter."""

_LEAST_SIMILAR = 3
"""Minimum number of frames at one power that exclude higher powers too."""

_POWER_TOLERANCE = 10.0
"""Largest difference of heater powers that count as one, percent."""

_FLOOR = 0.01
"""Smallest tolerance of the width, whatever the scatter, as a share."""

_SIGMA = 2.0
"""Standard deviations from which a difference is significant."""

_MEDIAN = 1.2533
"""Standard error of the median over that of the mean for normal scatter: sqrt(pi / 2)."""


def find_harmless_heat(
    table: Table, rows: NDArray[np.bool_], reference: ReferenceQuality, *, max_share: float
) -> NDArray[np.bool_]:
    """Heated frames that do not differ measurably from the heater-off ones of their group.

    Each by itself: width within the median and scatter of the heater-off frames (at least 1
    percent), and a measured spike below 2 sigma. And together with the frames of similar power
    (within 10 percent): median width and spike within 2 standard errors of the heater-off frames.
    The effect grows with power, so where three frames or more at one power differ from the
    heater-off ones, all frames at higher power are excluded.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs heater_share, heater_power, fwhm, spike_strength, spike_strength_err.
    rows : (n,) bool ndarray
        Measured frames of one group.
    reference : ReferenceQuality
        Of the group; without three heater-off frames of its own no frame is harmless.
    max_share : float
        Frames up to this heater share are heater-off.

    Returns
    -------
    (n,) bool ndarray
    """
    harmless = np.zeros(len(table), dtype=bool)
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    growth = column_values(table, "fwhm") / reference.fwhm - 1
    spike, error = (column_values(table, f"spike_strength{end}") for end in ("", "_err"))
    off = rows & (share <= max_share)
    heated = np.flatnonzero(rows & (share > max_share) & np.isfinite(power))
    if reference.source != "off" or off.sum() < _LEAST_OFF:
        return harmless
    scatter = max(reference.fwhm_scatter / reference.fwhm, _FLOOR)
    base = spike[off & np.isfinite(spike)]
    excluded_from = np.inf
    order = heated[np.argsort(power[heated], kind="stable")]
    # Frames of similar power stand together; many share the same neighbours.
    first = np.searchsorted(power[order], power[order] - _POWER_TOLERANCE, side="left")
    behind = np.searchsorted(power[order], power[order] + _POWER_TOLERANCE, side="right")
    differ: dict[tuple[int, int], bool] = {}
    for i, span in zip(order, zip(first.tolist(), behind.tolist(), strict=True), strict=True):
        similar = order[slice(*span)]
        if span not in differ:
            differ[span] = _differs(
                growth[similar], spike[similar], error[similar], base, scatter, int(off.sum())
            )
        differs = differ[span]
        if differs and len(similar) >= _LEAST_SIMILAR:
            excluded_from = min(excluded_from, float(power[i]))
        own = growth[i] <= scatter and spike[i] < _SIGMA * error[i]
        harmless[i] = own and not differs and power[i] < excluded_from
    return harmless


def _differs(
    growth: NDArray[np.float64],
    spike: NDArray[np.float64],
    error: NDArray[np.float64],
    base: NDArray[np.float64],
    scatter: float,
    off: int,
) -> bool:
    """Whether frames of one power together are wider, or have more spike, than `off` frames."""
    wide_err = _MEDIAN * scatter * np.sqrt(1 / len(growth) + 1 / off)
    if float(np.median(growth)) > _SIGMA * wide_err:
        return True
    known = np.isfinite(spike) & np.isfinite(error)
    if not known.any() or not base.size:
        return False
    excess = float(np.median(spike[known]) - np.median(base))
    each = float(np.median(error[known]))
    return excess > _SIGMA * _MEDIAN * each * float(np.sqrt(1 / known.sum() + 1 / base.size))
