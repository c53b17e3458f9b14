"""Dew: heater-off frames in which stars fade while their halos grow."""

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.tags._reference import measured_rows

__all__ = ["find_dew"]


def find_dew(table: Table, *, max_share: float = 0.02, least: int = 5) -> NDArray[np.bool_]:
    """Heater-off frames in which dew forms: stars fade steadily while their halos grow.

    For each run of frames of a group that are not known to be heated, a constant followed by a
    straight line is fitted to transparency and to the ratio of half-flux radius to FWHM, with a
    common breakpoint. It is dew if from there to the end of the run the first falls and the second
    grows, by more than 4 standard errors and by 4 and 2 percent. Cloud dims stars without growing
    halos, and is intermittent.

    Parameters
    ----------
    table : `~astropy.table.Table`
        In order of time.
    max_share : float
        Frames beyond this heater share are heated.
    least : int
        Minimum number of frames of a trend.

    Returns
    -------
    (n,) bool ndarray
    """
    found = np.zeros(len(table), dtype=bool)
    share, clear = column_values(table, "heater_share"), column_values(table, "transparency")
    halo = column_values(table, "half_flux_radius") / column_values(table, "fwhm")
    usable = measured_rows(table) & np.isfinite(clear) & np.isfinite(halo)
    for group in sorted(set(table["group"][usable])):
        rows = np.flatnonzero(usable & (table["group"] == group))
        off = ~(share[rows] > max_share)
        for run in np.split(rows, np.flatnonzero(np.diff(off.astype(int))) + 1):
            if not share[run[0]] > max_share and len(run) >= least:
                found[run[_dew_onset(clear[run], halo[run], least) :]] = True
    return found


def _dew_onset(clear: NDArray[np.float64], halo: NDArray[np.float64], least: int) -> int:
    """Index from which dew forms in the run; its length without dew."""
    clear, halo = clear / np.median(clear), halo / np.median(halo)
    count = len(clear) - least + 1
    onset = int(np.argmin(_hinge_misfits(clear, count) * _hinge_misfits(halo, count)))
    fall, fall_err = _slope(clear[onset:])
    grow, grow_err = _slope(halo[onset:])
    span = len(clear) - onset - 1
    fades = fall * span < -0.04 and fall < -4 * fall_err
    spreads = grow * span > 0.02 and grow > 4 * grow_err
    return onset if fades and spreads else len(clear)


def _hinge_misfits(values: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Residual sums of squares of a constant and, from frame 0, 1, ... on, a straight line.

    The ramp of a line from frame s on is ``max(i - s, 0)``; its sums follow from s alone, and
    those of its product with the values from their running sums.
    """
    n = len(values)
    rest = values - values.mean()
    after = n - 1 - np.arange(count)  # frames on the ramp
    ramp = after * (after + 1) / 2
    square = after * (after + 1) * (2 * after + 1) / 6 - ramp**2 / n
    # sum (i - s) rest_i over i > s is the sum of all sums from the end to beyond s.
    tails = np.cumsum(np.cumsum(rest[::-1]))[::-1]
    along = np.r_[tails[1:], 0.0][:count]
    gain = along**2 / np.maximum(square, 1e-12)
    return np.asarray(np.maximum(rest @ rest - gain, 0.0))


def _slope(values: NDArray[np.float64]) -> tuple[float, float]:
    """Least-squares slope per frame and its standard error."""
    step = np.arange(len(values)) - (len(values) - 1) / 2
    slope = float(step @ values / (step @ step))
    residual = values - values.mean() - slope * step
    return slope, float(np.sqrt(residual @ residual / (len(values) - 2) / (step @ step)))
