"""Figures of a comparison: effects against power, profiles of the mean stars."""

import math
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes

from framesort.records import QUANTITIES, Comparison, Effect, MeanStar
from framesort.report._layout import WIDTH, PageFigure, make_page_figure, make_panels
from framesort.report._phrases import name_filter
from framesort.report._style import (
    CONFIGURATION_COLOURS,
    CONFIGURATION_MARKERS,
    RULE,
    name_panel,
    plain_text,
    style_axes,
)

__all__ = [
    "draw_effects",
    "draw_star_profiles",
    "make_comparison_figures",
    "power_levels",
    "same_power",
    "unit_of",
]

_FIRST = ("fwhm_growth", "blur", "kernel_blur", "spike")
"""Quantities shown first; the others are in a figure of their own."""

_COLUMNS = 2

_APART = 1.6
"""Distance of the markers of configurations at one power, percent."""

_LEVEL = 2.5
"""Powers closer than this, in percent, are one."""

_REACH = 8.0
"""Distance to which profiles are drawn, in FWHM of the widest star."""

_LOWEST = 1e-4
"""Lowest light of a profile that is drawn, as a share of the centre."""


def same_power(one: float, other: float) -> bool:
    """Whether two powers in percent count as one."""
    return abs(one - other) <= _LEVEL


def power_levels(stars: Sequence[MeanStar]) -> list[float]:
    """Powers of mean stars, increasing, those that count as one only once."""
    powers: list[float] = []
    for power in sorted({star.power for star in stars}):
        if not (powers and same_power(powers[-1], power)):
            powers.append(power)
    return powers


def unit_of(quantity: str, unit: str) -> tuple[str, float]:
    """Unit of a quantity on the page, and what its values are multiplied with.

    Parameters
    ----------
    quantity : str
        A key of `framesort.records.QUANTITIES`.
    unit : str
        Of angles: "arcsec" or "px".
    """
    kind = QUANTITIES[quantity].unit
    return ("%", 100.0) if kind == "share" else (unit, 1.0) if kind == "angle" else ("", 1.0)


def draw_effects(
    axes: Axes, comparison: Comparison, quantity: str, *, filter_name: str, exposure: float
) -> None:
    """Draw a quantity against heater power, a series for each configuration.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    comparison : Comparison
    quantity : str
        A key of `framesort.records.QUANTITIES`.
    filter_name : str
    exposure : float
        Seconds. Effects of this filter and exposure are drawn: thick bars are ranges of 68 %,
        thin ones of 95 %.
    """
    unit, factor = unit_of(quantity, comparison.unit)
    names = [one.name for one in comparison.configurations]
    for k, name in enumerate(names):
        mine = [
            effect
            for effect in comparison.effects
            if (effect.configuration, effect.quantity) == (name, quantity)
            and (effect.filter, effect.exposure) == (filter_name, exposure)
            and math.isfinite(effect.value.value)
        ]
        if not mine:
            continue
        shift = _APART * (k - (len(names) - 1) / 2)
        _draw_series(axes, mine, shift=shift, factor=factor, number=k, name=name)
    axes.axhline(0, color=RULE, linewidth=0.8, zorder=0)
    axes.set_xlim(-5, 107)
    axes.set_xlabel("heater power (%)")
    axes.set_ylabel(f"{QUANTITIES[quantity].label}{f' ({unit})' if unit else ''}")


def _draw_series(
    axes: Axes, effects: Sequence[Effect], *, shift: float, factor: float, number: int, name: str
) -> None:
    """The points of one configuration with both ranges."""
    colour = CONFIGURATION_COLOURS[number % len(CONFIGURATION_COLOURS)]
    effects = sorted(effects, key=lambda effect: effect.power)
    power = [effect.power + shift for effect in effects]
    value = [factor * effect.value.value for effect in effects]
    for low, high, width in (("low95", "high95", 1.0), ("low", "high", 3.0)):
        axes.vlines(
            power,
            [factor * getattr(effect.value, low) for effect in effects],
            [factor * getattr(effect.value, high) for effect in effects],
            color=colour,
            linewidth=width,
        )
    axes.plot(
        power,
        value,
        color=colour,
        marker=CONFIGURATION_MARKERS[number % len(CONFIGURATION_MARKERS)],
        markersize=6,
        linestyle=":",
        linewidth=1,
        label=plain_text(name),
    )


