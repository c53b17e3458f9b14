"""The truth of a simulated night: a row a frame, ideal pictures, a list of the stars."""

from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

import framesort
from framesort.files import safe_name, write_fits
from framesort.simulation._light import (
    add_stars,
    frame_shape,
    heated_profile,
    nebula_light,
)
from framesort.simulation._profiles import profile_width
from framesort.simulation._scenario import Scenario
from framesort.simulation._stage import set_stage
from framesort.simulation._timeline import PlannedExposure, heater_trace, plan_exposures

__all__ = ["draw_truth", "truth_stars", "truth_table", "write_truth_picture"]


def truth_table(
    scenario: Scenario,
    exposures: list[PlannedExposure],
    folder: Path,
    drawn: list[tuple[float, float]],
) -> Table:
    start = np.array([planned.start for planned in exposures])
    exposure = np.array([planned.exposure for planned in exposures])
    share, power = heater_trace(scenario).average(start, start + exposure)
    table = Table()
    table["file"] = [
        f"frames/{planned.number:03d}-{safe_name(planned.filter)}.fits" for planned in exposures
    ]
    table["filter"] = [planned.filter for planned in exposures]
    table["start"] = Time(start, format="unix", scale="utc", precision=3)
    table["start"].format = "isot"
    table["exposure"] = exposure * u.s
    table["heater_share"] = share
    table["heater_power"] = power * u.percent
    table["heater_state"] = ["off" if s == 0 else "on" if s == 1 else "part" for s in share]
    table["fwhm"] = [width for width, _ in drawn] * u.pix
    table["fwhm_unheated"] = [_unheated_width(scenario, planned) for planned in exposures] * u.pix
    table["spike_share"] = [
        sum(
            part
            * heated_profile(
                scenario,
                planned.fwhm,
                level,
                planned.exposure,
                configuration=planned.configuration,
            )[2]
            for part, level in planned.heating
        )
        for planned in exposures
    ]
    table["spike_angle"] = np.full(len(exposures), scenario.heater.spike_angle % 180) * u.deg
    table["transparency"] = [planned.transparency for planned in exposures]
    table["sky"] = [sky for _, sky in drawn] * u.adu
    table["trail"] = [planned.trail for planned in exposures] * u.pix
    table["matrix"] = np.array([planned.matrix for planned in exposures])
    table["remarks"] = ["; ".join(planned.remarks) for planned in exposures]
    if scenario.configuration:
        table["configuration"] = [planned.configuration for planned in exposures]
    table.meta["title"] = scenario.title
    table.meta["first_pointing"] = [[float(v) for v in row] for row in exposures[0].pointing]
    table.meta["seed"] = scenario.seed
    table.meta["creator"] = f"framesort {framesort.__version__}"
    return table


def _unheated_width(scenario: Scenario, planned: PlannedExposure) -> float:
    return profile_width(frame_shape(scenario, replace(planned, halo=0.0, heating=((1.0, 0.0),))))


def _ideal_exposure(scenario: Scenario, filter_name: str, fwhm: float | None) -> PlannedExposure:
    """An exposure with the heater off, no trail, no dew, and the typical seeing."""
    run = scenario.first_run(filter_name)
    exposures = [planned for planned in plan_exposures(scenario) if planned.filter == run.filter]
    if fwhm is None:
        cold = [
            planned.fwhm for planned in exposures if all(power == 0 for _, power in planned.heating)
        ]
        fwhm = float(np.median(cold or [planned.fwhm for planned in exposures]))
    return replace(
        exposures[0], fwhm=fwhm, exposure=run.exposure, trail=0.0, halo=0.0, heating=((1.0, 0.0),)
    )


def draw_truth(
    scenario: Scenario,
    filter_name: str,
    *,
    matrix: NDArray[np.float64] | None = None,
    shape: tuple[int, int] | None = None,
    fwhm: float | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw what a perfect telescope in the same seeing would have seen in one exposure.

    Without sky, offset, noise, vignetting and limit of the pixels; transparency 1; heater off.

    Parameters
    ----------
    scenario : Scenario
        The night.
    filter_name : str
        A filter of the night.
    matrix : (3, 3) array_like or None
        Takes (x, y, 1) of the picture wanted to (x, y, 1) of the first frame, as in the
        night's truth table; None for the grid of the first frame.
    shape : (ny, nx) or None
        Of the picture; None for that of a frame.
    fwhm : float or None
        Width of the profile before the pixel, pixels; None for the median of the
        filter's heater-off frames.

    Returns
    -------
    stars, nebula : (ny, nx) float64 ndarray
        ADU of a frame with the exposure of the filter's first run. They add up to the ideal
        picture. The nebula holds the galaxies; it is seen through the stars' profile.

    Raises
    ------
    InputError
        The night has no frame in this filter.
    """
    scenario.filter_named(filter_name)  # says which there are
    stage = set_stage(scenario)
    planned, field = _ideal_exposure(scenario, filter_name, fwhm), stage.field
    matrix = np.eye(3) if matrix is None else np.asarray(matrix, dtype=float)
    shape = stage.flat.shape if shape is None else shape
    factor = planned.exposure / scenario.camera.gain
    nebula = nebula_light(
        scenario, field, planned, filter_name=filter_name, matrix=matrix, shape=shape
    )
    nebula *= factor
    stars = np.zeros(shape)
    add_stars(
        stars, scenario, field, planned, filter_name=filter_name, matrix=matrix, factor=factor
    )
    return stars, nebula


def write_truth_picture(scenario: Scenario, filter_name: str, folder: Path) -> None:
    stars, nebula = draw_truth(scenario, filter_name)
    planned = _ideal_exposure(scenario, filter_name, None)
    header = fits.Header()
    header["BUNIT"] = "adu"
    header["FILTER"] = filter_name
    header["OBJECT"] = scenario.object
    header["EXPTIME"] = (planned.exposure, "[s] exposure it stands for")
    width = profile_width(frame_shape(scenario, planned))
    header["FWHM"] = (round(width, 5), "[px] of the stars, pixel included")
    header["SWCREATE"] = f"framesort {framesort.__version__} simulation"
    header["COMMENT"] = "Ideal picture on the grid of the first frame: no sky, noise or heater."
    write_fits(
        folder / f"truth-{safe_name(filter_name)}.fits",
        (stars + nebula).astype(np.float32),
        header,
        extensions={"STARS": stars.astype(np.float32), "NEBULA": nebula.astype(np.float32)},
    )


def truth_stars(scenario: Scenario) -> Table:
    """Place on the first frame and flux by filter, brightest first in the first filter."""
    field = set_stage(scenario).field
    table = Table()
    table["x"], table["y"] = field.x * u.pix, field.y * u.pix
    for one in scenario.filters_used:
        factor = scenario.first_run(one.name).exposure / scenario.camera.gain
        table[f"flux_{one.name}"] = field.rates[one.name] * factor * u.adu
    return table[np.argsort(-field.rates[scenario.filters_used[0].name], kind="stable")]
