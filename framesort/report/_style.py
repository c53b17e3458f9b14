"""Colours, markers and words common to all plots of the report.

States differ in colour, lightness and marker, so that no reader depends on hue. ``pages.css`` has
the same colours as custom properties and replaces them in dark mode.
"""

from typing import Any

from matplotlib.axes import Axes

__all__ = [
    "COLOURS",
    "CONFIGURATION_COLOURS",
    "CONFIGURATION_MARKERS",
    "INK",
    "MARKERS",
    "QUIET",
    "RULE",
    "STATES",
    "STATE_COLOURS",
    "name_panel",
    "plain_text",
    "style_axes",
]

INK = "#22292d"
QUIET = "#6d767b"
RULE = "#c4c6bf"
STATE_COLOURS = {"off": "#0b5f86", "part": "#d8a200", "on": "#b5431c", "unknown": "#8b9094"}
STATES = tuple(STATE_COLOURS)
MARKERS = {"off": "o", "part": "D", "on": "s", "unknown": "x"}
"""Filled circle, diamond, square, cross."""

CONFIGURATION_COLOURS = ("#4a3f94", "#1f7a4d", "#a0457f", "#7c6413")
"""Of the configurations of a comparison, in turn; none is that of a heater state."""

CONFIGURATION_MARKERS = ("o", "s", "^", "D")

COLOURS = (
    {INK: "ink", QUIET: "quiet", RULE: "rule"}
    | {colour: f"state-{state}" for state, colour in STATE_COLOURS.items()}
    | {colour: f"configuration-{k}" for k, colour in enumerate(CONFIGURATION_COLOURS)}
)
"""Plot colour to its custom property on the page."""


def plain_text(value: Any) -> str:
    """A text from a header, shortened for a plot and escaped for matplotlib's math text."""
    if len(str(value)) > 24:
        value = str(value)[:23] + "…"
    return str(value).replace("\\", "\\\\").replace("$", r"\$") if "$" in str(value) else str(value)


def name_panel(axes: Axes, name: str) -> None:
    """Write a name above the left end of a panel."""
    axes.text(0.0, 1.03, plain_text(name), transform=axes.transAxes, va="bottom")


def style_axes(axes: Axes, *, size: float = 9.0) -> None:
    """Apply the style of the page to axes: its text colour, thin rules and no box.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
        Changed in place.
    size : float
        Font size, points.
    """
    axes.set_facecolor("none")
    for name, spine in axes.spines.items():
        spine.set_visible(name in ("left", "bottom", "polar"))
        spine.set_color(RULE)
    axes.tick_params(colors=QUIET, labelcolor=INK, labelsize=size, length=3)
    axes.tick_params(which="minor", colors=RULE, length=2)
    for text in (axes.xaxis.label, axes.yaxis.label, axes.title, *axes.texts):
        text.set_color(INK)
        text.set_fontsize(size)
    legend = axes.get_legend()
    if legend is not None:
        legend.set_frame_on(False)
        for text in legend.get_texts():
            text.set_color(INK)
            text.set_fontsize(size)