def draw_star_profiles(
    axes: Axes, stars: Sequence[MeanStar], *, kind: str, names: Sequence[str] = ()
) -> None:
    """Draw profiles of mean stars; dashed lines are those with the heater off.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    stars : sequence of MeanStar
        One of each power and configuration; those without this profile are not drawn.
    kind : str
        "radial", "along" or "across" the spike.
    names : sequence of str
        Of all configurations, in the order of their colours; those of the stars if empty.
    """
    names = list(names) or list(dict.fromkeys(star.configuration for star in stars))
    for star in stars:
        values = np.array(getattr(star, kind), dtype=float)
        if not len(values):
            continue
        off = star.power == 0
        number = names.index(star.configuration)
        axes.plot(
            star.radius[: len(values)],
            np.where(values > _LOWEST, values, np.nan),
            color=CONFIGURATION_COLOURS[number % len(CONFIGURATION_COLOURS)],
            linewidth=1.0 if off else 1.8,
            linestyle=(0, (3, 2)) if off else "-",
            label=plain_text(f"{star.configuration}, {'off' if off else f'{star.power:.0f} %'}"),
        )
    axes.set_yscale("log")
    axes.set_ylim(_LOWEST, 1.5)
    axes.set_xlim(0, _REACH * max((star.fwhm for star in stars), default=1.0))
    axes.set_xlabel(f"distance from the star ({stars[0].unit if stars else 'px'})")
    axes.set_ylabel("light, of the centre")


def make_comparison_figures(comparison: Comparison) -> dict[str, list[PageFigure]]:
    """Figures by section of the page: "effects", "others" and "profiles"."""
    groups = list(dict.fromkeys((e.filter, e.exposure) for e in comparison.effects))
    found: dict[str, list[PageFigure]] = {"effects": [], "others": [], "profiles": []}
    for number, group in enumerate(groups):
        known = {
            effect.quantity
            for effect in comparison.effects
            if (effect.filter, effect.exposure) == group and math.isfinite(effect.value.value)
        }
        for section in ("effects", "others"):
            first = section == "effects"
            names = [name for name in QUANTITIES if name in known and (name in _FIRST) == first]
            if names:
                prefix = f"{section}{number}"
                found[section].append(_effects_figure(comparison, names, group, prefix))
    for number, pair in enumerate(dict.fromkeys((s.filter, s.exposure) for s in comparison.stars)):
        figure = _profiles_figure(comparison, pair, f"profiles{number}")
        found["profiles"] += [figure] if figure is not None else []
    return found


def _effects_figure(
    comparison: Comparison, names: Sequence[str], group: tuple[str, float], prefix: str
) -> PageFigure:
    rows = -(-len(names) // _COLUMNS)
    figure, panels = make_panels(rows, _COLUMNS, height=2.5)
    for axes, quantity in zip(panels.flat, names, strict=False):
        draw_effects(axes, comparison, quantity, filter_name=group[0], exposure=group[1])
        style_axes(axes)
    for axes in panels.flat[len(names) :]:
        axes.set_axis_off()
    panels.flat[0].legend(loc="best")
    style_axes(panels.flat[0])
    texts = " ".join(
        f"{QUANTITIES[name].label[0].upper()}{QUANTITIES[name].label[1:]}: {QUANTITIES[name].text}."
        for name in names
    )
    return make_page_figure(
        figure,
        title=name_filter(*group),
        caption=f"Thick bars contain the true value with a probability of 68 %, thin ones with "
        f"95 %. {texts}",
        prefix=prefix,
    )


def _profiles_figure(
    comparison: Comparison, group: tuple[str, float], prefix: str
) -> PageFigure | None:
    """Radial profiles and those along the spike, a column for each power; None without heated."""
    stars = [star for star in comparison.stars if (star.filter, star.exposure) == group]
    powers = power_levels([star for star in stars if star.power > 0])
    if not powers:
        return None
    powers = powers[-3:]  # the strongest; the others are in comparison.json
    kinds = [kind for kind in ("radial", "along") if any(getattr(star, kind) for star in stars)]
    figure, panels = make_panels(len(kinds), len(powers), height=2.5, sharex=True, sharey=True)
    names = [one.name for one in comparison.configurations]
    words = {"radial": "radial", "along": "along the spike"}
    for row, kind in zip(panels, kinds, strict=True):
        for column, (axes, power) in enumerate(zip(row, powers, strict=True)):
            shown = [s for s in stars if s.power == 0 or same_power(s.power, power)]
            draw_star_profiles(axes, shown, kind=kind, names=names)
            name_panel(axes, f"{power:.0f} %, {words[kind]}")
            axes.set_xlabel(axes.get_xlabel() if kind == kinds[-1] else "")
            axes.set_ylabel(axes.get_ylabel() if column == 0 else "")
            style_axes(axes)
    panels[0, 0].legend(loc="upper right")
    style_axes(panels[0, 0])
    figure.set_size_inches(WIDTH, figure.get_figheight())
    return make_page_figure(
        figure,
        title=f"Mean star, {name_filter(*group)}",
        caption="Solid: heated. Dashed: heater off, in the same configuration. Each curve is "
        "divided by the central value with the heater off.",
        prefix=prefix,
    )
