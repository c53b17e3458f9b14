"""First half of the walk: frames and heater log to a tagged table with the two sets."""

import os
import warnings
from collections.abc import Callable, Iterable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.errors import FramesortWarning, InputError, NotEnoughFramesError
from framesort.evidence import (
    ClockOffset,
    Response,
    estimate_clock_offset,
    estimate_response,
    find_switches,
    measure_line_excess,
)
from framesort.frames import find_frames, read_frames
from framesort.heater import add_heater_columns, make_constant_heater, make_header_heater
from framesort.night._settings import Settings
from framesort.plugins import find_plugin
from framesort.quality import add_quality_columns, measure_frames, measure_transparency
from framesort.records import FrameQuality, HeaterTrace, add_column
from framesort.selection import SetLimits, choose_sets
from framesort.tags import GradeLimits, tag_frames
from framesort.workers import Progress

__all__ = ["SortedNight", "StageProgress", "sort_frames", "stage"]

StageProgress = Callable[[str], Progress]
"""Gives the progress callable of a stage, from the stage's name in plain words."""


@dataclass(frozen=True, kw_only=True)
class SortedNight:
    """A night, measured, tagged and divided into sets.

    Attributes
    ----------
    table : `~astropy.table.Table`
        A row a frame, columns of `framesort.records.COLUMNS`.
    qualities : tuple of FrameQuality
        One a row: star list and light by angle of each frame.
    trace : HeaterTrace or None
        The heater log; None without one.
    clock : ClockOffset or None
        What the stars say of the log's clock.
    response : Response or None
        What power does to the stars.
    settings : Settings
        What was asked.
    left_out : tuple of (str, str)
        File and reason of each frame that is in no set because it could not be used.
    warnings : tuple of str
        Sentences for the user.
    """

    table: Table
    qualities: tuple[FrameQuality, ...]
    trace: HeaterTrace | None
    clock: ClockOffset | None
    response: Response | None
    settings: Settings
    left_out: tuple[tuple[str, str], ...] = ()
    warnings: tuple[str, ...] = ()


