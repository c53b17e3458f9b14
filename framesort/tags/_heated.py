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
    for i in heated[np.argsort(power[heated], kind="stable")]:
        similar = heated[np.abs(power[heated] - power[i]) <= _POWER_TOLERANCE]
        wide = float(np.median(growth[similar]))
        wide_err = _MEDIAN * scatter * np.sqrt(1 / len(similar) + 1 / off.sum())
        differs = wide > _SIGMA * wide_err
        known = similar[np.isfinite(spike[similar]) & np.isfinite(error[similar])]
        if known.size and base.size:
            excess = float(np.median(spike[known]) - np.median(base))
            each = float(np.median(error[known]))
            differs |= excess > _SIGMA * _MEDIAN * each * np.sqrt(1 / known.size + 1 / base.size)
        if differs and len(similar) >= _LEAST_SIMILAR:
            excluded_from = min(excluded_from, float(power[i]))
        own = growth[i] <= scatter and spike[i] < _SIGMA * error[i]
        harmless[i] = own and not differs and power[i] < excluded_from
    return harmless
