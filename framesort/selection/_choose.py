"""The two sets and their weights."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import add_column, add_reason, column_values
from framesort.selection._blur import find_too_blurred

__all__ = ["SetLimits", "choose_sets"]


HEATER_OFF = 0.02
"""Largest heater share of a frame that counts as heater-off."""


@dataclass(frozen=True, kw_only=True)
class SetLimits:
    """Limits of the sets in addition to the grade; None for no limit.

    Attributes
    ----------
    max_share : float or None
        Largest heater share.
    max_power : float or None
        Largest mean heater power, percent.
    max_fwhm : float or None
        Pixels.
    max_eccentricity : float or None
        sqrt(1 - (b/a)^2).
    max_spike : float or None
        Spike in excess of the heater-off frames, a share of the stars' light.
    deep_max_fwhm : float or None
        Largest FWHM of the deep-signal set, pixels; None removes frames by `find_too_blurred`.
    min_frames : int
        With fewer sharp heater-off frames the best usable heater-off ones are added up to this
        number: with fewer than five, outliers cannot be rejected.
    """

    max_share: float | None = None
    max_power: float | None = None
    max_fwhm: float | None = None
    max_eccentricity: float | None = None
    max_spike: float | None = None
    deep_max_fwhm: float | None = None
    min_frames: int = 5


def choose_sets(
    table: Table,
    *,
    limits: SetLimits | None = None,
    keep_in: Collection[str] = (),
    leave_out: Collection[str] = (),
) -> None:
    """Set `sharp_set`, `deep_set`, `weight_sharp` and `weight_deep`.

    Sharp-star set: frames graded sharp within the limits. Deep-signal set: every frame
    with a grade other than poor whose depth outweighs its blur, and the sharp ones. Heated frames
    never displace heater-off ones, which are chosen as if there were no others. Weights are
    relative within a group, with a median of 1 over the set: transparency squared over noise
    squared, the inverse variance of the sky with all frames on one flux scale.

    Parameters
    ----------
    table : `~astropy.table.Table`
        With the columns of tags; changed in place.
    limits : SetLimits or None
        None for the defaults.
    keep_in : collection of str
        File names (with or without folder) put into the sharp-star set whatever their grade.
    leave_out : collection of str
        File names kept out of both sets.

    Raises
    ------
    InputError
        A name in `keep_in` or `leave_out` is not in the table, or is in both.
    """
    limits = SetLimits() if limits is None else limits
    forced, barred = _named(table, keep_in), _named(table, leave_out)
    if np.any(forced & barred):
        name = table["file"][int(np.flatnonzero(forced & barred)[0])]
        raise InputError(f"{name}: cannot be kept in and left out at once")
    grade = np.asarray(table["grade"], dtype=str)
    share = column_values(table, "heater_share")
    sharp = grade == "sharp"
    fits = np.ones(len(table), dtype=bool)
    # An unknown heater share or power does not exclude a frame.
    for name, limit in (("heater_share", limits.max_share), ("heater_power", limits.max_power)):
        if limit is not None:
            fits &= ~(column_values(table, name) > limit)
    for name, limit in (
        ("fwhm", limits.max_fwhm),
        ("eccentricity", limits.max_eccentricity),
        ("spike_strength", limits.max_spike),
    ):
        if limit is not None:
            fits &= column_values(table, name) <= limit
    sharp &= fits
    for group in sorted(set(table["group"]) - {""}):
        own = np.asarray(table["group"] == group)
        spare = own & (grade == "usable") & (share <= HEATER_OFF) & fits
        counted = own & ~(share > HEATER_OFF)
        _fill_up(sharp, counted, spare, column_values(table, "fwhm"), limits)
    graded = grade != ""
    sharp = ((sharp | forced) & graded) & ~barred
    deep = np.isin(grade, ["sharp", "usable"]) & ~barred
    blurred = _too_blurred(table, deep, limits) & ~sharp
    deep = (deep & ~blurred) | sharp
    reasons = [str(reason) for reason in table["reason"]]
    for i in np.flatnonzero(forced | barred):
        reasons[i] = add_reason(reasons[i], "added by user" if forced[i] else "excluded by user")
    for i in np.flatnonzero(blurred):
        reasons[i] = add_reason(reasons[i], "too blurred")
    add_column(table, "reason", reasons)
    add_column(table, "sharp_set", sharp)
    add_column(table, "deep_set", deep)
    add_column(table, "weight_sharp", _weights(table, sharp))
    add_column(table, "weight_deep", _weights(table, deep))


def _named(table: Table, names: Collection[str]) -> NDArray[np.bool_]:
    """Rows whose file is named by its path or by its name."""
    chosen = np.zeros(len(table), dtype=bool)
    for name in names:
        rows = [str(file) == name or Path(str(file)).name == name for file in table["file"]]
        if not any(rows):
            raise InputError(f"{name}: no frame of the night has this name")
        chosen |= np.array(rows, dtype=bool)
    return chosen


def _too_blurred(table: Table, deep: NDArray[np.bool_], limits: SetLimits) -> NDArray[np.bool_]:
    """Rows of the deep-signal set wider than the limit, or too blurred for their depth."""
    fwhm = column_values(table, "fwhm")
    if limits.deep_max_fwhm is not None:
        return np.asarray(deep & (fwhm > limits.deep_max_fwhm))
    found = np.zeros(len(table), dtype=bool)
    weights = _weights(table, deep)
    for group in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(deep & np.asarray(table["group"] == group))
        found[rows] = find_too_blurred(fwhm[rows], weights[rows])
    return found


def _fill_up(
    sharp: NDArray[np.bool_],
    counted: NDArray[np.bool_],
    spare: NDArray[np.bool_],
    fwhm: NDArray[np.float64],
    limits: SetLimits,
) -> None:
    """Add the spare frames of smallest FWHM until enough of the counted frames are in."""
    missing = limits.min_frames - int(np.sum(sharp & counted))
    if missing > 0:
        order = np.flatnonzero(spare)[np.argsort(fwhm[spare], kind="stable")]
        sharp[order[:missing]] = True


def _weights(table: Table, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Relative weights, 0 outside the set. Unknown values are replaced by the median."""
    weights = np.zeros(len(table))
    for group in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(chosen & (table["group"] == group))
        if rows.size == 0:
            continue
        raw = np.ones(rows.size)
        for name, power in (("transparency", 2), ("noise", -2)):
            values = column_values(table, name)[rows]
            known = values > 0
            typical = np.median(values[known]) if known.any() else 1.0
            raw *= (np.where(known, values, typical) / typical) ** power
        weights[rows] = raw / np.median(raw)
    return weights
