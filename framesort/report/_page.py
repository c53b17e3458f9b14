"""The page: one HTML file that needs no network, made from a result folder."""

import base64
import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from framesort import __version__
from framesort.errors import OutputError
from framesort.files import StrPath, write_text
from framesort.records import column_values
from framesort.report._advice import count_reasons, list_notices
from framesort.report._columns import (
    as_dicts,
    column_texts,
    column_truths,
    start_seconds,
)
from framesort.report._figures import make_figures, make_star_figure
from framesort.report._layout import PageFigure
from framesort.report._phrases import format_duration, format_number, mark_prose
from framesort.report._pictures import Comparison, compare_pictures, read_stack
from framesort.report._read import GroupSummary, Results, read_results
from framesort.report._stars import cut_stars
from framesort.report._style import STATE_WORDS, STATES
from framesort.report._timeline import states_of
from framesort.report._trust import describe_trust
from framesort.report._words import describe_cost, describe_frames, describe_next

__all__ = ["write_report"]

_SCRIPT = """
document.querySelectorAll('.compare').forEach(function (box) {
  var slide = box.querySelector('.slide');
  slide.hidden = false;
  slide.querySelector('input').addEventListener('input', function (event) {
    box.classList.add('sliding');
    box.style.setProperty('--cut', event.target.value + '%');
  });
  var input = slide.querySelector('input'), pair = box.querySelector('.pair');
  ['pointerdown', 'pointermove'].forEach(function (name) {
    pair.addEventListener(name, function (event) {
      if (!event.buttons) return;
      var edge = pair.getBoundingClientRect();
      input.value = 100 * (event.clientX - edge.left) / edge.width;
      input.dispatchEvent(new Event('input'));
    });
  });
  box.querySelectorAll('input[type=radio]').forEach(function (button) {
    button.addEventListener('change', function () { box.classList.remove('sliding'); });
  });
});
addEventListener('beforeprint', function () {
  document.querySelectorAll('details').forEach(function (part) { part.open = true; });
});
"""
"""Adds the slide to the comparisons and opens folded parts for printing; the page works without."""


@dataclass(frozen=True, kw_only=True)
class GroupPage:
    """What the page shows of one group's pictures."""

    group: GroupSummary
    comparisons: tuple[Comparison, ...] = ()
    alone: tuple[Comparison, ...] = ()
    alone_name: str = ""
    stars: PageFigure | None = None


