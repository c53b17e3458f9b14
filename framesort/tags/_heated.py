"""Heated frames whose stars are as good as those of the heater-off frames."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.tags._reference import ReferenceQuality

__all__ = ["find_harmless_heat"]

_LEAST_OFF = 3
"""Heater-off frames without which their scatter is not known."""

_LEAST_ALIKE = 3
"""Frames at one power from which on they speak for higher powers too."""

_LIKE_POWER = 10.0
"""Percent by which heater powers may differ to count as one."""

_FLOOR = 0.01
"""Share by which the widths of a frame may be off whatever the scatter."""

_SIGMA = 2.0
"""Standard deviations that count as measurable."""

_MEDIAN = 1.2533
"""Standard error of a median over that of a mean, normal scatter: sqrt(pi / 2)."""


def find_harmless_heat(
    table: Table, rows: NDArray[np.bool_], yard: ReferenceQuality, *, max_share: float
) -> NDArray[np.bool_]:
    """Heated frames that no measurement tells from heater-off ones of their group.

    Each by itself: no wider than the heater-off frames' median and scatter (never tighter than 1
    percent), and a spike that was measured and is below 2 of its errors. And together with the
    frames at like power (10 percent up or down): their median width and spike are within 2
    standard errors of the heater-off frames'. Heat does more at more power, so where three frames
    or more at one power are told from heater-off ones, so are all at higher power.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs heater_share, heater_power, fwhm, spike_strength, spike_strength_err.
    rows : (n,) bool ndarray
        Measured frames of one group.
    yard : ReferenceQuality
        The group's; unless it is of three heater-off frames of its own, nothing is harmless.
    max_share : float
        Frames up to this heater share are heater-off.

    Returns
    -------
    (n,) bool ndarray
    """
    harmless = np.zeros(len(table), dtype=bool)
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    growth = column_values(table, "fwhm") / yard.fwhm - 1
    spike, error = (column_values(table, f"spike_strength{end}") for end in ("", "_err"))
    off = rows & (share <= max_share)
    heated = np.flatnonzero(rows & (share > max_share) & np.isfinite(power))
    if yard.source != "off" or off.sum() < _LEAST_OFF:
        return harmless
    scatter = max(yard.fwhm_scatter / yard.fwhm, _FLOOR)
    base = spike[off & np.isfinite(spike)]
    barred_from = np.inf
    for i in heated[np.argsort(power[heated], kind="stable")]:
        alike = heated[np.abs(power[heated] - power[i]) <= _LIKE_POWER]
        wide = float(np.median(growth[alike]))
        nonstellar_chi2 = _MEDIAN * scatter * np.sqrt(1 / len(alike) + 1 / off.sum())
        told = wide > _SIGMA * nonstellar_chi2
        known = alike[np.isfinite(spike[alike]) & np.isfinite(error[alike])]
        if known.size and base.size:
            excess = float(np.median(spike[known]) - np.median(base))
            each = float(np.median(error[known]))
            told |= excess > _SIGMA * _MEDIAN * each * np.sqrt(1 / known.size + 1 / base.size)
        if told and len(alike) >= _LEAST_ALIKE:
            barred_from = min(barred_from, float(power[i]))
        own = growth[i] <= scatter and spike[i] < _SIGMA * error[i]
        harmless[i] = own and not told and power[i] < barred_from
    return harmless
