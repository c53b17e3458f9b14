"""The two sets, their weights, and the trade-off between depth and sharpness."""

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import add_column, add_reason, column_values

__all__ = [
    "SetLimits",
    "SetSummary",
    "advise_sets",
    "choose_sets",
    "summarise_sets",
    "trace_trade_off",
]

ONE_MAGNITUDE = 10 ** (2 / 2.5)
"""Times the exposure that reaches one magnitude fainter against the sky's noise: 6.31."""


@dataclass(frozen=True, kw_only=True)
class SetLimits:
    """Limits of the sharp-star set beyond the grade; None leaves it to the grade.

    Attributes
    ----------
    max_share : float
        Largest heater share.
    max_fwhm : float or None
        Pixels.
    max_eccentricity : float or None
        sqrt(1 - (b/a)^2).
    min_frames : int
        With fewer sharp frames the best usable heater-off ones are added up to this
        number: with less than five, outliers cannot be told from signal.
    """

    max_share: float = 0.02
    max_fwhm: float | None = None
    max_eccentricity: float | None = None
    min_frames: int = 5


@dataclass(frozen=True, kw_only=True)
class SetSummary:
    """One set of one group.

    Attributes
    ----------
    frames : int
        How many.
    hours : float
        Their exposure in all.
    fwhm : float
        Expected FWHM of the stack, pixels: the weighted mean of the frames'.
    depth : float
        Expected background standard deviation of the stack in ADU of the group's
        clearest frames.
    limit_flux : float
        Flux in ADU at which a star has a signal-to-noise ratio of 10 in the stack.
    """

    frames: int
    hours: float
    fwhm: float
    depth: float
    limit_flux: float


def choose_sets(
    table: Table,
    *,
    limits: SetLimits | None = None,
    keep_in: Collection[str] = (),
    leave_out: Collection[str] = (),
) -> None:
    """Set `sharp_set`, `deep_set`, `weight_sharp` and `weight_deep`.

    Sharp-star set: frames graded sharp within the limits. Deep-signal set: every frame
    with a grade other than poor. Weights are relative within a group, their median over the
    set is 1: transparency squared over noise squared, the inverse variance of the sky once
    all frames are brought to one flux scale.

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
    sharp = (grade == "sharp") & ~(share > limits.max_share)
    fits = np.ones(len(table), dtype=bool)
    for name, limit in (("fwhm", limits.max_fwhm), ("eccentricity", limits.max_eccentricity)):
        if limit is not None:
            fits &= column_values(table, name) <= limit
    sharp &= fits
    for group in sorted(set(table["group"]) - {""}):
        spare = (table["group"] == group) & (grade == "usable") & (share <= limits.max_share) & fits
        _fill_up(
            sharp, np.asarray(table["group"] == group), spare, column_values(table, "fwhm"), limits
        )
    graded = grade != ""
    sharp = ((sharp | forced) & graded) & ~barred
    deep = ((np.isin(grade, ["sharp", "usable"])) | (forced & graded)) & ~barred
    reasons = [str(reason) for reason in table["reason"]]
    for i in np.flatnonzero(forced | barred):
        reasons[i] = add_reason(reasons[i], "added by hand" if forced[i] else "left out by hand")
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


def _fill_up(
    sharp: NDArray[np.bool_],
    group: NDArray[np.bool_],
    spare: NDArray[np.bool_],
    fwhm: NDArray[np.float64],
    limits: SetLimits,
) -> None:
    """Add the narrowest spare frames of a group until the set is large enough."""
    missing = limits.min_frames - int(np.sum(sharp & group))
    if missing > 0:
        order = np.flatnonzero(spare)[np.argsort(fwhm[spare], kind="stable")]
        sharp[order[:missing]] = True


def _weights(table: Table, chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Relative weights, 0 outside the set. What is not known of a frame counts as usual."""
    weights = np.zeros(len(table))
    for group in sorted(set(table["group"]) - {""}):
        rows = np.flatnonzero(chosen & (table["group"] == group))
        if rows.size == 0:
            continue
        raw = np.ones(rows.size)
        for name, power in (("transparency", 2), ("noise", -2)):
            values = column_values(table, name)[rows]
            known = values > 0
            usual = np.median(values[known]) if known.any() else 1.0
            raw *= (np.where(known, values, usual) / usual) ** power
        weights[rows] = raw / np.median(raw)
    return weights


