"""What heater power does to star width and line of light, by filter and exposure."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence._drift import fit_with_drift
from framesort.evidence._series import group_names, start_seconds
from framesort.records import column_values

__all__ = ["Response", "estimate_response"]

Floats = NDArray[np.float64]
_Row = tuple[Any, ...]

_LEVEL = 2.5
"""Powers closer than this, in percent, are one level."""

_FEWEST = 3
"""Frames with the heater off, and at a power, below which nothing is said."""

_SEEING = 0.06
"""Typical change of log FWHM over an hour, by seeing and focus (common practice)."""

_DRAWS = 2000
"""Draws from the fit's uncertainty for limits that are not linear in it."""


@dataclass(frozen=True, kw_only=True)
class Response:
    """What heater power does to the stars.

    Attributes
    ----------
    points : `~astropy.table.Table`
        A row for each filter, exposure and power measured: filter, exposure [s], power
        [%], frames, fwhm_growth (FWHM over that with the heater off), fwhm_growth_err,
        blur [pix] (what added in quadrature gives that growth), blur_err, line (excess share
        of the stars' light), line_err.
    tolerable : `~astropy.table.Table`
        A row for each filter and exposure: filter, exposure [s], power, power_low, power_high
        [%] (the highest power that costs less than `cost` in FWHM, and its one-sigma range; NaN
        where not known), line_above, line_below [%] (highest power without, lowest power
        with a line), sentence.
    cost : float
        Growth of the FWHM that counts as tolerable, a share.
    """

    points: Table
    tolerable: Table
    cost: float = 0.05


def estimate_response(
    table: Table, *, cost: float = 0.05, rng: np.random.Generator | None = None
) -> Response:
    """Measure growth of the FWHM and strength of the line against heater power.

    For each filter and exposure ``log FWHM = level + drift(t) + growth(power) + scatter`` is
    fitted to all frames at once, with the drift of seeing and focus as a random walk whose
    size the frames themselves tell. Frames heated for a part of the exposure are left out.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, filter, heater_share, heater_power, fwhm; line_strength and
        line_strength_err where known. Rows with NaN in what is needed are left out.
    cost : float
        Tolerable growth of the FWHM, a share.
    rng : `~numpy.random.Generator` or None
        Dice for the range of the tolerable power; None for a fixed seed.

    Returns
    -------
    Response
        Empty tables have the same columns; a group with too few frames has a sentence
        that says so.

    Notes
    -----
    Blur is ``sqrt(FWHM^2 - FWHM_off^2)``. Widths add so only for Gaussian profiles; for
    winged ones the sum is 2 to 8 % wider than that, so blur is a measure, not the width of a
    kernel. `fwhm_growth` holds for any profile.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    names = group_names(table)
    start, fwhm = start_seconds(table), column_values(table, "fwhm")
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    whole = (share >= 0.98) | (share <= 0.005)
    good = np.isfinite(start) & (fwhm > 0) & whole & np.isfinite(power)
    points, limits = [], []
    for name in sorted({name for name, ok in zip(names, good, strict=True) if ok}):
        mine = good & np.array([other == name for other in names])
        order = np.flatnonzero(mine)[np.argsort(start[mine], kind="stable")]
        rows, limit = _fit_group(
            name,
            start[order],
            fwhm[order],
            np.where(share[order] <= 0.005, 0.0, power[order]),
            column_values(table, "line_strength")[order],
            column_values(table, "line_strength_err")[order],
            cost,
            rng,
        )
        points += rows
        limits.append(limit)
    return Response(points=_table(points, _POINTS), tolerable=_table(limits, _LIMITS), cost=cost)


_POINTS: tuple[str, ...] = (
    "filter",
    "exposure",
    "power",
    "frames",
    "fwhm_growth",
    "fwhm_growth_err",
    "blur",
    "blur_err",
    "line",
    "line_err",
)
_LIMITS: tuple[str, ...] = (
    "filter",
    "exposure",
    "power",
    "power_low",
    "power_high",
    "line_above",
    "line_below",
    "sentence",
)
_UNITS = {"exposure": "s", "blur": "pix", "blur_err": "pix", "power": "percent"}
_UNITS |= {name: "percent" for name in ("power_low", "power_high", "line_above", "line_below")}


def _table(rows: list[_Row], names: tuple[str, ...]) -> Table:
    kinds = {"filter": object, "sentence": object, "frames": int}
    table = Table()
    for i, name in enumerate(names):
        table[name] = np.array([row[i] for row in rows], dtype=kinds.get(name, float))
        if name in _UNITS:
            table[name].unit = _UNITS[name]
    return table


def _levels(power: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Mean power of each level and the level of each frame; level 0 is off."""
    order = np.argsort(power, kind="stable")
    apart = np.diff(power[order]) > _LEVEL
    first_on = np.r_[False, (power[order][1:] > 0) & (power[order][:-1] == 0)]
    number = np.empty(len(power), dtype=np.intp)
    number[order] = np.cumsum(np.r_[False, apart] | first_on)
    if power.min() > 0:
        number += 1
    levels = np.array([0.0, *(power[number == k].mean() for k in range(1, number.max() + 1))])
    return levels, number