def _show_group(group: GroupSummary, number: int, longest: int) -> GroupPage:
    """Pictures and stars of a group; the one picture there is where they cannot be compared."""
    deep, final = read_stack(group, "deep"), read_stack(group, "final")
    if deep is None or final is None or deep.shape != final.shape:
        only = final if final is not None else deep
        alone = () if only is None else compare_pictures(only, only, longest=longest)[:1]
        return GroupPage(
            group=group, alone=alone, alone_name="final picture" if only is final else "deep stack"
        )
    stars = group.stars
    comparisons = compare_pictures(
        deep, final, stars=stars, longest=longest, window=(longest * 11 // 35, longest // 2)
    )
    shape = deep.shape[-2], deep.shape[-1]
    del deep, final
    figure = None
    if stars is not None and len(stars):
        figure = make_star_figure(
            cut_stars(group, stars, shape=shape),
            prefix=f"stars{number}",
            title="Bright stars side by side",
        )
    return GroupPage(group=group, comparisons=comparisons, stars=figure)


def _longest_side(number: int) -> int:
    """Pixels of a whole-field picture, fewer for many groups so that the page stays small."""
    return 1400 if number <= 2 else 1000 if number <= 4 else 700


def _frame_rows(results: Results) -> list[dict[str, Any]]:
    """The frames' table as texts, in the order of time."""
    table = results.table
    seconds = start_seconds(table)
    order = np.argsort(np.where(np.isfinite(seconds), seconds, np.inf), kind="stable")
    with np.errstate(invalid="ignore"):
        clock = [str(np.datetime64(round(s), "s"))[11:] if np.isfinite(s) else "–" for s in seconds]
    digits = {
        "exposure": 0,
        "heater_power": 0,
        "stars": 0,
        "fwhm": 2,
        "eccentricity": 2,
        "transparency": 2,
        "sky": 0,
        "noise": 1,
        "residual": 2,
    }
    numbers = {name: column_values(table, name) for name in digits}
    line = 100 * column_values(table, "line_strength")
    texts = {name: column_texts(table, name) for name in ("file", "filter", "grade", "reason")}
    states = states_of(table)
    sets = {kind: column_truths(table, f"{kind}_set") for kind in ("sharp", "deep")}
    return [
        {name: format_number(numbers[name][i], d) for name, d in digits.items()}
        | {name: values[i] for name, values in texts.items()}
        | {
            "file": Path(texts["file"][i]).name,
            "clock": clock[i],
            "state": states[i],
            "line": format_number(line[i], 1),
            "sets": " + ".join(kind for kind, member in sets.items() if member[i]) or "–",
        }
        for i in order
    ]


def _flatten(value: Any, name: str = "") -> list[tuple[str, str]]:
    """Nested settings as pairs of a dotted name and a text."""
    if isinstance(value, dict):
        return [
            pair
            for key, item in value.items()
            for pair in _flatten(item, f"{name}.{key}" if name else str(key))
        ]
    if isinstance(value, list) and len(value) > 12:
        return [(name, f"{len(value)} entries, see night.json")]
    return [(name, ", ".join(map(str, value)) if isinstance(value, list) else str(value))]


def _dates(results: Results) -> str:
    """The night or nights, as dates of their first and last exposure (UTC)."""
    seconds = start_seconds(results.table)
    seconds = seconds[np.isfinite(seconds)]
    if not seconds.size:
        return ""
    first, last = (
        f"{datetime.fromtimestamp(s, tz=UTC):%d %B %Y}".removeprefix("0")
        for s in (seconds.min(), seconds.max())
    )
    return first if first == last else f"{first} to {last}"


def _context(results: Results) -> dict[str, Any]:
    """Everything that the template shows."""
    summary = results.summary
    longest = _longest_side(sum(g.stack("final") is not None for g in results.groups))
    digest = base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode()
    folder = files("framesort.report")
    return {
        "style": Markup((folder / "style.css").read_text(encoding="utf-8")),
        "script": Markup(_SCRIPT),
        "digest": digest,
        "version": str(summary.get("framesort", __version__)),
        "created": str(summary.get("created", "")),
        "command": str(summary.get("command", "")),
        "title": _dates(results) or results.folder.resolve().name,
        "frames_answer": describe_frames(results),
        "cost_answer": describe_cost(results),
        "trust": describe_trust(results),
        "next_answer": describe_next(results),
        "figures": make_figures(results),
        "groups": results.groups,
        "pages": [_show_group(g, k, longest) for k, g in enumerate(results.groups)],
        "notices": list_notices(results),
        "reasons": count_reasons(results),
        "left_out": as_dicts(summary.get("left_out")),
        "rows": _frame_rows(results),
        "settings": _flatten(summary.get("settings", {})) if summary.get("settings") else [],
        "versions": _flatten(summary.get("versions", {})) if summary.get("versions") else [],
        "states": STATES,
        "state_words": STATE_WORDS,
    }


def write_report(folder: StrPath, *, overwrite: bool = True) -> Path:
    """Write report.html into a result folder, from what lies in it.

    Parameters
    ----------
    folder : path
        Result folder: frames.ecsv, and if there night.json and a folder of stacks for
        each group. What is missing is left out of the page.
    overwrite : bool
        Replace an existing report.

    Returns
    -------
    path : `~pathlib.Path`
        report.html: one file with everything inside, written whole or not at all. It asks
        for nothing from the network, and its only script is known to it by its hash.

    Raises
    ------
    InputError
        There is no frames.ecsv, or it cannot be read.
    OutputError
        A report exists and `overwrite` is false, or it cannot be written.
    """
    path = Path(folder) / "report.html"
    if path.exists() and not overwrite:
        # Said before the work is done, not after.
        raise OutputError(f"{path} exists already; give --overwrite to replace it")
    results = read_results(folder)
    source = files("framesort.report")
    environment = Environment(
        loader=FunctionLoader(lambda name: (source / name).read_text(encoding="utf-8")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "number": format_number,
        "duration": format_duration,
        "prose": mark_prose,
    }
    page = environment.get_template("page.html").render(_context(results))
    write_text(path, page, overwrite=overwrite)
    return path
