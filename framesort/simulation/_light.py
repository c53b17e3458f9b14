"""Stars and nebula on one frame: what the heater, dew and the optics make of their light."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from framesort.simulation._blur import PointSpread, Spike
from framesort.simulation._field import SimulatedSky, resample
from framesort.simulation._heater import Heater
from framesort.simulation._profiles import StarShape, draw_spikes, draw_stars
from framesort.simulation._scenario import Scenario
from framesort.simulation._timeline import PlannedExposure

__all__ = ["add_stars", "frame_shape", "frame_spread", "heated_profile", "nebula_light"]

HALO_WIDTH = 6.0
"""Width of dew's halo in widths of the star."""

FIELD_STEPS = 6
"""Widths between which stars over the field are mixed."""


def heated_profile(
    scenario: Scenario, fwhm: float, power: float, exposure: float, *, configuration: str = ""
) -> tuple[float, float, float]:
    """Width, Moffat exponent and share of the spike of stars at a heater power; see `Heater`."""
    heater = scenario.heater_in(configuration)
    level = power / 100
    blur = heater.blur * level**heater.blur_power * (exposure / 60) ** heater.exposure_power
    beta = scenario.seeing.beta + (heater.beta - scenario.seeing.beta) * level
    spike = heater.spike * max(0.0, power - heater.spike_from) / (100 - heater.spike_from)
    return float(np.hypot(fwhm, blur)), beta, spike


def frame_spread(
    scenario: Scenario, planned: PlannedExposure, *, growth: float = 0.0
) -> PointSpread:
    """How a frame spreads the light of a point.

    A frame is the sum of its parts, each with the profile of the power that acts on it. `growth`
    is that of the unheated width at a place of the field.
    """
    parts, fwhm, spikes = [], planned.fwhm * (1 + growth), []
    spider, name = scenario.camera.spider, planned.configuration
    heater = scenario.heater_in(name)
    for share, power in planned.heating:
        share *= (1 - planned.halo) * (1 - spider)
        width, beta, spike = heated_profile(
            scenario, fwhm, power, planned.exposure, configuration=name
        )
        parts.append((share * (1 - spike), width, beta))
        if spike > 0:
            width, _, _ = heated_profile(
                scenario, planned.fwhm, power, planned.exposure, configuration=name
            )
            spikes.append(_spike(heater, share * spike, width, heater.spike_angle))
    if planned.halo > 0:
        parts.append((planned.halo * (1 - spider), HALO_WIDTH * fwhm, 2.2))
    if spider > 0:
        for angle in (scenario.camera.spider_angle, scenario.camera.spider_angle + 90):
            spikes.append(_spike(scenario.heater, spider / 2, planned.fwhm, angle))
    return PointSpread(tuple(parts), tuple(spikes), planned.trail, planned.trail_angle)


def _spike(heater: Heater, share: float, width: float, angle: float) -> Spike:
    return Spike(share, heater.spike_length * width, 0.9 * width / 2.3548, angle)


def frame_shape(scenario: Scenario, planned: PlannedExposure, *, growth: float = 0.0) -> StarShape:
    """Shape of a frame's stars, spikes aside: its sum is below 1 by their share."""
    return frame_spread(scenario, planned, growth=growth).star_shape()


def _growth(
    scenario: Scenario, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Growth of the unheated width at places of the image, as a share; at most as at its edge."""
    camera, seeing = scenario.camera, scenario.seeing
    u = np.clip(2 * x / (camera.width - 1) - 1, -1, 1)
    v = np.clip(2 * y / (camera.height - 1) - 1, -1, 1)
    square = (u * camera.width) ** 2 + (v * camera.height) ** 2
    return seeing.corners * square / (camera.width**2 + camera.height**2) + seeing.tilt * u


def _shares(growth: NDArray[np.float64]) -> Iterator[tuple[float, NDArray[np.float64]]]:
    """Growths to draw with, and the share of each at every place; linear between them."""
    if not growth.any():
        yield 0.0, np.ones_like(growth)
        return
    nodes = np.linspace(growth.min(), growth.max(), FIELD_STEPS)
    step = max(nodes[1] - nodes[0], 1e-12)
    for node in nodes:
        yield float(node), np.clip(1 - np.abs(growth - node) / step, 0, 1)


def add_stars(
    image: NDArray[np.float64],
    scenario: Scenario,
    field: SimulatedSky,
    planned: PlannedExposure,
    *,
    filter_name: str,
    matrix: NDArray[np.float64],
    factor: float,
) -> None:
    """Add the stars of a filter, with their spikes, as a frame with this transform sees them.

    Parameters
    ----------
    image : (ny, nx) float64 ndarray
        Changed in place.
    planned : PlannedExposure
        Gives the profile.
    matrix : (3, 3) ndarray
        Takes (x, y, 1) of the image to (x, y, 1) of the first frame.
    factor : float
        Seconds of exposure times transparency, over electrons a count where counts are wanted.
    """
    inverse = np.linalg.inv(matrix)
    x, y = inverse[:2, :2] @ np.array([field.x, field.y]) + inverse[:2, 2:]
    flux = field.rates[filter_name] * factor
    for growth, part in _shares(_growth(scenario, x, y)):
        mine = part > 0
        shape = frame_shape(scenario, planned, growth=growth)
        draw_stars(image, x[mine], y[mine], (flux * part)[mine], shape=shape)
    for share, length, sigma, angle in frame_spread(scenario, planned).spikes:
        draw_spikes(image, x, y, flux * share, angle=angle, length=length, sigma=sigma)


def nebula_light(
    scenario: Scenario,
    field: SimulatedSky,
    planned: PlannedExposure,
    *,
    filter_name: str,
    matrix: NDArray[np.float64],
    shape: tuple[int, int],
) -> NDArray[np.float64]:
    """Nebula and galaxies in a filter, through the profile of the frame's stars.

    Returns
    -------
    (ny, nx) float64 ndarray
        Electrons per second and pixel on the grid that `matrix` takes to the first frame's.
    """
    spectrum = field.extended[filter_name]
    to_picture = field.to_picture @ matrix
    y, x = np.ogrid[: spectrum.shape[0], : spectrum.shape[1]]
    back = np.linalg.inv(to_picture)
    growth = _growth(
        scenario,
        back[0, 0] * x + back[0, 1] * y + back[0, 2],
        back[1, 0] * x + back[1, 1] * y + back[1, 2],
    )
    picture = np.zeros(spectrum.shape, np.float32)
    for node, part in _shares(growth):
        spread = frame_spread(scenario, planned, growth=node)
        picture += part.astype(np.float32) * spectrum.through(spread, to_picture[:2, :2])
    return resample(picture, to_picture, shape)
