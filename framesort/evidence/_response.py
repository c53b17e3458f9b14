"""Growth of FWHM and spike with heater power, by filter and exposure."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.evidence._drift import fit_with_drift
from framesort.evidence._limits import describe_limits, draw_curves, find_spike_range
from framesort.evidence._series import group_names
from framesort.records import column_values, unix_seconds

__all__ = ["Response", "along_heater", "estimate_response"]

Floats = NDArray[np.float64]
_Row = tuple[Any, ...]

_LEVEL = 2.5
"""Powers closer than this, in percent, are one level."""

_FEWEST = 3
"""Minimum number of frames with the heater off, and at a power, for a result."""

SEEING = 0.06
"""Typical change of log FWHM over an hour, by seeing and focus (common practice)."""

_SCALE = 0.08
"""Relative uncertainty of a spike's share, which depends on the profile of the stars: scatter of
measured over true shares on simulated nights."""


@dataclass(frozen=True, kw_only=True)
class Response:
    """Response of the stars to heater power.

    Attributes
    ----------
    points : `~astropy.table.Table`
        A row for each filter, exposure and power measured: filter, exposure [s], power
        [%], frames, fwhm_growth (FWHM over that with the heater off), fwhm_growth_err,
        blur [pix] (added in quadrature it gives that growth), blur_err, spike (excess share of
        the light of the stars along the heater's spike), spike_err.
    curve : `~astropy.table.Table`
        Growth at every whole percent up to the highest power measured: filter, exposure [s],
        power [%], fwhm_growth (from which the limits follow), fwhm_growth_low,
        fwhm_growth_high (one sigma), measured (a power of `points` is within 2.5 %).
    highest_acceptable : `~astropy.table.Table`
        A row for each filter and exposure: filter, exposure [s], power, power_low, power_high
        [%] (the highest power at which the FWHM grows by less than `max_growth`, and its
        one-sigma range; NaN where not known), spike_above, spike_below [%] (highest power
        without, lowest power with a spike), sentence.
    max_growth : float
        Largest acceptable growth of the FWHM, a share.
    """

    points: Table
    highest_acceptable: Table
    curve: Table
    max_growth: float = 0.05


def estimate_response(
    table: Table, *, max_growth: float = 0.05, rng: np.random.Generator | None = None
) -> Response:
    """Measure growth of the FWHM and strength of the spike against heater power.

    For each filter and exposure ``log FWHM = level + drift(t) + growth(power) + scatter`` is
    fitted to all frames at once, with the drift of seeing and focus as a random walk whose
    size is estimated from the frames. Frames heated for a part of the exposure are not used. For
    frames known to be heated from their stars, at unknown power, one growth is measured, with
    power NaN.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Needs start, exposure, filter, heater_share, heater_power, fwhm; spike_strength,
        spike_strength_err and spike_angle where known. Rows with NaN in a required column are
        not used.
    max_growth : float
        Largest acceptable growth of the FWHM, a share.
    rng : `~numpy.random.Generator` or None
        For the range of the highest acceptable power; None for a fixed seed.

    Returns
    -------
    Response
        Empty tables have the same columns; for a group with too few frames the sentence states
        it.

    Notes
    -----
    Blur is ``sqrt(FWHM^2 - FWHM_off^2)``. Only Gaussian widths add in quadrature; for profiles
    with wings the sum is 2 to 8 % wider, so blur is a measure, not the width of a kernel.
    `fwhm_growth` is valid for any profile.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    names = group_names(table)
    start, fwhm = unix_seconds(table["start"]), column_values(table, "fwhm")
    share, power = column_values(table, "heater_share"), column_values(table, "heater_power")
    whole = (share >= 0.98) | (share <= 0.005)
    if "heater_state" in table.colnames:
        whole &= np.asarray(table["heater_state"], dtype=str) != "part"
    good = np.isfinite(start) & (fwhm > 0) & whole
    points, limits, curves = [], [], []
    for name in sorted({name for name, ok in zip(names, good, strict=True) if ok}):
        mine = good & np.array([other == name for other in names])
        blind = mine & (share > 0.005) & np.isnan(power)
        # Frames of unknown power are used only where no power is known.
        unknown_power = bool(blind.any()) and not np.any(mine & (share > 0.005) & ~blind)
        if not unknown_power:
            mine &= ~blind
        order = np.flatnonzero(mine)[np.argsort(start[mine], kind="stable")]
        level = np.where(share <= 0.005, 0.0, np.where(blind, 100.0, power))
        rows, limit, curve = _fit_group(
            name,
            start[order],
            fwhm[order],
            level[order],
            along_heater(
                column_values(table, "spike_strength")[order],
                column_values(table, "spike_angle")[order],
                column_values(table, "spike_strength_err")[order],
                level[order],
            ),
            column_values(table, "spike_strength_err")[order],
            max_growth,
            rng,
        )
        if unknown_power and rows:
            rows, limit, curve = _without_power(rows, limit)
        points += rows
        limits.append(limit)
        curves += curve
    return Response(
        points=_table(points, _POINTS),
        highest_acceptable=_table(limits, _LIMITS),
        curve=_table(curves, _CURVE),
        max_growth=max_growth,
    )


def _without_power(rows: list[_Row], limit: _Row) -> tuple[list[_Row], _Row, list[_Row]]:
    """Results for heated frames of unknown power: off, and one level without a power."""
    rows = [rows[0], *((*row[:2], np.nan, *row[3:]) for row in rows[1:])]
    frames, growth, error = rows[1][3:6]
    sentence = (
        f"FWHM up {100 * (growth - 1):.0f} ± {100 * error:.0f} % in {frames} frames that are "
        f"heated according to their stars, relative to {rows[0][3]} heater-off frames; their "
        "power is unknown: a limit needs a heater log."
    )
    return rows, (*limit[:2], *[np.nan] * 5, sentence), []


_POINTS: tuple[str, ...] = (
    "filter",
    "exposure",
    "power",
    "frames",
    "fwhm_growth",
    "fwhm_growth_err",
    "blur",
    "blur_err",
    "spike",
    "spike_err",
)
_CURVE: tuple[str, ...] = (
    "filter",
    "exposure",
    "power",
    "fwhm_growth",
    "fwhm_growth_low",
    "fwhm_growth_high",
    "measured",
)
_LIMITS: tuple[str, ...] = (
    "filter",
    "exposure",
    "power",
    "power_low",
    "power_high",
    "spike_above",
    "spike_below",
    "sentence",
)
_UNITS = {"exposure": "s", "blur": "pix", "blur_err": "pix", "power": "percent"}
_UNITS |= {name: "percent" for name in ("power_low", "power_high", "spike_above", "spike_below")}


def _table(rows: list[_Row], names: tuple[str, ...]) -> Table:
    kinds = {"filter": object, "sentence": object, "frames": int, "measured": bool}
    table = Table()
    for i, name in enumerate(names):
        table[name] = np.array([row[i] for row in rows], dtype=kinds.get(name, float))
        if name in _UNITS:
            table[name].unit = _UNITS[name]
    return table


def find_levels(power: Floats) -> tuple[Floats, NDArray[np.intp]]:
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
    spike: Floats,
    spike_err: Floats,
    max_growth: float,
    rng: np.random.Generator,
) -> tuple[list[_Row], _Row, list[_Row]]:
    """Rows of points, highest_acceptable and curve of one filter and exposure."""
    levels, number = find_levels(power)
    counts = np.bincount(number, minlength=len(levels))
    used = [k for k in range(1, len(levels)) if counts[k] >= _FEWEST]
    nan = np.nan
    if counts[0] < _FEWEST or not used:
        heated = int(counts[1:].sum())
        sentence = (
            f"Too few frames to measure the heater's effect: {counts[0]} with the heater off and "
            f"{heated} heated; {_FEWEST} with the heater off and {_FEWEST} at one power are needed."
        )
        return [], (*name, nan, nan, nan, nan, nan, sentence), []
    keep = (number == 0) | np.isin(number, used)
    start, fwhm, number, spike, spike_err = (
        a[keep] for a in (start, fwhm, number, spike, spike_err)
    )
    design = np.column_stack([np.ones(len(fwhm)), *((number == k).astype(float) for k in used)])
    fit = fit_with_drift(start / 3600.0, np.log(fwhm), design, typical=SEEING)
    off_fwhm = float(np.median(fwhm[number == 0]))
    spikes = [_mean_spike(spike[number == k], spike_err[number == k]) for k in (0, *used)]
    errors = np.sqrt(np.diag(fit.covariance))
    rows = [(*name, 0.0, int(counts[0]), 1.0, 0.0, 0.0, 0.0, *spikes[0])]
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
            + spikes[i]
        )
    drawn = draw_curves(levels[used], fit.value[1:], fit.covariance[1:, 1:], rng)
    limit = drawn.find_limit(max_growth)
    above, below = find_spike_range(levels[[0, *used]], spikes)
    sentence = describe_limits(limit, above, below, max_growth, levels[used])
    powers = np.unique(np.r_[np.arange(np.floor(levels[used].max()) + 1), levels[used]])
    middle, low, high = drawn.growth_at(powers)
    close = np.abs(powers[:, None] - levels[[0, *used]]).min(axis=1) <= _LEVEL
    curve = list(zip(powers, middle, low, high, close, strict=True))
    return rows, (*name, *limit, above, below, sentence), [(*name, *row) for row in curve]


