"""Star quality of the heater-off frames of a group, the reference of all others."""

from dataclasses import dataclass

import numpy as np
from astropy.stats import mad_std
from astropy.table import Table
from numpy.typing import ArrayLike, NDArray

from framesort.records import column_values

__all__ = [
    "KEEP_OUT",
    "ReferenceQuality",
    "codes_of",
    "flattening",
    "measure_reference_quality",
    "measured_rows",
]

KEEP_OUT = frozenset(
    {
        "unreadable",
        "not measured",
        "measurer failed",
        "calibration frame",
        "colour frame",
        "no exposure time",
        "odd exposure time",
        "too large",
        "own product",
        "odd pixel values",
        "few stars",
        "vanished",
        "changed",
    }
)
"""Reasons for which a frame has no grade."""


@dataclass(frozen=True, kw_only=True)
class ReferenceQuality:
    """Star quality of the heater-off frames of a group: medians and robust scatter.

    Flattening is ``1 - b/a``.

    `source` is "off" (heater-off frames of the group), "nearest" (those of another exposure of the
    same filter, noise scaled by the square root of the ratio of exposures) or "best" (the best
    quarter, without any known heater-off frame). Widths over the field are NaN where the table has
    none.
    """

    fwhm: float
    fwhm_scatter: float
    flattening: float
    flattening_scatter: float
    noise: float
    frames: int
    source: str
    fwhm_centre: float = np.nan
    fwhm_tilt: float = np.nan


def codes_of(reason: str) -> set[str]:
    """The codes of a cell of the column `reason`."""
    return set(str(reason).split("; ")) - {""}


def measured_rows(table: Table) -> NDArray[np.bool_]:
    """Rows with a width and without a reason of `KEEP_OUT`."""
    barred = np.array([bool(codes_of(reason) & KEEP_OUT) for reason in table["reason"]], dtype=bool)
    return ~barred & np.isfinite(column_values(table, "fwhm"))


def flattening(eccentricity: ArrayLike) -> NDArray[np.float64]:
    """``1 - b/a`` of eccentricities; NaN stays NaN."""
    return np.asarray(1 - np.sqrt(1 - np.clip(np.asarray(eccentricity, dtype=float), 0, 1) ** 2))


def _scatter(values: NDArray[np.float64]) -> float:
    """Robust standard deviation of finite values; NaN without any."""
    known = values[np.isfinite(values)]
    return float(mad_std(known)) if known.size else np.nan


def _median(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else np.nan


def measure_reference_quality(
    table: Table, group: str, *, max_share: float = 0.02
) -> ReferenceQuality | None:
    """Star quality of the reference frames of a group; None without any measured frame.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs group, filter, exposure, heater_share, fwhm, eccentricity, noise, reason.
    group : str
        Name of the group.
    max_share : float
        Frames up to this heater share count as heater-off.
    """
    good = measured_rows(table)
    share = column_values(table, "heater_share")
    own = good & (table["group"] == group)
    off = good & (share <= max_share)
    here = own & off
    source, brighter = "off", 1.0
    if not here.any() and own.any():
        first = int(np.flatnonzero(own)[0])
        exposure = column_values(table, "exposure")
        same_filter = off & (table["filter"] == table["filter"][first])
        same_filter &= np.asarray(table["binning"] == table["binning"][first])
        if same_filter.any():
            distance = np.abs(np.log(exposure / exposure[first]))
            here, source = same_filter & (distance <= distance[same_filter].min() + 1e-9), "nearest"
            # Sky noise grows with the square root of the exposure.
            brighter = float(np.sqrt(exposure[first] / np.median(exposure[here])))
        else:
            fwhm = column_values(table, "fwhm")
            here, source = own & (fwhm <= np.nanpercentile(fwhm[own], 25)), "best"
    if not here.any():
        return None
    fwhm = column_values(table, "fwhm")[here]
    shape = flattening(column_values(table, "eccentricity")[here])
    return ReferenceQuality(
        fwhm=float(np.median(fwhm)),
        fwhm_scatter=float(mad_std(fwhm)),
        flattening=_median(shape),
        flattening_scatter=_scatter(shape),
        noise=brighter * _median(column_values(table, "noise")[here]),
        frames=int(here.sum()),
        source=source,
        fwhm_centre=_median(column_values(table, "fwhm_centre")[here]),
        fwhm_tilt=_median(column_values(table, "fwhm_tilt")[here]),
    )
