"""First half of the pipeline: frames and heater log to a tagged table with the two sets."""

import logging
import os
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.nddata import CCDData
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import NotEnoughFramesError
from framesort.evidence import (
    Response,
    estimate_response,
    fit_onset,
    measure_spike_excess,
)
from framesort.frames import find_frames, read_frames
from framesort.heater import make_header_heater
from framesort.night._given import given_qualities
from framesort.night._memory import as_heater, list_frames, store_frames
from framesort.night._nights import SpikeByNight, by_night, spikes_by_night
from framesort.night._notes import collect_warnings, log_notes
from framesort.night._others import describe_targets, without_others
from framesort.night._read import check_patterns, measure_table, settle_masters
from framesort.night._run import NightRun, StageProgress
from framesort.night._states import (
    Heater,
    check_log,
    clock_offsets,
    estimate_clocks,
    estimate_states,
    given_clock,
    read_traces,
    tag_states,
)
from framesort.quality import add_quality_columns, measure_transparency
from framesort.records import (
    ClockOffset,
    FrameQuality,
    HeaterTrace,
    Note,
    Onset,
    add_column,
    unique_notes,
)
from framesort.selection import SetLimits, choose_sets
from framesort.settings import Settings
from framesort.tags import tag_frames

_LOG = logging.getLogger(__name__)

__all__ = ["SortedNight", "log_name", "sort_frames", "sort_step"]


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
        What the stars say of the log's clock; of several nights the first that is off.
    clocks : dict of str to ClockOffset
        The same by night; empty without a log.
    line : SpikeByNight or None
        How the spike follows nights and flips, and whether a gap explains it.
    response : Response or None
        What power does to the stars.
    onset : Onset or None
        How the effect follows a change of power; None where the log has no change.
    settings : Settings
        Of the run.
    left_out : tuple of (str, str)
        File and reason of each frame that is in no set because it could not be used.
    notes : tuple of Note
        For the user; those that put the heater log itself in doubt come first.
    """

    table: Table
    qualities: tuple[FrameQuality, ...]
    trace: HeaterTrace | None
    clock: ClockOffset | None
    response: Response | None
    settings: Settings
    clocks: dict[str, ClockOffset] = field(default_factory=dict)
    line: SpikeByNight | None = None
    onset: Onset | None = None
    left_out: tuple[tuple[str, str], ...] = ()
    notes: tuple[Note, ...] = ()


def sort_frames(
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    *,
    heater: Heater = None,
    settings: Settings | None = None,
    cache: Path | None = None,
    exclude: Path | None = None,
    stars: Mapping[Any, Any] | Sequence[Any] | None = None,
    executor: Executor | None = None,
    progress: StageProgress | None = None,
) -> SortedNight:
    """Measure, tag and select the frames of a night. Writes nothing but the cache.

    Parameters
    ----------
    frames : iterable of path or `~astropy.nddata.CCDData`
        As `framesort.frames.find_frames` takes them. CCDData are written to files, mask and
        unit with them, since a night is read more than once: into the folder ``frames`` of
        `exclude`, else into one for temporary files that goes when Python ends.
    heater : path, float, Quantity, HeaterTrace, Table, mappings, a list of these, or None
        The heater log, or several, say one a night; or the same as a table (QTable, TimeSeries,
        a list of mappings); or a constant power in percent, or as a quantity; None to let the
        estimate states from the stars.
    settings : Settings or None
        None for the defaults.
    cache : path or None
        Folder in which measurements are kept for the next run.
    exclude : path or None
        Folder whose files are not frames.
    stars : mapping of path to star list, sequence or None
        Measured elsewhere: by path (a bare file name will do where it is the only one), or one
        a frame in the order of `frames`. A list is a table as
        `framesort.quality.adopt_star_list` takes it, with ``sky``, ``noise`` and ``saturation``
        in its ``meta`` where known, or a FrameQuality. Pixels are not read then.
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
    run = NightRun(
        settings=settle_masters(Settings() if settings is None else settings),
        executor=executor,
        progress=progress,
        cache=cache,
    )
    return sort_step(run, list_frames(frames), heater=heater, exclude=exclude, stars=stars)


