"""The report page: one self-contained HTML file made from a result folder."""

from concurrent.futures import Executor, ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup

from framesort import __version__
from framesort.errors import OutputError
from framesort.files import StrPath, write_text
from framesort.pages import page_environment, page_style, script_hash
from framesort.records import HEATER_STATES, column_values
from framesort.report._advice import count_reasons, list_notes, split_notes
from framesort.report._columns import column_texts, column_truths, start_seconds
from framesort.report._field import field_figure
from framesort.report._groups import show_groups
from framesort.report._kept import keep_figures
from framesort.report._next import describe_next, minutes_fainter
from framesort.report._phrases import format_duration, format_number, mark_prose
from framesort.report._read import Results, read_results
from framesort.report._style import STATES
from framesort.report._timeline import states_of
from framesort.report._trust import describe_trust
from framesort.report._words import describe_effect, describe_frames, describe_gap
from framesort.workers import own_processes

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
"""Adds the slider to the comparisons and opens collapsed parts for printing. The page works
without it."""


def _frame_rows(results: Results) -> list[dict[str, Any]]:
    """The table of frames as texts, in order of time."""
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
    spike = 100 * column_values(table, "spike_strength")
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
            "spike": format_number(spike[i], 1),
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
    """The date of the evening, or the range of dates, as in the table and night.json."""
    names = sorted({str(name) for name in column_texts(results.table, "night")} - {""})
    if not names:  # a table made elsewhere
        seconds = start_seconds(results.table)
        evenings = seconds[np.isfinite(seconds)] - 43200.0
        names = sorted({str(np.datetime64(int(second), "s"))[:10] for second in evenings})
    # Two nights of one date differ by a letter after the date.
    dates = [datetime.fromisoformat(name[:10]) for name in names]
    texts = [f"{date:%d %B %Y}".removeprefix("0") for date in dates]
    return " to ".join(dict.fromkeys([*texts[:1], *texts[-1:]]))


def _context(results: Results, executor: Executor | None, cache: Path | None) -> dict[str, Any]:
    """Variables of the template; the executor draws figures while this process makes pictures."""
    summary = results.summary
    with ThreadPoolExecutor(1) as thread:
        waiting = None if executor is None else thread.submit(show_groups, results)
        figures = keep_figures(results, cache, executor=executor)
        pages = show_groups(results) if waiting is None else waiting.result()
    shapes = {page.group.label: page.shape for page in pages if page.shape[0]}
    return {
        "style": page_style("framesort.report", "style.css"),
        "script": Markup(_SCRIPT),
        "script_hash": script_hash(_SCRIPT),
        "version": summary.framesort or __version__,
        "created": summary.created,
        "command": summary.command,
        "title": _dates(results) or results.folder.resolve().name,
        "frames_answer": describe_frames(results),
        "effect_answer": describe_effect(results),
        "trust": describe_trust(results, {p.group.label: p.checks for p in pages}),
        "next_answer": describe_next(results),
        "figures": figures,
        "groups": results.groups,
        "pages": pages,
        "field": field_figure(results, shapes),
        "gap": describe_gap(results),
        "onset": () if summary.onset is None else summary.onset.sentences,
        "notes": split_notes(list_notes(results)),
        "reasons": count_reasons(results),
        "left_out": summary.left_out,
        "rows": _frame_rows(results),
        "settings": _flatten(summary.settings) if summary.settings else [],
        "versions": _flatten(summary.versions) if summary.versions else [],
        "states": STATES,
        "state_words": HEATER_STATES,
    }


def write_report(
    folder: StrPath,
    *,
    overwrite: bool = True,
    cache: StrPath | None = None,
    executor: Executor | None = None,
) -> Path:
    """Write report.html into a result folder.

    Parameters
    ----------
    folder : path
        Result folder: frames.ecsv, and optionally night.json and a folder of stacks for each
        group. Sections without data are omitted.
    overwrite : bool
        Replace an existing report.
    cache : path or None
        Folder in which the figures of the night are kept: the same table and summary give the
        same figures, which are then not drawn again.
    executor : `~concurrent.futures.Executor` or None
        Processes that draw the figures; None for this one. The page does not depend on it.

    Returns
    -------
    path : `~pathlib.Path`
        report.html: one self-contained file, written atomically. It loads nothing from the
        network, and its content security policy admits its only script by its hash.

    Raises
    ------
    InputError
        There is no frames.ecsv, or it cannot be read.
    OutputError
        A report exists and `overwrite` is false, or it cannot be written.
    """
    path = Path(folder) / "report.html"
    if path.exists() and not overwrite:
        raise OutputError(f"{path} exists already; give --overwrite to replace it")
    results = read_results(folder)
    environment = page_environment("framesort.report")
    environment.filters |= {
        "number": format_number,
        "duration": format_duration,
        "prose": mark_prose,
        "minutes_fainter": minutes_fainter,
    }
    page = environment.get_template("page.html").render(
        _context(results, own_processes(executor), None if cache is None else Path(cache))
    )
    write_text(path, page, errors="backslashreplace", overwrite=overwrite)
    return path
