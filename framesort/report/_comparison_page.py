"""The page of a comparison: one self-contained HTML file."""

import math
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from framesort import __version__
from framesort.errors import OutputError
from framesort.files import StrPath, write_text
from framesort.pages import page_environment, page_style
from framesort.records import QUANTITIES, Comparison, Difference, Interval, Verdict
from framesort.report._comparison_figures import make_comparison_figures, unit_of
from framesort.report._comparison_stars import make_star_tables
from framesort.report._phrases import format_number, listing, mark_prose

__all__ = ["write_comparison"]

_WORDS = {
    "better": "Better.",
    "worse": "Worse.",
    "mixed": "Better in one respect, worse in another.",
    "no difference": "No difference.",
    "unknown": "Not decided yet.",
}
"""Calls of a verdict as they stand on the page."""


def write_comparison(
    comparison: Comparison,
    path: StrPath,
    *,
    images: NDArray[Any] | None = None,
    command: str = "",
    overwrite: bool = True,
) -> Path:
    """Write the page of a comparison.

    Parameters
    ----------
    comparison : Comparison
    path : path
        The file, usually report.html.
    images : (n, ny, nx) ndarray or None
        Mean stars, one for each of `Comparison.stars` by its number; None to leave them out.
    command : str
        The call, for the record.
    overwrite : bool
        Replace an existing page.

    Returns
    -------
    path : `~pathlib.Path`
        One file that loads nothing and holds no script, written atomically.

    Raises
    ------
    OutputError
        It exists and `overwrite` is false, or it cannot be written.
    """
    target = Path(path)
    if target.exists() and not overwrite:
        raise OutputError(f"{target} exists already; give --overwrite to replace it")
    environment = page_environment("framesort.report")
    environment.filters |= {"number": format_number, "prose": mark_prose}
    context: dict[str, Any] = {
        "style": page_style("framesort.report", "style.css", "comparison.css"),
        "version": __version__,
        "command": command,
        "title": listing(one.name for one in comparison.configurations),
        "configurations": comparison.configurations,
        "verdicts": [_show_verdict(one, comparison) for one in comparison.verdicts],
        "conditions": comparison.conditions,
        "notes": comparison.notes,
        "differences": _difference_rows(comparison),
        "figures": make_comparison_figures(comparison),
        "strips": [] if images is None else make_star_tables(comparison, images),
    }
    page = environment.get_template("comparison.html").render(context)
    write_text(target, page, errors="backslashreplace", overwrite=overwrite)
    return target


def _show_verdict(verdict: Verdict, comparison: Comparison) -> dict[str, str]:
    several = len(comparison.verdicts) > 1
    return {
        "question": f"Did {verdict.configuration} help?" if several else "Did it help?",
        "word": _WORDS[verdict.call],
        "sentence": verdict.sentence,
        "missing": verdict.missing,
    }


def _difference_rows(comparison: Comparison) -> list[dict[str, Any]]:
    """Differences over all common powers, quantity by quantity."""
    numbers = {one.name: k for k, one in enumerate(comparison.configurations)}
    rows: list[dict[str, Any]] = []
    for quantity in QUANTITIES:
        mine = [
            _difference_row(one, comparison.unit, numbers[one.configuration])
            for one in comparison.differences
            if one.quantity == quantity and math.isnan(one.power)
        ]
        rows += [*mine[:1], *(row | {"label": "", "first": ""} for row in mine[1:])]
    return rows


def _difference_row(one: Difference, angle: str, number: int) -> dict[str, Any]:
    unit, factor = unit_of(one.quantity, angle)
    needed = max(one.frames_needed, one.off_frames_needed)
    return {
        "label": f"{QUANTITIES[one.quantity].label}{f' ({unit})' if unit else ''}",
        "number": number,
        "name": one.configuration,
        "first": _with_error(one.first, factor),
        "second": _with_error(one.second, factor),
        "difference": _with_error(one.difference, factor, sign=True),
        "ratio": _with_error(one.ratio, 1.0),
        "chance": _chance(one.chance_none),
        "needed": ">1000"
        if min(one.frames_needed, one.off_frames_needed) < 0
        else f"{one.frames_needed} + {one.off_frames_needed}"
        if needed > 0
        else "–",
    }


def _with_error(value: Interval, factor: float, *, sign: bool = False) -> str:
    """A value and its error with two digits of the error."""
    middle, error = factor * value.value, factor * value.error
    if not math.isfinite(middle):
        return "–"
    if not (math.isfinite(error) and error > 0):
        return f"{middle:{'+' if sign else ''}.3g}"
    digits = min(max(1 - math.floor(math.log10(error)), 0), 4)
    return f"{middle:{'+' if sign else ''}.{digits}f} ± {error:.{digits}f}"


def _chance(share: float) -> str:
    if not math.isfinite(share):
        return "–"
    return "<0.1 %" if share < 0.001 else f"{100 * share:.1f} %" if share < 0.1 else f"{share:.0%}"
