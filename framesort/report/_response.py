"""The heater's effect: response to power, light against angle, depth against FWHM."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from astropy.table import Table
from matplotlib.axes import Axes
from matplotlib.projections.polar import PolarAxes
from matplotlib.ticker import MaxNLocator
from numpy.typing import ArrayLike, NDArray

from framesort.records import column_values
from framesort.report._columns import as_number, column_truths
from framesort.report._style import INK, MARKERS, QUIET, RULE, STATE_COLOURS, STATES, plain_text
from framesort.report._timeline import states_of

__all__ = ["depth_curve", "draw_depth", "draw_light_by_angle", "draw_response"]

_SERIES = (("o", "-"), ("s", "--"), ("^", "-."), ("D", ":"))
"""Marker and line style of the filters in turn; colour stands for the heater state."""

_QUANTITIES = {
    "fwhm_growth": ("FWHM increase (%)", -1.0),
    "spike": ("light in the spike (%)", 0.0),
}


def draw_response(
    axes: Axes,
    response: Sequence[Mapping[str, Any]],
    *,
    quantity: str = "fwhm_growth",
    highest_acceptable: Sequence[Mapping[str, Any]] = (),
    curve: Sequence[Mapping[str, Any]] = (),
) -> None:
    """Draw FWHM growth or spike against heater power, by filter and exposure.

    Points are measured; dotted curves with their one-sigma band are interpolated.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    response : sequence of mapping
        "response" of night.json: "filter", "exposure" [s], "power" [%], "fwhm_growth"
        (ratio to heater off), "spike" (share) and their "_err". Entries without a number
        are not drawn.
    quantity : str
        "fwhm_growth" or "spike".
    highest_acceptable : sequence of mapping
        "highest_acceptable" of night.json; "power" of each is marked,
        with the range from "power_low" to "power_high" if there.
    curve : sequence of mapping
        "response_curve" of night.json, from which the limits follow: "power", "fwhm_growth",
        "fwhm_growth_low", "fwhm_growth_high". Without it, and for the spike, points are joined.
    """
    label, offset = _QUANTITIES[quantity]
    series: dict[tuple[str, float], list[tuple[float, float, float]]] = {}
    for entry in response:
        power, value = as_number(entry.get("power")), as_number(entry.get(quantity))
        if math.isfinite(power) and math.isfinite(value):
            key = str(entry.get("filter", "")), as_number(entry.get("exposure"))
            error = as_number(entry.get(f"{quantity}_err"))
            series.setdefault(key, []).append((power, value, error))
    # Several filters and exposures are distinguished by marker and dash.
    for k, ((name, exposure), points) in enumerate(series.items()):
        power, value, error = np.array(sorted(points)).T
        marker, dash = _SERIES[k % len(_SERIES)]
        between = _curve_of(curve, name, exposure, quantity)
        if between is not None:
            axes.fill_between(
                between[0], *(100 * (between[2:] + offset)), color=QUIET, alpha=0.2, linewidth=0
            )
            axes.plot(
                between[0], 100 * (between[1] + offset), color=INK, linewidth=1, linestyle=":"
            )
            dash = "none"
        seconds = f", {exposure:g} s" if math.isfinite(exposure) else ""
        axes.errorbar(
            power,
            100 * (value + offset),
            yerr=100 * np.nan_to_num(error),
            color=INK,
            marker=marker,
            markersize=5,
            linestyle=dash if between is not None or len(series) > 1 else ":",
            linewidth=1.1,
            capsize=2,
            fillstyle="full" if k % 2 == 0 else "none",
            label=plain_text(f"{name}{seconds}"),
        )
    for entry in highest_acceptable:
        power = as_number(entry.get("power"))
        if math.isfinite(power):
            axes.axvline(power, color=STATE_COLOURS["off"], linewidth=1, linestyle=(0, (2, 3)))
            low, high = as_number(entry.get("power_low")), as_number(entry.get("power_high"))
            if math.isfinite(low) and math.isfinite(high):
                axes.axvspan(low, high, color=STATE_COLOURS["off"], alpha=0.12, linewidth=0)
    axes.axhline(0, color=RULE, linewidth=0.8, zorder=0)
    axes.set_xlabel("heater power (%)")
    axes.set_ylabel(label)
    axes.set_xlim(-4, 104)
    if len(series) > 1:
        axes.legend(loc="lower right")


def _curve_of(
    curve: Sequence[Mapping[str, Any]], name: str, exposure: float, quantity: str
) -> NDArray[np.float64] | None:
    """Power, growth and its range of one filter and exposure, in that order; None if not there."""
    rows = [
        [
            as_number(entry.get(key))
            for key in ("power", quantity, f"{quantity}_low", f"{quantity}_high")
        ]
        for entry in curve
        if str(entry.get("filter", "")) == name and as_number(entry.get("exposure")) == exposure
    ]
    values = np.array(rows, dtype=float).reshape(-1, 4)
    values = values[np.isfinite(values).all(axis=1)]
    return values.T if len(values) > 1 else None


def draw_light_by_angle(
    axes: PolarAxes, table: Table, *, profiles: Mapping[str, ArrayLike] | None = None
) -> None:
    """Draw the light beside bright stars by angle, two-sided, by heater state.

    Parameters
    ----------
    axes : `~matplotlib.projections.polar.PolarAxes`
        0 degrees is +x of the frame, counter-clockwise.
    table : `~astropy.table.Table`
        frames.ecsv: `spike_strength`, `spike_angle`, `heater_state`. Frames without them, or
        whose spike is not above zero, are not drawn.
    profiles : mapping of str to (n,) array_like, or None
        Heater state to the mean light beside the star, as a share of the star's light, in n
        equal bins of angle over [0, 180) (`spike_profile` of
        `~framesort.records.FrameQuality`). Drawn as closed curves about the circle of zero
        instead of the spikes of single frames.
    """
    curves = {s: 100 * _as_profile(p) for s, p in (profiles or {}).items() if s in STATES}
    curves = {s: p for s, p in curves.items() if p.size and np.isfinite(p).all()}
    if curves:
        _draw_profiles(axes, curves)
    else:
        _draw_spikes(axes, table)
    axes.set_rlabel_position(112)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g} %")
    axes.yaxis.set_major_locator(MaxNLocator(nbins=3, prune="lower"))
    axes.set_xticks(np.radians([0, 45, 90, 135, 180, 225, 270, 315]))
    axes.grid(color=RULE, linewidth=0.6)


def _as_profile(values: ArrayLike) -> NDArray[np.float64]:
    """Numbers of a profile; empty if there are none."""
    try:
        return np.atleast_1d(np.asarray(values, dtype=float))
    except (TypeError, ValueError):
        return np.empty(0)


def _draw_profiles(axes: PolarAxes, curves: Mapping[str, NDArray[np.float64]]) -> None:
    """Closed curves of percent, with the circle of zero."""
    low = min(float(curve.min()) for curve in curves.values())
    top = max(float(curve.max()) for curve in curves.values())
    for state, curve in curves.items():
        step = np.pi / curve.size
        angle = step * (np.arange(2 * curve.size + 1) + 0.5)
        axes.plot(
            angle,
            np.concatenate([curve, curve, curve[:1]]),
            color=STATE_COLOURS[state],
            linewidth=1.5,
            linestyle="-" if state != "part" else "--",
        )
    full = np.linspace(0, 2 * np.pi, 181)
    axes.plot(full, np.zeros_like(full), color=QUIET, linewidth=0.9, linestyle=(0, (5, 4)))
    # Leave space inside the circle of zero for negative values.
    axes.set_rlim(min(1.1 * low, -0.5 * max(top, 1e-9)), 1.1 * max(top, 1e-9))


def _draw_spikes(axes: PolarAxes, table: Table) -> None:
    """Two opposite strokes per frame at the angle of its spike, as long as its strength."""
    strength, angle = column_values(table, "spike_strength"), column_values(table, "spike_angle")
    states = states_of(table)
    good = np.isfinite(strength) & np.isfinite(angle) & (strength > 0)
    for state in STATES:
        for i in np.flatnonzero(good & (states == state)):
            both = np.radians([angle[i], angle[i] + 180])
            axes.plot(
                both,
                [100 * strength[i]] * 2,
                color=STATE_COLOURS[state],
                linewidth=0,
                marker=MARKERS[state],
                markersize=3.5,
            )
            for side in both:
                axes.plot(
                    [side, side],
                    [0, 100 * strength[i]],
                    color=STATE_COLOURS[state],
                    linewidth=0.8,
                    alpha=0.5,
                )
    axes.set_rlim(0, 110 * float(strength[good].max()) if good.any() else 1.0)


def _frame_weights(table: Table) -> NDArray[np.float64]:
    """(transparency / noise)^2 of each frame; 0 where it or the FWHM is not known."""
    noise, clear = column_values(table, "noise"), column_values(table, "transparency")
    clear = np.where(np.isfinite(clear), clear, 1.0)
    good = np.isfinite(column_values(table, "fwhm")) & (noise > 0) & (clear > 0)
    return np.where(good, clear / np.where(good, noise, 1.0), 0.0) ** 2


def depth_curve(table: Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Depth and FWHM of the n sharpest frames of one group, for every n.

    Parameters
    ----------
    table : `~astropy.table.Table`
        Frames of one group: `fwhm`, `noise` and, if there, `transparency`.

    Returns
    -------
    fwhm : (n,) float ndarray
        Mean FWHM with inverse-variance weights, pixels.
    depth : (n,) float ndarray
        S/N per pixel of faint extended light, relative to that of all frames.

    Notes
    -----
    A frame of transparency t and noise s has weight (t / s)^2; the S/N of the weighted mean is
    the square root of the sum of the weights (inverse-variance weighting).
    """
    fwhm, weight = column_values(table, "fwhm"), _frame_weights(table)
    good = weight > 0
    order = np.argsort(fwhm[good], kind="stable")
    fwhm, weight = fwhm[good][order], weight[good][order]
    total = np.cumsum(weight)
    if not total.size:
        return np.empty(0), np.empty(0)
    return np.cumsum(weight * fwhm) / total, np.sqrt(total / total[-1])


