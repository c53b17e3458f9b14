"""Expected stack of a set: depth, FWHM, limiting flux, and the trade-off between them."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records import FWHM_TO_SIGMA, SetSummary, column_values
from framesort.selection._choose import HEATER_OFF

__all__ = [
    "SelectionReport",
    "advise_sets",
    "report_selection",
    "summarise_sets",
    "trace_trade_off",
]

ONE_MAGNITUDE = 10 ** (1 / 2.5)
"""Flux ratio of one magnitude: 2.512 (Pogson 1856)."""

LIMIT_SNR = 10.0
"""S/N of the limiting flux: an error of a tenth of a magnitude."""


@dataclass(frozen=True, kw_only=True)
class SelectionReport:
    """Summary of the sets of a group.

    Attributes
    ----------
    group : str
        Its name.
    sharp, deep : SetSummary
        The two sets.
    curve : `~astropy.table.Table`
        Depth against sharpness, from `trace_trade_off`.
    sentences : tuple of str
        Advice from `advise_sets`.
    """

    group: str
    sharp: SetSummary
    deep: SetSummary
    curve: Table = field(repr=False)
    sentences: tuple[str, ...]


def report_selection(table: Table, group: str, *, zero_point: float = np.nan) -> SelectionReport:
    """Hours, depth, FWHM and limiting flux of both sets, curve and advice.

    Parameters
    ----------
    table : `~astropy.table.Table`
        With the columns of `choose_sets`.
    group : str
        Name of the group.
    zero_point : float
        Magnitude of a star of 1 ADU per second in the filter of the group; NaN if not known.
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
    """Expected stacks of the sharp-star set and the deep-signal set of a group.

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
        NaN for unknown values, as for an empty set.

    Notes
    -----
    A star of flux F (ADU of one transparent frame) has the variance ``F / (g n) + A d^2`` in the
    stack: photon noise of the star with g electrons per ADU and the effective number of frames
    ``n = (sum w)^2 / sum w^2``, and background noise with the depth d and the noise-equivalent
    area of a Gaussian, ``A = 4 pi (sigma^2 + 1/12)`` pixels (King 1983, PASP 95, 163). This is
    the CCD equation (Mortara and Fowler 1981, Proc. SPIE 290; Merline and Howell 1995, Exp.
    Astron. 6, 163) with read noise and dark current included in the measured background noise.
    Without a gain the photon noise of the star is neglected.
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
    area = 4 * np.pi * ((fwhm / FWHM_TO_SIGMA) ** 2 + 1 / 12)
    number = float(weights.sum() ** 2 / np.sum(weights**2))
    gains = column_values(table, "gain")[rows]
    gains = gains[gains > 0]
    photon = 1 / (float(np.median(gains)) * number) if gains.size else 0.0
    sky = depth**2 * area
    flux = _faintest(photon, sky)
    exposure = column_values(table, "exposure")[rows]
    # Both variances are proportional to 1 / (number of frames).
    faint = flux / ONE_MAGNITUDE
    times = (faint * photon + sky) * (LIMIT_SNR / faint) ** 2 if flux > 0 else np.nan
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
    """Flux at which ``F^2 = LIMIT_SNR^2 (F photon + sky)``."""
    half = LIMIT_SNR**2 * photon / 2
    return float(half + np.sqrt(half**2 + LIMIT_SNR**2 * sky))


def trace_trade_off(table: Table, group: str) -> Table:
    """Depth against FWHM as the frames of a group are stacked in order of FWHM.

    Returns
    -------
    `~astropy.table.Table`
        Columns frames, heated (number of heated frames), hours, fwhm [pix], depth [adu]: row k is
        the stack of the k + 1 frames of smallest FWHM in the deep-signal set.
    """
    rows = np.flatnonzero((table["group"] == group) & np.asarray(table["deep_set"], dtype=bool))
    rows = rows[np.argsort(column_values(table, "fwhm")[rows], kind="stable")]
    if not rows.size:
        return Table(
            names=("frames", "heated", "hours", "fwhm", "depth"),
            dtype=(int, int, float, float, float),
        )
    weights = column_values(table, "weight_deep")[rows]
    clear = np.nan_to_num(column_values(table, "transparency")[rows], nan=1.0)
    noise = column_values(table, "noise")[rows] / clear
    total = np.cumsum(weights)
    return Table(
        {
            "frames": np.arange(1, len(rows) + 1),
            "heated": np.cumsum(column_values(table, "heater_share")[rows] > 0.005),
            "hours": np.cumsum(column_values(table, "exposure")[rows]) / 3600,
            "fwhm": np.cumsum(weights * column_values(table, "fwhm")[rows]) / total,
            "depth": np.sqrt(np.cumsum((weights * noise) ** 2)) / total,
        }
    )


def _describe_exceptions(rows: Table) -> list[str]:
    """Sentences on heated frames in the sharp-star set and on frames too blurred for the other."""
    sentences = []
    if "sharp_set" in rows.colnames:
        share = column_values(rows, "heater_share")
        heated = int(np.sum(np.asarray(rows["sharp_set"], dtype=bool) & (share > HEATER_OFF)))
        if heated:
            sentences.append(
                f"{heated} heated {'frame is' if heated == 1 else 'frames are'} in the sharp-star "
                "set: same FWHM as the heater-off frames and no spike (--max-power 0 excludes "
                f"{'it' if heated == 1 else 'them'})."
            )
    blurred = sum("too blurred" in str(reason).split("; ") for reason in rows["reason"])
    if blurred:
        sentences.append(
            f"{blurred} {'frame is' if blurred == 1 else 'frames are'} not in the deep-signal set: "
            "without "
            f"{'it' if blurred == 1 else 'them'} faint stars have higher S/N, or the FWHM exceeds "
            "--deep-max-fwhm."
        )
    return sentences


def advise_sets(rows: Table, sharp: SetSummary, deep: SetSummary) -> list[str]:
    """Sentences on whether a group has enough heater-off frames.

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
    advice = _describe_exceptions(rows)
    states = np.asarray(rows["heater_state"])
    if (states == "unknown").all():
        advice.append(
            "The heater state of all frames is unknown: the frames with the best stars are in the "
            "sharp-star set."
        )
    elif not np.isin(states, ["on", "part"]).any():
        advice.append("No heated frame in this group: the two sets differ by seeing only.")
    if sharp.frames < 5:
        advice.append(
            f"Only {sharp.frames} {'frame' if sharp.frames == 1 else 'frames'} in the sharp-star "
            "set: with fewer than five, satellites and cosmic rays cannot be rejected."
        )
    limit = f"{sharp.limit_flux:.0f} ADU"
    if np.isfinite(sharp.limit_magnitude):
        limit += f" (magnitude {sharp.limit_magnitude:.1f})"
    advice.append(
        f"Stars fainter than {limit} are below S/N 10 in the sharp stack; one magnitude fainter "
        f"needs {sharp.fainter_minutes:.0f} min more with the heater off."
    )
    if sharp.depth > 1.05 * deep.depth:
        advice.append(
            f"The background noise of the deep stack is {sharp.depth / deep.depth:.1f} times lower "
            "than that of the sharp stack."
        )
    return advice