def _fit_group(
    name: tuple[str, float],
    start: Floats,
    fwhm: Floats,
    power: Floats,
    line: Floats,
    line_err: Floats,
    cost: float,
    rng: np.random.Generator,
) -> tuple[list[_Row], _Row]:
    """Rows of `points` and the row of `tolerable` of one filter and exposure."""
    levels, number = _levels(power)
    counts = np.bincount(number, minlength=len(levels))
    used = [k for k in range(1, len(levels)) if counts[k] >= _FEWEST]
    nan = np.nan
    if counts[0] < _FEWEST or not used:
        heated = int(counts[1:].sum())
        sentence = (
            f"Too few frames to tell what the heater costs: {counts[0]} with the heater off and "
            f"{heated} heated, {_FEWEST} and {_FEWEST} at one power are needed."
        )
        return [], (*name, nan, nan, nan, nan, nan, sentence)
    keep = (number == 0) | np.isin(number, used)
    start, fwhm, number, line, line_err = (a[keep] for a in (start, fwhm, number, line, line_err))
    design = np.column_stack([np.ones(len(fwhm)), *((number == k).astype(float) for k in used)])
    fit = fit_with_drift(start / 3600.0, np.log(fwhm), design, typical=_SEEING)
    off_fwhm = float(np.median(fwhm[number == 0]))
    lines = [_mean_line(line[number == k], line_err[number == k]) for k in (0, *used)]
    errors = np.sqrt(np.diag(fit.covariance))
    rows = [(*name, 0.0, int(counts[0]), 1.0, 0.0, 0.0, 0.0, *lines[0])]
    for i, k in enumerate(used, 1):
        growth = float(np.exp(fit.value[i]))
        blur2 = growth**2 - 1
        blur = off_fwhm * np.sqrt(max(blur2, 0.0))
        # d blur = off^2 growth^2 d(log growth) / blur; near zero blur the error is that of
        # a blur as large as the error of its square.
        step = off_fwhm**2 * growth**2 * errors[i]
        blur_err = float(step / max(blur, np.sqrt(step)))
        rows.append(
            (*name, levels[k], int(counts[k]), growth, growth * errors[i], blur, blur_err)
            + lines[i]
        )
    limit = _find_limit(levels[used], fit.value[1:], fit.covariance[1:, 1:], cost, rng)
    above, below = _line_range(levels[[0, *used]], lines)
    sentence = _tell(limit, above, below, cost, levels[used])
    return rows, (*name, *limit, above, below, sentence)


def _mean_line(line: Floats, error: Floats) -> tuple[float, float]:
    """Weighted mean strength; its error is the larger of stated and observed."""
    good = np.isfinite(line) & (error > 0)
    if not good.any():
        return np.nan, np.nan
    weight = 1 / error[good] ** 2
    mean = float(weight @ line[good] / weight.sum())
    stated = 1 / weight.sum()
    seen = float(weight**2 @ (line[good] - mean) ** 2 / weight.sum() ** 2) if good.sum() > 2 else 0
    return mean, float(np.sqrt(max(stated, seen)))


def _find_limit(
    levels: Floats, growth: Floats, covariance: Floats, cost: float, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Highest power that costs less than `cost`, and its range.

    Blur rises from 0 at no power through the levels measured; how it bends between
    them is not known, so each draw bends it by a power of 0.6 to 1.7. Inf: even the highest
    power measured costs less.
    """
    # Rounding can leave the covariance a hair off positive: draw from its eigenvectors.
    size, axes = np.linalg.eigh(covariance)
    draws = rng.standard_normal((_DRAWS, len(growth))) * np.sqrt(np.maximum(size, 0.0))
    blur = np.sqrt(np.maximum(np.exp(2 * (growth + draws @ axes.T)) - 1, 0.0))
    blur = np.column_stack([np.zeros(_DRAWS), np.maximum.accumulate(blur, axis=1)])
    power = np.r_[0.0, levels]
    target = np.sqrt((1 + cost) ** 2 - 1)
    bend = np.exp(rng.uniform(np.log(0.6), np.log(1.7), _DRAWS))
    found = np.full(_DRAWS, np.inf)
    above = blur >= target
    crossed = above.any(axis=1)
    k = np.argmax(above, axis=1)[crossed]
    rows = np.flatnonzero(crossed)
    low, high = blur[rows, k - 1], blur[rows, k]
    part = ((target - low) / np.maximum(high - low, 1e-12)) ** (1 / bend[rows])
    found[rows] = power[k - 1] + part * (power[k] - power[k - 1])
    low, middle, high = np.quantile(found, [0.16, 0.5, 0.84], method="nearest")
    return float(middle), float(low), float(high)


def _line_range(levels: Floats, lines: list[tuple[float, float]]) -> tuple[float, float]:
    """Highest power below the first line seen at 3 sigma, and that power."""
    seen = np.array([value > 3 * error if error > 0 else False for value, error in lines])
    known = np.array([np.isfinite(value) for value, _ in lines])
    seen[0] = False
    if not known[1:].any():
        return np.nan, np.nan
    if not seen.any():
        return float(levels[known].max()), np.nan
    first = int(np.argmax(seen))
    return float(levels[:first].max()), float(levels[first])


def _tell(
    limit: tuple[float, float, float], above: float, below: float, cost: float, levels: Floats
) -> str:
    percent = f"{100 * cost:.0f} %"
    top = float(levels.max())
    middle, low, high = limit
    if np.isinf(middle):
        text = f"Up to {top:.0f} % power, the highest measured, costs less than {percent} in FWHM"
        text += "." if np.isinf(low) else f", but {low:.0f} % might already cost that much."
    else:
        upper = f"{high:.0f}" if np.isfinite(high) else f"{top:.0f} or more"
        text = (
            f"Up to about {middle:.0f} % power (between {low:.0f} and {upper}) costs less than "
            f"{percent} in FWHM."
        )
    if np.isfinite(below):
        between = f"between {above:.0f} and {below:.0f} %" if above > 0 else f"by {below:.0f} %"
        text += f" The line of light appears {between}."
    elif np.isfinite(above):
        text += f" No line of light was seen up to {above:.0f} %."
    return text