def draw_depth(axes: Axes, table: Table) -> None:
    """Draw depth against FWHM of a stack of the n sharpest frames of a group, for every n.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    table : `~astropy.table.Table`
        Frames of one group, columns as for `depth_curve`; with `sharp_set` and `deep_set`
        the two sets are marked.
    """
    fwhm, depth = depth_curve(table)
    axes.set_xlabel("mean FWHM (px)")
    axes.set_ylabel("depth (% of all frames)")
    if not fwhm.size:
        axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", va="center")
        return
    axes.plot(fwhm, 100 * depth, color=QUIET, linewidth=1, marker=".", markersize=3)
    weight = _frame_weights(table)
    width = np.where(weight > 0, column_values(table, "fwhm"), 0.0)
    for kind, filling in (("sharp", "full"), ("deep", "none")):
        chosen = np.where(column_truths(table, f"{kind}_set"), weight, 0.0)
        if chosen.any():
            x = float(chosen @ width / chosen.sum())
            y = 100 * float(np.sqrt(chosen.sum() / weight.sum()))
            axes.plot(
                [x], [y], marker="o", markersize=8, fillstyle=filling, color=INK, linestyle="none"
            )
            axes.annotate(
                f"{kind} set", (x, y), xytext=(9, -5), textcoords="offset points", va="top"
            )
    axes.set_ylim(0, 108)
    low, high = axes.get_xlim()
    axes.set_xlim(low, high + 0.22 * (high - low))