def along_heater(strength: Floats, angle: Floats, error: Floats, power: Floats) -> Floats:
    """Component of each frame's spike along that of the heater.

    A frame's strength is the maximum over all angles and so above zero without any spike; as
    vectors, ``strength * (cos 2a, sin 2a)``, such spikes cancel. The direction of the heater is
    that of the sum over heated frames, weighted by power. The strength itself if no angle is
    known.
    """
    if not np.isfinite(angle).any():
        return strength
    vector = strength * np.exp(2j * np.radians(angle))
    known = np.isfinite(vector) & (error > 0) & (power > 0)
    total = complex(np.sum(vector[known] * power[known] / error[known] ** 2))
    direction = total / abs(total) if total else 1.0
    return np.asarray((vector * np.conj(direction)).real)


def _mean_spike(spike: Floats, error: Floats) -> tuple[float, float]:
    """Weighted mean strength; its error is the larger of stated and observed, plus the scale's."""
    good = np.isfinite(spike) & (error > 0)
    if not good.any():
        return np.nan, np.nan
    weight = 1 / error[good] ** 2
    mean = float(weight @ spike[good] / weight.sum())
    stated = 1 / weight.sum()
    seen = float(weight**2 @ (spike[good] - mean) ** 2 / weight.sum() ** 2) if good.sum() > 2 else 0
    return mean, float(np.hypot(np.sqrt(max(stated, seen)), _SCALE * mean))
