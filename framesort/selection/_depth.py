"""What stacking a set gives: depth, sharpness, the faintest useful star, the trade-off."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import column_values
from framesort.selection._choose import HEATER_OFF

__all__ = [
    "SelectionReport",
    "SetSummary",
    "advise_sets",
    "report_selection",
    "summarise_sets",
    "trace_trade_off",
]

ONE_MAGNITUDE = 10 ** (1 / 2.5)
"""Ratio of the fluxes of two stars that are one magnitude apart: 2.512 (Pogson 1856)."""

NOISY = 10.0
"""Signal-to-noise ratio below which a star counts as too noisy: a tenth of a magnitude."""


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
    limit_magnitude : float
        Its magnitude; NaN without a zero point.
    fainter_minutes : float
        Minutes of exposure like those of the set that would bring this ratio to a
        star one magnitude fainter, beyond those there are.
    """

    frames: int
    hours: float
    fwhm: float
    depth: float
    limit_flux: float
    limit_magnitude: float = np.nan
    fainter_minutes: float = np.nan


@dataclass(frozen=True, kw_only=True)
class SelectionReport:
    """What the choice of a group's sets comes to.

    Attributes
    ----------
    group : str
        Its name.
    sharp, deep : SetSummary
        The two sets.
    curve : `~astropy.table.Table`
        Depth against sharpness, from `trace_trade_off`.
    sentences : tuple of str
        For the user, from `advise_sets`.
    """

    group: str
    sharp: SetSummary
    deep: SetSummary
    curve: Table = field(repr=False)
    sentences: tuple[str, ...]


def report_selection(table: Table, group: str, *, zero_point: float = np.nan) -> SelectionReport:
    """Hours, depth, sharpness and faintest useful star of both sets, curve and advice.

    Parameters
    ----------
    table : `~astropy.table.Table`
        With the columns of `choose_sets`.
    group : str
        Name of the group.
    zero_point : float
        Magnitude of a star that gives 1 ADU per second in the group's filter; NaN if not known.
    """
    sharp, deep = summarise_sets(table, group, zero_point=zero_point)
    rows = table[np.asarray(table["group"] == group)]
    return SelectionReport(
        group=group,
        sharp=sharp,
        deep=deep,
        curve=trace_trade_off(table, group),
        sentences=tuple(advise_sets(rows, sharp, deep)),
    )


def summarise_sets(
    table: Table, group: str, *, zero_point: float = np.nan
) -> tuple[SetSummary, SetSummary]:
    """What stacking the sharp-star set and the deep-signal set of a group should give.

    Parameters
    ----------
    table : `~astropy.table.Table`
        With the columns of `choose_sets`; gain [e/adu] where known.
    group : str
        Name of the group.
    zero_point : float
        Magnitude of a star that gives 1 ADU per second; NaN if not known.

    Returns
    -------
    sharp, deep : SetSummary
        NaN for what cannot be told, as for an empty set.

    Notes
    -----
    A star of flux F (ADU of one clear frame) has in the stack the variance
    ``F / (g n) + A d^2``: its own photons with g electrons per ADU and n the effective
    number of frames ``(sum w)^2 / sum w^2``, and those of the sky, d being the depth and A the
    noise-equivalent area of a Gaussian, ``4 pi (sigma^2 + 1/12)`` pixels (King 1983, PASP
    95, 163). It is the CCD equation (Mortara and Fowler 1981, Proc. SPIE 290; Merline
    and Howell 1995, Exp. Astron. 6, 163) with read noise and dark current in the measured
    sky noise. Without a gain the star's own photons are left out.
    """
    rows = np.asarray(table["group"] == group)
    sharp = rows & np.asarray(table["sharp_set"], dtype=bool)
    deep = rows & np.asarray(table["deep_set"], dtype=bool)
    return (
        _summary(table, sharp, "weight_sharp", zero_point),
        _summary(table, deep, "weight_deep", zero_point),
    )