def sort_frames(
    frames: Iterable[str | os.PathLike[str]],
    *,
    heater: str | os.PathLike[str] | float | HeaterTrace | None = None,
    settings: Settings | None = None,
    cache: Path | None = None,
    exclude: Path | None = None,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> SortedNight:
    """Measure, tag and select the frames of a night. Writes nothing but the cache.

    Parameters
    ----------
    frames : iterable of path
        As `framesort.frames.find_frames` takes them.
    heater : path, float, HeaterTrace or None
        The heater log; or a constant power in percent; None to let the stars tell.
    settings : Settings or None
        None for the defaults.
    cache : path or None
        Folder in which measurements are kept for the next run.
    exclude : path or None
        Folder whose files are not frames.
    executor : `~concurrent.futures.Executor` or None
        Where frames are measured; None for this process.
    progress : callable or None
        Takes a stage's name, gives a callable that wraps its iteration.

    Returns
    -------
    SortedNight

    Raises
    ------
    InputError
        No frame, or a log that cannot be understood.
    NotEnoughFramesError
        No frame could be measured.
    """
    settings = Settings() if settings is None else settings
    trace, told = _read_trace(heater, settings)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", FramesortWarning)
        # Absolute, so that the night can be merged from any folder.
        paths = [path.absolute() for path in find_frames(frames, exclude=exclude)]
        table = read_frames(
            paths,
            power_keyword=settings.heater_keyword if trace is None else None,
            progress=stage(progress, "reading headers"),
        )
        told += table.meta.pop("notes", [])
        table, note = _without_calibration(table)
        told += note
        own = "heater_power" in table.colnames
        if own:
            trace = make_header_heater(
                table["start"], table["exposure"], np.asarray(table["heater_power"], dtype=float)
            )
        qualities = measure_frames(
            [str(file) for file in table["file"]],
            saturation=[s if np.isfinite(s) else None for s in table["saturation"]],
            cache=cache,
            executor=executor,
            progress=stage(progress, "measuring stars"),
            measurer=find_plugin("star_measurer", settings.star_measurer),
        )
        add_quality_columns(table, qualities)
        if not np.isfinite(table["fwhm"]).any():
            raise NotEnoughFramesError(_nothing_measured(table))
        add_column(table, "transparency", measure_transparency(qualities, list(table["group"])))
        # Power from headers has the camera's own clock.
        clock = None if trace is None or own else estimate_clock_offset(table, trace)
        missed = _tag_states(table, trace, _chosen_offset(settings, clock))
        response = _judge_frames(table, qualities, settings)
    told += [str(w.message) for w in caught if issubclass(w.category, FramesortWarning)]
    left_out = [(str(r["file"]), str(r["reason"])) for r in table if not r["grade"]]
    if missed:
        told.insert(0, missed)
        left_out.insert(0, (str(heater), "covers no frame"))
    return SortedNight(
        table=table,
        qualities=tuple(qualities),
        trace=trace,
        clock=clock,
        response=response,
        settings=settings,
        left_out=tuple(left_out),
        warnings=tuple(dict.fromkeys(told)),
    )


def stage(progress: StageProgress | None, name: str) -> Progress | None:
    """The progress callable of one stage."""
    return None if progress is None else progress(name)


def _read_trace(
    heater: str | os.PathLike[str] | float | HeaterTrace | None, settings: Settings
) -> tuple[HeaterTrace | None, list[str]]:
    """The heater log as a trace, and what its reader had to say."""
    if heater is None or isinstance(heater, HeaterTrace):
        return heater, []
    if isinstance(heater, int | float):
        return make_constant_heater(heater), []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", FramesortWarning)
        reader = find_plugin("heater_log", settings.heater_reader)
        trace: HeaterTrace = reader(heater, **settings.log_options())
    told = [str(w.message) for w in caught if issubclass(w.category, FramesortWarning)]
    return trace, [*told, *(note for note in trace.notes if note not in told)]


def _without_calibration(table: Table) -> tuple[Table, list[str]]:
    """The table without darks, flats and bias, and a sentence on them.

    Raises
    ------
    InputError
        No row is left.
    """
    barred = np.array(
        ["calibration frame" in str(r).split("; ") for r in table["reason"]], dtype=bool
    )
    if len(table) and barred.all():
        raise InputError(
            f"all {len(table)} files are darks, flats or bias; name the exposures of the sky"
        )
    if not barred.any():
        return table, []
    first = Path(str(table["file"][int(np.flatnonzero(barred)[0])])).name
    note = f"{barred.sum()} darks, flats or bias among the files left out (first: {first})"
    return table[~barred], [note]


def _nothing_measured(table: Table) -> str:
    reasons = [str(reason) for reason in table["reason"]]
    usual = max(set(reasons), key=reasons.count)
    return (
        f"none of {len(table)} frames could be measured, most often: {usual} "
        f"(first: {table['file'][0]})"
    )


def _chosen_offset(settings: Settings, clock: ClockOffset | None) -> float:
    """Seconds to add to the log's times: as told, or as the stars say where that was asked."""
    if isinstance(settings.clock_offset, int | float):
        return float(settings.clock_offset)
    return clock.seconds if clock is not None and clock.significant else 0.0


def _tag_states(table: Table, trace: HeaterTrace | None, clock_offset: float) -> str:
    """Heater share, power and state, from the log or else from the stars.

    Returns a sentence if there is a log but it lies outside the night, else "".
    """
    if trace is not None:
        add_heater_columns(table, trace, clock_offset=clock_offset)
        if np.any(np.asarray(table["heater_state"]) != "unknown") or not table["start"].size:
            return ""
    states, probability = find_switches(table)
    heated = np.isin(states, ["on", "part"])
    share = np.where(states == "off", 0.0, np.where(heated, 1.0, np.nan))
    add_column(table, "heater_share", share)
    add_column(table, "heater_power", np.where(states == "off", 0.0, np.nan))
    add_column(table, "heater_state", states)
    add_column(table, "state_source", ["stars" if s != "unknown" else "" for s in states])
    add_column(table, "heated_probability", probability)
    return "" if trace is None else _outside(table, trace)


def _outside(table: Table, trace: HeaterTrace) -> str:
    """Where the log lies and where the night."""
    begin = np.ma.compressed(np.ma.asarray(table["start"].unix))
    limits = trace.edges[np.isfinite(trace.edges)]
    log, night = (
        " to ".join(Time([low, high], format="unix", precision=0).isot)
        if known
        else "no time known"
        for low, high, known in (
            (limits.min(initial=0), limits.max(initial=0), limits.size),
            (begin.min(initial=np.inf), begin.max(initial=0), begin.size),
        )
    )
    return (
        f"the heater log ({log} UTC) covers no frame ({night} UTC): check --log-zone and the "
        "date; the heater's state was asked of the stars"
    )


def _judge_frames(table: Table, qualities: list[FrameQuality], settings: Settings) -> Response:
    """Line excess, grades and sets; what power does to the stars."""
    share = np.asarray(table["heater_share"], dtype=float)
    strength, error, angle = measure_line_excess(qualities, list(table["group"]), share < 0.005)
    add_column(table, "line_strength", strength)
    add_column(table, "line_strength_err", error)
    add_column(table, "line_angle", angle)
    tag_frames(table, limits=GradeLimits(max_share=settings.max_share))
    choose_sets(
        table,
        limits=SetLimits(
            max_share=settings.max_share,
            max_fwhm=settings.max_fwhm,
            max_eccentricity=settings.max_eccentricity,
            min_frames=settings.min_frames,
        ),
        keep_in=settings.keep_in,
        leave_out=settings.leave_out,
    )
    return estimate_response(table)
