"""Scatter and drift of the FWHM during a night, for the plan of another."""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table

from framesort.errors import NotEnoughFramesError
from framesort.evidence._drift import fit_with_drift
from framesort.evidence._response import SEEING, along_heater, find_levels
from framesort.evidence._series import group_names
from framesort.records import MAD_TO_SIGMA, column_values, unix_seconds

__all__ = ["NightDrift", "estimate_drift"]

_FEWEST = 8
"""Frames for a scatter known to about 25 %."""


@dataclass(frozen=True, kw_only=True)
class NightDrift:
    """Scatter and drift of a night's FWHM.

    Attributes
    ----------
    filter, exposure : str, float
        Group they are of; exposure in seconds.
    frames : int
        Number of frames used.
    scatter : float
        Standard deviation of log FWHM from frame to frame.
    drift : float
        Standard deviation of the random walk of log FWHM over an hour.
    spike_scatter : float
        Standard deviation of a frame's spike strength at the same power, a share of the star's
        light; NaN without spike strengths.
    overhead : float
        Median time between two successive exposures, seconds.
    """

    filter: str
    exposure: float
    frames: int
    scatter: float
    drift: float
    spike_scatter: float
    overhead: float


def estimate_drift(table: Table) -> NightDrift:
    """Scatter and drift of the FWHM in the filter and exposure with most frames.

    The fit of `estimate_response`: ``log FWHM = level + random walk(t) + growth(power) + scatter``.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, filter, heater_share, heater_power, fwhm; spike_strength and
        spike_angle where known. Rows with NaN in a required column and frames heated in part are
        not used.

    Returns
    -------
    NightDrift

    Raises
    ------
    NotEnoughFramesError
        No filter and exposure has 8 frames more than powers.
    """
    start, fwhm = unix_seconds(table["start"]), column_values(table, "fwhm")
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    power = np.where(share <= 0.005, 0.0, power)
    whole = (share >= 0.98) | (share <= 0.005)
    good = np.isfinite(start) & (fwhm > 0) & whole & np.isfinite(power)
    names = group_names(table)
    best = max(
        sorted(set(names)),
        key=lambda name: sum(ok and name == other for ok, other in zip(good, names, strict=True)),
        default=("", np.nan),
    )
    rows = np.flatnonzero(good & np.array([name == best for name in names], dtype=bool))
    rows = rows[np.argsort(start[rows], kind="stable")]
    number = find_levels(power[rows])[1] if len(rows) else np.zeros(0, dtype=np.intp)
    used = np.unique(number)
    if len(rows) < _FEWEST + len(used):
        raise NotEnoughFramesError(
            f"scatter and drift of the FWHM cannot be estimated from {len(rows)} frames of one "
            f"filter and exposure with known heater state; {_FEWEST + len(used)} are needed: give "
            "scatter and drift (--scatter, --drift)"
        )
    design = np.column_stack([np.ones(len(rows)), *((number == k).astype(float) for k in used[1:])])
    fit = fit_with_drift(start[rows] / 3600, np.log(fwhm[rows]), design, typical=SEEING)
    along = along_heater(
        column_values(table, "spike_strength")[rows],
        column_values(table, "spike_angle")[rows],
        column_values(table, "spike_strength_err")[rows],
        power[rows],
    )
    rest = along - np.array([_median(along[number == k]) for k in number])
    gap = np.diff(start[rows])
    return NightDrift(
        filter=best[0],
        exposure=float(best[1]),
        frames=len(rows),
        scatter=fit.noise,
        drift=fit.walk,
        spike_scatter=MAD_TO_SIGMA * _median(np.abs(rest)),
        overhead=max(float(np.median(gap)) - float(best[1]), 0.0),
    )


def _median(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan
