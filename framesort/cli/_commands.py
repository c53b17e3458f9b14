"""One function a command: options to a call, its result to the screen."""

import shlex
from argparse import Namespace
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from framesort.cli._compare import run_compare
from framesort.cli._console import bars, number, print_json, print_note, print_text, table_text
from framesort.cli._plan import run_plan
from framesort.cli._simulate import run_simulate
from framesort.cli._swap import run_swap
from framesort.cli._watch import run_watch
from framesort.errors import InputError
from framesort.files import open_whole
from framesort.night import (
    NightResult,
    merge_night,
    process_night,
    read_logs,
    sort_night,
)
from framesort.records import HEATER_STATES, GroupSummary, NightSummary
from framesort.settings import Settings, read_settings
from framesort.workers import open_executor

__all__ = ["COMMANDS", "one_heater", "settings_of"]


def _given(options: Namespace) -> dict[str, Any]:
    """The options that are settings, as far as they were given."""
    names = {field.name for field in fields(Settings)}
    given = {name: value for name, value in vars(options).items() if name in names}
    offsets = given.get("clock_offset")
    if isinstance(offsets, list):
        given["clock_offset"] = offsets[0] if len(offsets) == 1 else tuple(offsets)
    return given


def settings_of(options: Namespace) -> Settings | None:
    """Settings file first, options before it; None if neither says anything."""
    given = _given(options)
    if options.settings is None and not given:
        return None
    base = Settings() if options.settings is None else read_settings(options.settings)
    return replace(base, **given)


def _heater(options: Namespace) -> str | float | list[str | float] | None:
    """A number is a constant power, unless a file has that name; several logs are a list."""
    logs = [one_heater(text) for text in options.heater or _earlier_logs(options.settings)]
    return None if not logs else logs[0] if len(logs) == 1 else logs


def _earlier_logs(path: str | None) -> list[str]:
    """The heater log of the run whose night.json is handed back, so that it is repeated."""
    names = [] if path is None or not path.endswith(".json") else read_logs(path)
    for name in names:
        print_note(f"note: heater log {name}, as given by {path}")
    return names


def one_heater(text: str, *, may_be_missing: bool = False) -> str | float:
    """A number is a constant power, unless a file has that name; a log may appear later."""
    if Path(text).exists():
        return text
    try:
        return float(text)
    except ValueError:
        if may_be_missing:
            return text
        raise InputError(f"{text}: no such heater log, and no power in percent") from None


def _call(options: Namespace) -> str:
    return shlex.join(["framesort", *options.words])


def _run_sort(options: Namespace) -> int:
    return _run_pipeline(options, sort_night)


def _run_night(options: Namespace) -> int:
    return _run_pipeline(options, process_night)


def _run_pipeline(options: Namespace, pipeline: Callable[..., NightResult]) -> int:
    with open_executor(options.workers, cluster=options.executor) as pool:
        result = pipeline(
            options.frames,
            out=options.out,
            heater=_heater(options),
            settings=settings_of(options),
            cache=not options.no_cache,
            overwrite=options.overwrite,
            command=_call(options),
            executor=pool,
            progress=bars(options.quiet),
        )
    return _show(result, options)


def _run_merge(options: Namespace) -> int:
    with open_executor(options.workers, cluster=options.executor) as pool:
        result = merge_night(
            options.folder,
            settings=_merge_settings(options),
            overwrite=options.overwrite,
            command=_call(options),
            executor=pool,
            progress=bars(options.quiet),
        )
    return _show(result, options)


def _merge_settings(options: Namespace) -> Settings | None:
    """Options go before the settings that the night was sorted with."""
    given = _given(options)
    summary = Path(options.folder) / "night.json"
    if options.settings is not None:
        return replace(read_settings(options.settings), **given)
    if given and summary.exists():
        return replace(read_settings(summary), **given)
    return None


