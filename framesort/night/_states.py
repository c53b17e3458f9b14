"""The heater's state of each frame: from one log or several, each night with its own clock."""

import os
import warnings
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from astropy.table import Table
from astropy.time import Time
from astropy.units import Quantity
from numpy.typing import NDArray

from framesort.errors import FramesortWarning, InputError
from framesort.evidence import (
    ClockOffset,
    describe_switches,
    estimate_clock_offset,
    find_switches,
)
from framesort.heater import (
    add_heater_columns,
    join_traces,
    make_constant_heater,
    shift_trace,
)
from framesort.night._memory import as_heater, trace_of_table
from framesort.night._settings import Settings
from framesort.plugins import find_plugin
from framesort.records import HeaterTrace, add_column

__all__ = ["Heater", "estimate_clocks", "night_rows", "read_traces", "tag_states", "told_clock"]

OneHeater: TypeAlias = str | os.PathLike[str] | float | HeaterTrace | Table | Quantity
Heater: TypeAlias = OneHeater | Sequence[OneHeater | Mapping[str, Any]] | Mapping[str, Any] | None


def read_traces(heater: Heater, settings: Settings) -> tuple[HeaterTrace | None, list[str]]:
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
    traces, told = [], []
    for log, seconds in zip(logs, shifts, strict=True):
        trace, said = _read_trace(log, settings)
        told += said
        if trace is not None:
            traces.append(shift_trace(trace, seconds) if seconds else trace)
    return (join_traces(traces) if traces else None), told


def _read_trace(
    heater: OneHeater | None, settings: Settings
) -> tuple[HeaterTrace | None, list[str]]:
    if heater is None or isinstance(heater, HeaterTrace):
        return heater, []
    if isinstance(heater, Table):
        return _told_by(partial(trace_of_table, heater, settings.log_options()))
    if isinstance(heater, int | float):
        return make_constant_heater(heater), []
    reader = find_plugin("heater_log", settings.heater_reader)
    return _told_by(partial(reader, heater, **settings.log_options()))


def _told_by(read: Callable[[], HeaterTrace]) -> tuple[HeaterTrace, list[str]]:
    """A log as it is read, and the sentences that the reader had to say."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", FramesortWarning)
        trace = read()
    told = [str(w.message) for w in caught if issubclass(w.category, FramesortWarning)]
    return trace, [*told, *(note for note in trace.notes if note not in told)]


def night_rows(table: Table) -> dict[str, NDArray[np.intp]]:
    """Rows of each night, in order of the nights' names; one night "" where none is known."""
    if "night" not in table.colnames:
        return {"": np.arange(len(table))}
    names = np.array([str(name) for name in table["night"]], dtype=object)
    nights = sorted(set(names) - {""}) or [""]
    return {name: np.flatnonzero(names == name) for name in nights}


def estimate_clocks(table: Table, trace: HeaterTrace) -> dict[str, ClockOffset]:
    """What the stars of each night say of the log's clock."""
    return {
        name: estimate_clock_offset(table[rows], trace) for name, rows in night_rows(table).items()
    }


def told_clock(clocks: dict[str, ClockOffset]) -> ClockOffset | None:
    """The clock to tell of first: of several nights the first that is off."""
    off = [clock for clock in clocks.values() if clock.significant]
    return next(iter([*off, *clocks.values()]), None)


def _offsets(
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
    return offsets  # those told for each log are in the trace already


def tag_states(
    table: Table,
    trace: HeaterTrace | None,
    settings: Settings,
    clocks: dict[str, ClockOffset],
) -> tuple[list[str], list[str]]:
    """Heater share, power and state, from the log or else, night by night, from the stars.

    Returns a sentence for each night that the log leaves out, and what the stars told.
    """
    nights = night_rows(table)
    asked = dict(nights)
    missed = []
    if trace is not None:
        add_heater_columns(table, trace, clock_offset=_offsets(table, settings, clocks))
        known = np.asarray(table["heater_state"]) != "unknown"
        asked = {name: rows for name, rows in nights.items() if not known[rows].any()}
        if not asked or not len(table):
            return [], []
        for name, rows in asked.items():
            missed.append(_outside(table[rows], trace, name if len(nights) > 1 else ""))
    else:
        for column, blank in (("heater_share", np.nan), ("heater_power", np.nan)):
            add_column(table, column, np.full(len(table), blank))
        add_column(table, "heater_state", np.full(len(table), "unknown", dtype=object))
        add_column(table, "state_source", [""] * len(table))
    add_column(table, "heated_probability", np.full(len(table), np.nan))
    told = []
    for name, rows in asked.items():
        _ask_stars(table, rows)
        sentence = describe_switches(table[rows], np.asarray(table["heater_state"])[rows])
        told.append(f"{name}: {sentence}" if len(nights) > 1 else sentence)
    return missed, told


def _ask_stars(table: Table, rows: NDArray[np.intp]) -> None:
    """States of one night from its stars."""
    states, probability = find_switches(table[rows])
    heated = np.isin(states, ["on", "part"])
    table["heater_share"][rows] = np.where(states == "off", 0.0, np.where(heated, 1.0, np.nan))
    table["heater_power"][rows] = np.where(states == "off", 0.0, np.nan)
    table["heater_state"][rows] = states
    table["state_source"][rows] = np.where(states != "unknown", "stars", "")
    table["heated_probability"][rows] = probability


def _outside(table: Table, trace: HeaterTrace, night: str) -> str:
    """Where the log lies and where the night."""
    begin = np.ma.compressed(np.ma.asarray(table["start"].unix))
    limits = trace.edges[np.isfinite(trace.edges)]
    log, frames = (
        " to ".join(Time([low, high], format="unix", precision=0).isot)
        if known
        else "no time known"
        for low, high, known in (
            (limits.min(initial=0), limits.max(initial=0), limits.size),
            (begin.min(initial=np.inf), begin.max(initial=0), begin.size),
        )
    )
    which = f"no frame of the night {night}" if night else "no frame"
    return (
        f"the heater log ({log} UTC) covers {which} ({frames} UTC): check --log-zone and the "
        "date; the heater's state was asked of the stars"
    )