def _summary(
    table: Table, rows: NDArray[np.bool_], weight: str, zero_point: float = np.nan
) -> SetSummary:
    if not rows.any():
        return SetSummary(frames=0, hours=0.0, fwhm=np.nan, depth=np.nan, limit_flux=np.nan)
    weights = column_values(table, weight)[rows]
    fwhm = float(np.average(column_values(table, "fwhm")[rows], weights=weights))
    clear = np.nan_to_num(column_values(table, "transparency")[rows], nan=1.0)
    noise = column_values(table, "noise")[rows] / clear
    depth = float(np.sqrt(np.sum((weights * noise) ** 2)) / weights.sum())
    area = 4 * np.pi * ((fwhm / 2.354820) ** 2 + 1 / 12)
    number = float(weights.sum() ** 2 / np.sum(weights**2))
    gains = column_values(table, "gain")[rows]
    gains = gains[gains > 0]
    photon = 1 / (float(np.median(gains)) * number) if gains.size else 0.0
    sky = depth**2 * area
    flux = _faintest(photon, sky)
    exposure = column_values(table, "exposure")[rows]
    # Both variances fall as 1 over the number of frames: how many times as many would do?
    faint = flux / ONE_MAGNITUDE
    times = (faint * photon + sky) * (NOISY / faint) ** 2 if flux > 0 else np.nan
    magnitude = zero_point - 2.5 * np.log10(flux / np.median(exposure)) if flux > 0 else np.nan
    return SetSummary(
        frames=int(rows.sum()),
        hours=float(exposure.sum() / 3600),
        fwhm=fwhm,
        depth=depth,
        limit_flux=flux,
        limit_magnitude=float(magnitude),
        fainter_minutes=float((times - 1) * exposure.sum() / 60),
    )


def _faintest(photon: float, sky: float) -> float:
    """Flux at which ``F^2 = NOISY^2 (F photon + sky)``."""
    half = NOISY**2 * photon / 2
    return float(half + np.sqrt(half**2 + NOISY**2 * sky))


def trace_trade_off(table: Table, group: str) -> Table:
    """Depth against sharpness as the frames of a group are stacked from the best stars on.

    Returns
    -------
    `~astropy.table.Table`
        Columns frames, heated (how many of them), hours, fwhm [pix], depth [adu]: row k is the
        stack of the k + 1 narrowest frames of the deep-signal set.
    """
    rows = np.flatnonzero((table["group"] == group) & np.asarray(table["deep_set"], dtype=bool))
    rows = rows[np.argsort(column_values(table, "fwhm")[rows], kind="stable")]
    share = column_values(table, "heater_share")
    chosen = np.zeros(len(table), dtype=bool)
    steps = []
    for row in rows:
        chosen[row] = True
        summary = _summary(table, chosen, "weight_deep")
        heated = int(np.sum(share[chosen] > 0.005))
        steps.append((summary.frames, heated, summary.hours, summary.fwhm, summary.depth))
    names = ("frames", "heated", "hours", "fwhm", "depth")
    return (
        Table(rows=steps, names=names)
        if steps
        else Table(names=names, dtype=(int, int, float, float, float))
    )


def _told_exceptions(rows: Table) -> list[str]:
    """Heated frames of the sharp set, frames too blurred for the deep one."""
    told = []
    if "sharp_set" in rows.colnames:
        share = column_values(rows, "heater_share")
        heated = int(np.sum(np.asarray(rows["sharp_set"], dtype=bool) & (share > HEATER_OFF)))
        if heated:
            told.append(
                f"{heated} heated {'frame is' if heated == 1 else 'frames are'} in the sharp-star "
                "set: as narrow as the heater-off ones, no spike (--max-power 0 leaves "
                f"{'it' if heated == 1 else 'them'} out)."
            )
    blurred = sum("too blurred" in str(reason).split("; ") for reason in rows["reason"])
    if blurred:
        told.append(
            f"{blurred} {'frame is' if blurred == 1 else 'frames are'} not in the deep-signal set: "
            f"{'its' if blurred == 1 else 'their'} depth does not pay for the blur, or "
            f"{'it is' if blurred == 1 else 'they are'} wider than --deep-max-fwhm."
        )
    return told


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
    advice = _told_exceptions(rows)
    states = np.asarray(rows["heater_state"])
    if (states == "unknown").all():
        advice.append("The heater's state is not known in any frame: the best stars were taken.")
    elif not np.isin(states, ["on", "part"]).any():
        advice.append("No heated frame in this group: the two sets differ by seeing only.")
    if sharp.frames < 5:
        advice.append(
            f"Only {sharp.frames} {'frame' if sharp.frames == 1 else 'frames'} in the sharp-star "
            "set: with less than five, satellites and cosmic rays cannot be told from stars."
        )
    told = f"{sharp.limit_flux:.0f} ADU"
    if np.isfinite(sharp.limit_magnitude):
        told += f" (magnitude {sharp.limit_magnitude:.1f})"
    advice.append(
        f"Stars fainter than {told} are below S/N 10 in the sharp "
        f"stack; one magnitude fainter needs {sharp.fainter_minutes:.0f} more heater-off minutes."
    )
    if sharp.depth > 1.05 * deep.depth:
        advice.append(
            f"The sky of the deep stack is {sharp.depth / deep.depth:.1f} times less noisy than "
            "that of the sharp stack."
        )
    return advice
