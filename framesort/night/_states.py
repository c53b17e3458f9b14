"""The heater's state of each frame: from one log or several, each night with its own clock."""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from astropy.table import Table
from astropy.units import Quantity
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.evidence import (
    LogCheck,
    Response,
    StarStates,
    compare_log,
    describe_switches,
    estimate_clock_offset,
    fit_other_day,
    sort_states,
)
from framesort.heater import (
    add_heater_columns,
    join_traces,
    make_constant_heater,
    shift_trace,
)
from framesort.night._memory import as_heater, trace_of_table
from framesort.night._notes import collect_warnings
from framesort.plugins import find_plugin
from framesort.records import ClockOffset, HeaterTrace, Note, add_column, as_notes
from framesort.settings import Settings

__all__ = [
    "Heater",
    "check_log",
    "clock_offsets",
    "estimate_clocks",
    "estimate_states",
    "given_clock",
    "night_rows",
    "read_traces",
    "tag_states",
]

_DAY = 86400.0

OneHeater: TypeAlias = str | os.PathLike[str] | float | HeaterTrace | Table | Quantity
Heater: TypeAlias = OneHeater | Sequence[OneHeater | Mapping[str, Any]] | Mapping[str, Any] | None


def read_traces(heater: Heater, settings: Settings) -> tuple[HeaterTrace | None, list[Note]]:
    """The heater log or logs as one trace, and what the reader had to say.

    Raises
    ------
    InputError
        As many clock offsets as logs were not given.
    """
    heater = as_heater(heater)
    logs: list[Any] = list(heater) if isinstance(heater, list | tuple) else [heater]
    shifts: list[float] = [0.0] * len(logs)
    if isinstance(settings.clock_offset, tuple):
        shifts = [float(seconds) for seconds in settings.clock_offset]
        if len(shifts) != len(logs):
            raise InputError(
                f"{len(shifts)} clock offsets for {len(logs)} heater logs; give one for each, "
                "or a single one for all"
            )
    traces: list[HeaterTrace] = []
    notes: list[Note] = []
    for log, seconds in zip(logs, shifts, strict=True):
        trace, found = _read_trace(log, settings)
        notes += found
        if trace is not None:
            traces.append(shift_trace(trace, seconds) if seconds else trace)
    return (join_traces(traces) if traces else None), notes


def _read_trace(
    heater: OneHeater | None, settings: Settings
) -> tuple[HeaterTrace | None, list[Note]]:
    if heater is None or isinstance(heater, HeaterTrace):
        return heater, []
    if isinstance(heater, Table):
        return _with_notes(partial(trace_of_table, heater, settings.log_options()))
    if isinstance(heater, int | float):
        return make_constant_heater(heater), []
    reader = find_plugin("heater_log", settings.heater_reader)
    return _with_notes(partial(reader, heater, options=settings.log_options()))


def _with_notes(read: Callable[[], HeaterTrace]) -> tuple[HeaterTrace, list[Note]]:
    """A log as it is read, and the reader's notes."""
    with collect_warnings() as notes:
        trace = read()
    trace = replace(trace, notes=tuple(as_notes(trace.notes, "log interpreted")))
    return trace, [*notes, *(note for note in trace.notes if note not in notes)]


def night_rows(table: Table) -> dict[str, NDArray[np.intp]]:
    """Rows of each night, in order of the nights' names; one night "" where none is known."""
    if "night" not in table.colnames:
        return {"": np.arange(len(table))}
    names = np.array([str(name) for name in table["night"]], dtype=object)
    nights = sorted(set(names) - {""}) or [""]
    return {name: np.flatnonzero(names == name) for name in nights}


def estimate_states(table: Table) -> dict[str, StarStates]:
    """Heater states of each night from its stars alone."""
    return {name: sort_states(table[rows]) for name, rows in night_rows(table).items()}


def estimate_clocks(
    table: Table, trace: HeaterTrace, stars: dict[str, StarStates]
) -> dict[str, ClockOffset]:
    """What the stars of each night say of the log's clock."""
    return {
        name: estimate_clock_offset(table[rows], trace, states=stars[name])
        for name, rows in night_rows(table).items()
    }


def check_log(
    table: Table,
    trace: HeaterTrace | None,
    clocks: dict[str, ClockOffset],
    stars: dict[str, StarStates],
    response: Response | None,
) -> list[Note]:
    """A note for each night whose stars contradict the log or the power that was given."""
    if trace is None:
        return []
    nights = night_rows(table)
    notes = []
    for name, rows in nights.items():
        mine = table[rows]
        if np.all(np.asarray(mine["state_source"]) == "stars"):
            continue
        found: LogCheck = compare_log(
            mine,
            stars[name],
            clock=clocks.get(name),
            trace=trace,
            response=response if len(nights) == 1 else None,
        )
        if found.contradicts:
            note = Note("log contradicted", found.sentence)
            notes.append(note.within(name if len(nights) > 1 else ""))
    return notes


