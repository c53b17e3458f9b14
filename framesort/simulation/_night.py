"""Writes a simulated night with its logs and its truth."""

import os
from concurrent.futures import Executor
from pathlib import Path
from typing import NamedTuple

from astropy.table import Table

from framesort.errors import OutputError
from framesort.files import safe_name, write_fits, write_table, write_text
from framesort.simulation._frames import draw_calibration, draw_frame
from framesort.simulation._headers import frame_header
from framesort.simulation._logs import power_samples, supply_current, switch_events
from framesort.simulation._scenario import Scenario
from framesort.simulation._timeline import PlannedExposure, plan_exposures
from framesort.simulation._truth import truth_stars, truth_table, write_truth_picture
from framesort.workers import Progress, run_tasks

__all__ = ["simulate_night"]


class _FrameTask(NamedTuple):
    """One file to be drawn; light frames have a planned, the others none."""

    scenario: Scenario
    path: str
    planned: PlannedExposure | None
    kind: str
    number: int
    filter: str
    start: float
    exposure: float


def simulate_night(
    scenario: Scenario,
    out: str | os.PathLike[str],
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
    overwrite: bool = False,
) -> Table:
    """Draw a night: its frames, its heater logs and its truth.

    Parameters
    ----------
    scenario : Scenario
        As `read_scenario` gives it.
    out : path
        Folder. Gets ``frames/``, ``heater_power.csv``, ``heater_switches.csv``,
        ``supply_current.csv``, ``truth.ecsv`` (the table returned), and for each filter
        ``truth-FILTER.fits`` (see `draw_truth`) with ``truth-stars.ecsv``.
    executor : `~concurrent.futures.Executor` or None
        Where frames are drawn; None for this process.
    progress : callable or None
        Wraps the iteration over frames, as `tqdm.tqdm` does.
    overwrite : bool
        Replace files that are there already.

    Returns
    -------
    `~astropy.table.Table`
        A row a light frame: file, filter, start, exposure, heater_share, heater_power,
        heater_state, fwhm (true, pixel and trail included), fwhm_unheated (what it would
        have been with the heater off), spike_share, spike_angle, transparency, sky,
        matrix ((3, 3), takes (x, y, 1) of the frame to the first frame) and remarks; and
        configuration where the scenario has any.

    Raises
    ------
    InputError
        An event of the scenario lies after the last frame.
    OutputError
        The folder holds a night already and `overwrite` is false, or cannot be written.
    """
    folder = Path(out)
    if (folder / "truth.ecsv").exists() and not overwrite:
        raise OutputError(f"{folder} holds a night already; give --overwrite to replace it")
    exposures = plan_exposures(scenario)
    tasks = _list_tasks(scenario, exposures, folder)
    _clear_folder(folder, tasks)
    drawn = list(run_tasks(_write_frame, tasks, executor=executor, progress=progress))
    truth = truth_table(scenario, exposures, folder, [one for one in drawn if one is not None])
    write_text(folder / "heater_power.csv", power_samples(scenario, exposures))
    write_text(folder / "heater_switches.csv", switch_events(scenario))
    write_text(folder / "supply_current.csv", supply_current(scenario, exposures))
    for one in scenario.filters_used:
        write_truth_picture(scenario, one.name, folder)
    write_table(folder / "truth-stars.ecsv", truth_stars(scenario))
    write_table(folder / "truth.ecsv", truth)
    return truth


def _clear_folder(folder: Path, tasks: list[_FrameTask]) -> None:
    """Take away frames that an earlier simulation wrote here and this one does not.

    Only files that its truth lists are touched; any other frame in the folder would be taken
    for one of this night's, which is an error.
    """
    names = {Path(task.path).name for task in tasks}
    strange = {path.name for path in (folder / "frames").glob("*.fits")} - names
    truth = folder / "truth.ecsv"
    if strange and truth.exists():
        listed = {Path(str(file)).name for file in Table.read(truth)["file"]}
        for name in strange & listed:
            (folder / "frames" / name).unlink()
        strange -= listed
    if strange:
        raise OutputError(
            f"{folder / 'frames'} holds {len(strange)} frames that are not of this night "
            f"(first: {min(strange)}); remove them or choose another folder"
        )


def _list_tasks(
    scenario: Scenario, exposures: list[PlannedExposure], folder: Path
) -> list[_FrameTask]:
    frames = folder / "frames"
    tasks = [
        _FrameTask(
            scenario,
            str(frames / f"{planned.number:03d}-{safe_name(planned.filter)}.fits"),
            planned,
            "light",
            planned.number,
            planned.filter,
            planned.start,
            planned.exposure,
        )
        for planned in exposures
    ]
    end = exposures[-1].start + exposures[-1].exposure + 60
    longest = max(planned.exposure for planned in exposures)
    for k in range(scenario.calibration.darks):
        path, start = str(frames / f"dark-{k + 1:03d}.fits"), end + k * (longest + 2)
        tasks.append(_FrameTask(scenario, path, None, "dark", k + 1, "", start, longest))
    end += scenario.calibration.darks * (longest + 2) + 60
    for i, name in enumerate(dict.fromkeys(run.filter for run in scenario.run)):
        for k in range(scenario.calibration.flats):
            number = i * scenario.calibration.flats + k + 1
            path = str(frames / f"flat-{safe_name(name)}-{k + 1:03d}.fits")
            start = end + 5.0 * number
            tasks.append(_FrameTask(scenario, path, None, "flat", number, name, start, 2.0))
    return tasks


def _write_frame(task: _FrameTask) -> tuple[float, float] | None:
    """Draw and write one file; width and sky of a light frame."""
    result = None
    if task.planned is not None:
        counts, width, sky = draw_frame(task.scenario, task.planned)
        result = width, sky
    else:
        counts = draw_calibration(task.scenario, task.kind, task.number, exposure=task.exposure)
    header = frame_header(
        task.scenario,
        start=task.start,
        exposure=task.exposure,
        kind=task.kind,
        filter_name=task.filter,
    )
    keyword = task.scenario.logger.keyword
    if task.planned is not None and keyword != "none":
        header[keyword] = (round(task.planned.power, 3), "[percent] mean heater power")
    write_fits(task.path, counts, header)
    return result
