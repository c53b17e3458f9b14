"""The quality columns of the frames' table."""

from collections.abc import Sequence

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import FrameQuality, add_column, add_reason, column_values

__all__ = ["NUMBERS", "add_quality_columns", "find_saturation"]

NUMBERS = (
    "fwhm",
    "half_flux_radius",
    "eccentricity",
    "elongation_angle",
    "spike_raw",
    "spike_raw_err",
    "spike_raw_angle",
    "spike_total",
    "spike_total_err",
    "spike_length",
    "fwhm_centre",
    "fwhm_corners",
    "fwhm_corners_err",
    "fwhm_tilt",
    "fwhm_tilt_err",
    "sky",
    "noise",
    "sky_gradient",
)


def add_quality_columns(table: Table, qualities: Sequence[FrameQuality]) -> None:
    """Add the star quality of each frame to the night's table.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Changed in place: columns `stars` and `NUMBERS` (widths and shape, spike, the
        map of the width over the field, sky and its gradient); reasons are added to those
        that the column `reason` holds already.
    qualities : sequence of FrameQuality
        One a row, in the rows' order.

    Raises
    ------
    ValueError
        Not as many qualities as rows.
    """
    if len(qualities) != len(table):
        raise ValueError(
            f"qualities must hold one a row, got {len(qualities)} for {len(table)} rows"
        )
    add_column(table, "stars", np.array([q.stars for q in qualities], dtype=int))
    for name in NUMBERS:
        add_column(table, name, np.array([getattr(q, name) for q in qualities], dtype=float))
    before = [""] * len(table)
    if "reason" in table.colnames:
        before = [str(cell) for cell in np.ma.filled(table["reason"], "")]
    reasons = [
        add_reason(cell, q.reason) if q.reason else cell
        for cell, q in zip(before, qualities, strict=True)
    ]
    add_column(table, "reason", reasons)


def find_saturation(table: Table, qualities: Sequence[FrameQuality]) -> NDArray[np.float64]:
    """Level from which pixels are saturated, a value a frame.

    Where the header has none, it is the median over the frames of the group with
    saturated pixels.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs group; saturation [adu] where the header has it.
    qualities : sequence of FrameQuality
        One a row.

    Returns
    -------
    (n,) float ndarray
        ADU; NaN where nothing is known.
    """
    levels = column_values(table, "saturation").copy()
    groups = np.asarray(table["group"])
    seen = np.array([quality.saturation for quality in qualities], dtype=float)
    for group in set(groups):
        here = groups == group
        found = seen[here & np.isfinite(seen)]
        if found.size:
            levels[here & np.isnan(levels)] = np.median(found)
    return levels
