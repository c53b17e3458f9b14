"""Numbers of any size: stacks in units of their own noise, and results back in the caller's."""

from dataclasses import replace

import numpy as np
from astropy.table import Table

from framesort.records import Replacement
from framesort.replacement._arrays import Array
from framesort.replacement._replacement_check import ReplacementCheck

__all__ = ["natural_unit", "scale_check", "scale_replacement"]

_LEAST, _MOST = 1e-6, 1e6
"""Noise between these is not scaled: squares of it and of saturated stars are far from the
ends of 32 bit numbers (1e-38, 3e38)."""

_SAMPLE = 500_000

_DEEP_COLUMNS = ("flux_deep", "flux_sharp", "flux_deep_err", "flux_sharp_err", "flux_applied")


def natural_unit(image: Array) -> float:
    """A power of two near the noise of an image, 1 where the noise is of an ordinary size.

    Parameters
    ----------
    image : ndarray
        Any number of axes, the last one along rows. NaN are ignored.

    Returns
    -------
    float
        Dividing by it loses no digit. Of an image without noise it is near its largest number.
    """
    rows = image.reshape(-1, image.shape[-1])
    rows = rows[:: max(1, rows.size // _SAMPLE)].astype(np.float64)
    rows[np.isinf(rows)] = np.nan
    step = np.abs(np.diff(rows, axis=1))
    step = step[np.isfinite(step)]
    # Differences of neighbours have sqrt(2) times the noise; 0.6745 as in a normal sample.
    size = float(np.median(step)) / (0.6745 * np.sqrt(2)) if step.size else 0.0
    if not size > 0:
        size = float(np.nanmax(np.abs(rows), initial=0.0))
    if not (np.isfinite(size) and size > 0) or _LEAST <= size <= _MOST:
        return 1.0
    return float(2.0 ** np.round(np.log2(size)))


def _scale_columns(table: Table, names: tuple[str, ...], unit: float) -> Table:
    table = table.copy()
    for name in names:
        if name in table.colnames:
            table[name] *= unit
    return table


def scale_replacement(result: Replacement, deep: float, sharp: float) -> Replacement:
    """The result in the caller's numbers: `deep` and `sharp` are the units it was made in."""
    if deep == sharp == 1.0:
        return result
    table = _scale_columns(result.table, (*_DEEP_COLUMNS, "flux_applied_planes"), deep)
    if "flux_scale" in table.meta:
        table.meta["flux_scale"] = float(table.meta["flux_scale"]) * deep / sharp
    layers = {
        name: (getattr(result, name) * np.float32(deep)).astype(np.float32)
        for name in ("final", "stars", "background")
    }
    return replace(result, table=table, **layers)


def scale_check(check: ReplacementCheck, deep: float) -> ReplacementCheck:
    """The self-check in the deep stack's numbers; widths and shares have no unit."""
    if deep == 1.0:
        return check
    cutouts = check.cutouts.copy()
    cutouts[:, :3] *= np.float32(deep)  # the fourth is in units of the noise
    return replace(
        check,
        worst=_scale_columns(check.worst, ("flux",), deep),
        star_bins=_scale_columns(check.star_bins, ("flux",), deep),
        cutouts=cutouts,
    )