def _show(result: NightResult, options: Namespace) -> int:
    """The answer in a few lines; every note that asks for something on standard error."""
    summary = result.summary
    _show_notes(summary, verbose=options.verbose)
    if options.json:
        lists = result.folder / "sets"
        sets = {
            group.label: {
                kind: str(lists / f"{group.label}-{kind}.txt") for kind in ("sharp", "deep")
            }
            for group in summary.groups
        }
        answer = {"folder": str(result.folder), "status": result.status, "sets": sets}
        print_json(answer | summary.to_plain())
        return result.status
    print_text(table_text(_HEADER, [_group_cells(group) for group in summary.groups]))
    for sentence in _sentences(summary):
        print_text(sentence)
    print_text(
        f"Report: {result.folder / 'report.html'}; lists of the sets: {result.folder / 'sets'}"
    )
    if result.status == 3:
        print_note("no group has good heater-off frames: no stars could be replaced")
    return result.status


def _show_notes(summary: NightSummary, *, verbose: bool) -> None:
    """Notes, clocks that are off, and files left out; notes without need of action if verbose."""
    for note in summary.all_notes:
        if verbose or note.severity != "info":
            print_note(f"{'WARNING' if note.severity == 'error' else 'note'}: {note}")
    several = len(summary.nights) > 1
    clocks = [(f"{n.night}: " if several else "", n.clock) for n in summary.nights]
    for night, clock in clocks or [("", summary.clock)]:
        if clock is not None and clock.significant:
            print_note(f"note: {night}{clock.sentence}")
    for entry in summary.left_out:
        print_note(f"left out: {entry.file}: {entry.reason}")


_HEADER = (
    "group",
    "frames",
    *HEATER_STATES,
    "sharp set",
    "FWHM",
    "deep set",
    "FWHM",
    "stars replaced",
)


def _group_cells(group: GroupSummary) -> list[str]:
    """A row of the table of groups."""
    sets = [
        cell
        for chosen in (group.sharp, group.deep)
        for cell in (f"{chosen.frames} ({number(chosen.hours)} h)", f"{number(chosen.fwhm)} px")
    ]
    return [
        group.label,
        str(group.frames),
        *(str(group.states[name]) for name in HEATER_STATES),
        *sets,
        "-" if group.replaced is None else str(group.replaced),
    ]


def _sentences(summary: NightSummary) -> list[str]:
    """What the night says of the heater, and the advice on each group."""
    found = [f"{e.filter} {e.exposure:g} s: {e.sentence}" for e in summary.highest_acceptable]
    found += [e.sentence for e in (summary.spike_follows, summary.gap) if e is not None]
    found += [f"{group.label}: {text}" for group in summary.groups for text in group.advice]
    return [*found, summary.edges] if summary.edges else found


def _run_log(options: Namespace) -> int:
    from framesort.heater import describe_trace, draw_trace, read_heater_log

    settings = Settings(**_given(options))
    trace = read_heater_log(options.log, settings.log_options())
    steps = describe_trace(trace)
    zone = settings.log_zone or "as written, else UTC"
    if options.json:
        rows: list[dict[str, Any]] = [{n: row[n] for n in steps.colnames} for row in steps]
        print_json({"log": options.log, "zone": zone, "steps": rows, "notes": list(trace.notes)})
    else:
        print_text(
            table_text(
                ["from (UTC)", "to (UTC)", "power %", "confidence"],
                [
                    [
                        str(row["start"]) or "-",
                        str(row["stop"]) or "-",
                        number(float(row["power"]), ".0f"),
                        number(float(row["confidence"])),
                    ]
                    for row in steps
                ],
            )
        )
        if steps.meta["entries"]:
            first, last = steps.meta["entries"]
            print_note(f"note: The log's entries are from {first} to {last}; its clock: {zone}.")
        for note in trace.notes:
            print_note(f"note: {note}")
    if options.plot:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(10, 3), layout="constrained")
        draw_trace(figure.add_subplot(), trace)
        with open_whole(options.plot) as stream:
            figure.savefig(stream, format="png", dpi=120)
    return 0


COMMANDS: dict[str, Callable[[Namespace], int]] = {
    "night": _run_night,
    "sort": _run_sort,
    "merge": _run_merge,
    "swap": run_swap,
    "log": _run_log,
    "plan": run_plan,
    "simulate": run_simulate,
    "watch": run_watch,
    "compare": run_compare,
}