def sort_step(
    run: NightRun,
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    *,
    heater: Heater,
    exclude: Path | None,
    stars: Mapping[Any, Any] | Sequence[Any] | None,
) -> SortedNight:
    """Read headers, measure, tag, grade and select: `sort_frames` within a run.

    `frames` has been through `list_frames`.
    """
    settings = run.settings
    trace, notes = read_traces(heater, settings)
    with collect_warnings() as caught:
        table, paths, found = _read_headers(run, frames, exclude, power=trace is None)
        notes += found
        own = "heater_power" in table.colnames  # by the camera's own clock
        if own:
            trace = make_header_heater(
                table["start"], table["exposure"], np.asarray(table["heater_power"], dtype=float)
            )
        qualities, found = _measure(run, table, stars, paths)
        notes += found
        star_states = estimate_states(table)
        clocks = {} if trace is None or own else estimate_clocks(table, trace, star_states)
        name = log_name(heater)
        notes += tag_states(table, trace, settings, clocks, star_states, name)
        response = _judge_frames(table, qualities, settings)
        for row in table:
            _LOG.debug(
                "%s: %d stars, FWHM %.2f px, heater %s, %s (%s)",
                os.path.basename(str(row["file"])), row["stars"], row["fwhm"], row["heater_state"],
                row["grade"] or "not used", row["reason"],
            )  # fmt: skip
        notes[:0] = check_log(table, trace, clocks, star_states, response)
    notes = sorted(unique_notes([*notes, *caught]), key=lambda note: note.severity != "error")
    log_notes(_LOG, notes)
    left_out = [(str(r["file"]), str(r["reason"])) for r in table if not r["grade"]]
    if any(note.code == "log covers no frame" for note in notes):
        left_out.insert(0, (name, "covers no frame"))
    return SortedNight(
        table=table,
        qualities=tuple(qualities),
        trace=trace,
        clock=given_clock(clocks),
        clocks=clocks,
        line=spikes_by_night(table, settings),
        response=response,
        onset=_fit_onset(table, trace, clock_offsets(table, settings, clocks)),
        settings=settings,
        left_out=tuple(left_out),
        notes=tuple(notes),
    )


def _read_headers(
    run: NightRun,
    frames: Iterable[str | os.PathLike[str] | CCDData] | CCDData,
    exclude: Path | None,
    *,
    power: bool,
) -> tuple[Table, list[Path], list[Note]]:
    """The table of what is a frame, the paths of all files, and notes; `power` of headers too."""
    settings = run.settings
    masters = run.masters.all  # a bad master ends the run before any frame is read
    # Absolute, so that the night can be merged from any folder.
    others, stored = store_frames(frames, exclude)
    found = find_frames(others, exclude=exclude) if not stored or others else []
    paths = [path.absolute() for path in (*found, *stored)]
    table = read_frames(
        paths,
        power_keyword=settings.heater_keyword if power else None,
        day_first=settings.day_first,
        camera_zone=settings.camera_zone,
        max_size=settings.max_size,
        targets=settings.target,
        cache=run.cache,
        progress=run.stage("reading headers"),
    )
    notes = table.meta.pop("notes", [])
    table, others_notes = without_others(table, [master.path for master in masters])
    return table, paths, [*notes, *others_notes, *describe_targets(table)]


def _measure(
    run: NightRun,
    table: Table,
    stars: Mapping[Any, Any] | Sequence[Any] | None,
    paths: Sequence[Path],
) -> tuple[list[FrameQuality], list[Note]]:
    """Star quality of each row, measured or as given; the table gains its columns."""
    reader, notes = run.reader(table)
    notes += check_patterns(table, reader)
    with collect_warnings() as found:
        if stars is not None:
            qualities = given_qualities(stars, table, paths)
        else:
            qualities = measure_table(run, table, reader)
    add_quality_columns(table, qualities)
    if not np.isfinite(table["fwhm"]).any():
        raise NotEnoughFramesError(_nothing_measured(table, found))
    light = measure_transparency(
        qualities, list(table["group"]), cache=run.cache, executor=run.executor
    )
    add_column(table, "transparency", light)
    return qualities, [*notes, *found]


def log_name(heater: Heater) -> str:
    """What to call the heater log or logs."""
    heater = as_heater(heater)
    logs = heater if isinstance(heater, list | tuple) else [heater]
    return "; ".join(str(log) for log in logs if isinstance(log, str | os.PathLike | int | float))


def _nothing_measured(table: Table, measuring: Sequence[Note]) -> str:
    reasons = [str(reason) for reason in table["reason"]]
    usual = max(set(reasons), key=reasons.count)
    first = measuring[0] if measuring else table["file"][0]
    return f"none of {len(table)} frames could be measured, most often: {usual} (first: {first})"


def _fit_onset(
    table: Table, trace: HeaterTrace | None, offsets: NDArray[np.float64]
) -> Onset | None:
    """How the effect follows changes of power; None without a log that holds one."""
    if trace is None:
        return None
    onset = fit_onset(table, trace, clock_offset=offsets)
    return onset if onset.switches else None


def _judge_frames(table: Table, qualities: list[FrameQuality], settings: Settings) -> Response:
    """Line excess, grades and sets; what power does to the stars."""
    share = np.asarray(table["heater_share"], dtype=float)
    # Each night is compared with its own heater-off frames.
    work = by_night(table)
    strength, error, angle = measure_spike_excess(qualities, list(work["group"]), share < 0.005)
    for one in (table, work):
        add_column(one, "spike_strength", strength)
        add_column(one, "spike_strength_err", error)
        add_column(one, "spike_angle", angle)
    tag_frames(work)
    for name in ("grade", "reason"):
        add_column(table, name, work[name])
    choose_sets(
        table,
        limits=SetLimits(
            max_share=settings.max_share,
            max_power=settings.max_power,
            deep_max_fwhm=settings.deep_max_fwhm,
            max_fwhm=settings.max_fwhm,
            max_eccentricity=settings.max_eccentricity,
            max_spike=settings.max_spike,
            min_frames=settings.min_frames,
        ),
        keep_in=settings.keep_in,
        leave_out=settings.leave_out,
    )
    return estimate_response(table)