def given_clock(clocks: dict[str, ClockOffset]) -> ClockOffset | None:
    """The clock to report first: of several nights the first that is off."""
    off = [clock for clock in clocks.values() if clock.significant]
    return next(iter([*off, *clocks.values()]), None)


def clock_offsets(
    table: Table, settings: Settings, clocks: dict[str, ClockOffset]
) -> NDArray[np.float64]:
    """Seconds to add to the log's times for each frame."""
    offsets = np.zeros(len(table))
    if isinstance(settings.clock_offset, int | float):
        offsets[:] = float(settings.clock_offset)
    elif settings.clock_offset == "auto":
        for name, rows in night_rows(table).items():
            if name in clocks and clocks[name].significant:
                offsets[rows] = clocks[name].seconds
    return offsets  # offsets given for each log are in the trace already


def tag_states(
    table: Table,
    trace: HeaterTrace | None,
    settings: Settings,
    clocks: dict[str, ClockOffset],
    stars: dict[str, StarStates],
    log: str,
) -> list[Note]:
    """Heater share, power and state, from the log or else, night by night, from the stars.

    Returns a note for each night that the log does not cover, and for states from the stars.
    """
    nights = night_rows(table)
    wanted = dict(nights)
    notes = []
    if trace is not None:
        add_heater_columns(table, trace, clock_offset=clock_offsets(table, settings, clocks))
        known = np.asarray(table["heater_state"]) != "unknown"
        wanted = {name: rows for name, rows in nights.items() if not known[rows].any()}
        if not wanted or not len(table):
            return []
        for name, rows in wanted.items():
            night = name if len(nights) > 1 else ""
            text = _outside(table[rows], trace, stars[name], night, log)
            notes.append(Note("log covers no frame", text))
    else:
        for column in ("heater_share", "heater_power", "minutes_since_switch", "previous_power"):
            add_column(table, column, np.full(len(table), np.nan))
        add_column(table, "heater_state", np.full(len(table), "unknown", dtype=object))
        add_column(table, "state_source", [""] * len(table))
    add_column(table, "heated_probability", np.full(len(table), np.nan))
    for name, rows in wanted.items():
        _take_stars(table, rows, stars[name])
        states = np.asarray(table["heater_state"])[rows]
        sentence = describe_switches(table[rows], states, log=trace is not None)
        note = Note("states from stars", sentence)
        notes.append(note.within(name if len(nights) > 1 else ""))
    return notes


def _take_stars(table: Table, rows: NDArray[np.intp], stars: StarStates) -> None:
    """States of one night from its stars."""
    states, probability, heated = stars.state, stars.probability, stars.heated
    table["heater_share"][rows] = np.where(states == "off", 0.0, np.where(heated, 1.0, np.nan))
    table["heater_power"][rows] = np.where(states == "off", 0.0, np.nan)
    table["heater_state"][rows] = states
    table["state_source"][rows] = np.where(states != "unknown", "stars", "")
    table["heated_probability"][rows] = probability


def _outside(table: Table, trace: HeaterTrace, stars: StarStates, night: str, log: str) -> str:
    """Where the log lies and where the night, and the days between them if those are at fault."""
    begin = np.ma.compressed(np.ma.asarray(table["start"].unix))
    frames = (float(begin.min()), float(begin.max())) if begin.size else None
    which = f"no frame of the night {night}" if night else "no frame"
    if frames is None:
        return (
            f"the heater log{f' {log}' if log else ''} cannot be applied: no frame "
            "has a start time (DATE-OBS); without times give --heater 0 if the heater was off "
            "all night. Heater states were estimated from the stars"
        )
    text = (
        f"the heater log{f' {log}' if log else ''} ({_span_text(trace.span)}) covers {which} "
        f"({_span_text(frames)})"
    )
    if frames and trace.span:
        apart = (sum(frames) - sum(trace.span)) / 2 / _DAY
        near = {int(np.floor(apart)), int(np.ceil(apart))} - {0}
        found = fit_other_day(table, stars, trace, sorted(near))
        if found is not None:
            days, count = found
            return (
                f"{text}; {abs(days)} day{'s' if abs(days) > 1 else ''} "
                f"{'later' if days > 0 else 'earlier'} it would agree with the stars in "
                f"{count.agree} of {count.compared} frames: correct its date, or give "
                f"--clock-offset {days * _DAY:.0f}. Heater states were estimated from the stars"
            )
    return (
        f"{text}: it seems to be the log of another night; check its date and --log-zone. "
        "Heater states were estimated from the stars"
    )


def _span_text(span: tuple[float, float] | None) -> str:
    """Two times, or that they are not known."""
    if span is None:
        return "no time known"
    first, last = (str(np.datetime64(round(t), "s")) for t in span)
    return f"{first} to {last} UTC"