def summarise_sets(table: Table, group: str) -> tuple[SetSummary, SetSummary]:
    """What stacking the sharp-star set and the deep-signal set of a group should give.

    Parameters
    ----------
    table : `~astropy.table.Table`
        With the columns of `choose_sets`.
    group : str
        Name of the group.

    Returns
    -------
    sharp, deep : SetSummary
        NaN for what cannot be told, as for an empty set.
    """
    rows = np.asarray(table["group"] == group)
    sharp = rows & np.asarray(table["sharp_set"], dtype=bool)
    deep = rows & np.asarray(table["deep_set"], dtype=bool)
    return _summary(table, sharp, "weight_sharp"), _summary(table, deep, "weight_deep")


def _summary(table: Table, rows: NDArray[np.bool_], weight: str) -> SetSummary:
    if not rows.any():
        return SetSummary(frames=0, hours=0.0, fwhm=np.nan, depth=np.nan, limit_flux=np.nan)
    weights = column_values(table, weight)[rows]
    fwhm = float(np.average(column_values(table, "fwhm")[rows], weights=weights))
    clear = np.nan_to_num(column_values(table, "transparency")[rows], nan=1.0)
    noise = column_values(table, "noise")[rows] / clear
    depth = float(np.sqrt(np.sum((weights * noise) ** 2)) / weights.sum())
    # Noise-equivalent area of a Gaussian, 4 pi (sigma^2 + 1/12) pixels (King 1983, PASP 95, 163).
    area = 4 * np.pi * ((fwhm / 2.354820) ** 2 + 1 / 12)
    return SetSummary(
        frames=int(rows.sum()),
        hours=float(column_values(table, "exposure")[rows].sum() / 3600),
        fwhm=fwhm,
        depth=depth,
        limit_flux=float(10 * depth * np.sqrt(area)),
    )


def trace_trade_off(table: Table, group: str) -> Table:
    """Depth against sharpness as the frames of a group are stacked from the best stars on.

    Returns
    -------
    `~astropy.table.Table`
        Columns frames, hours, fwhm [pix], depth [adu]: row k is the stack of the k + 1
        narrowest frames of the deep-signal set.
    """
    rows = np.flatnonzero((table["group"] == group) & np.asarray(table["deep_set"], dtype=bool))
    rows = rows[np.argsort(column_values(table, "fwhm")[rows], kind="stable")]
    chosen = np.zeros(len(table), dtype=bool)
    steps = []
    for row in rows:
        chosen[row] = True
        summary = _summary(table, chosen, "weight_deep")
        steps.append((summary.frames, summary.hours, summary.fwhm, summary.depth))
    names = ("frames", "hours", "fwhm", "depth")
    return (
        Table(rows=steps, names=names)
        if steps
        else Table(names=names, dtype=(int, float, float, float))
    )


def advise_sets(rows: Table, sharp: SetSummary, deep: SetSummary) -> list[str]:
    """Say in sentences whether there are enough heater-off frames in a group.

    Parameters
    ----------
    rows : `~astropy.table.Table`
        The group's rows; needs heater_state.
    sharp, deep : SetSummary
        From `summarise_sets`.
    """
    if sharp.frames == 0:
        return [
            "No heater-off frame of this group is good enough for a sharp stack: "
            "its stars cannot be replaced."
        ]
    advice = []
    if not np.isin(np.asarray(rows["heater_state"]), ["on", "part"]).any():
        advice.append("No heated frame in this group: the two sets differ by seeing only.")
    if sharp.frames < 5:
        advice.append(
            f"Only {sharp.frames} {'frame' if sharp.frames == 1 else 'frames'} in the sharp-star "
            "set: with less than five, satellites and cosmic rays cannot be told from stars."
        )
    more = (ONE_MAGNITUDE - 1) * sharp.hours * 60
    advice.append(
        f"Stars fainter than {sharp.limit_flux:.0f} ADU are below ten times the noise in the sharp "
        f"stack; one magnitude fainter needs {more:.0f} more heater-off minutes."
    )
    if sharp.depth > 1.05 * deep.depth:
        advice.append(
            f"The sky of the deep stack is {sharp.depth / deep.depth:.1f} times less noisy than "
            "that of the sharp stack."
        )
    return advice
