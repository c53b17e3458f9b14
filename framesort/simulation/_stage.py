"""What all frames of a simulated night share: the plan, the sky and the sensor."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.simulation._field import SimulatedSky, build_field
from framesort.simulation._scenario import Scenario
from framesort.simulation._timeline import PlannedExposure, plan_exposures

__all__ = ["Stage", "set_stage"]


@dataclass(frozen=True, eq=False)
class Stage:
    """What all frames of a night share: plan, sky and sensor.

    Attributes
    ----------
    exposures : list of PlannedExposure
        The plan.
    field : SimulatedSky
        The sky.
    dark : (ny, nx) float32 ndarray
        Dark current of each pixel, hot ones included, electrons per second.
    flat : (ny, nx) float32 ndarray
        Share of light that vignetting leaves.
    gradient : (ny, nx) float32 ndarray
        Factor of the sky's light over the image, mean 1.
    """

    exposures: list[PlannedExposure]
    field: SimulatedSky
    dark: NDArray[np.float32]
    flat: NDArray[np.float32]
    gradient: NDArray[np.float32]


@lru_cache(maxsize=1)
def set_stage(scenario: Scenario) -> Stage:
    """Plan a night and draw its sky and sensor; a worker does so once for all its frames."""
    camera, exposures = scenario.camera, plan_exposures(scenario)
    field = build_field(scenario, margin=_margin(scenario, exposures), first=exposures[0].pointing)
    shape = camera.height, camera.width
    rng = np.random.default_rng([scenario.world, 12])
    dark = np.full(shape, camera.dark_current, dtype=np.float32)
    hot = tuple(rng.integers(0, side, camera.hot_pixels) for side in shape)
    dark[hot] += camera.hot_current * 10 ** rng.normal(0, 0.5, camera.hot_pixels)
    v = np.arange(camera.height, dtype=np.float32)[:, None] - (camera.height - 1) / 2
    u = np.arange(camera.width, dtype=np.float32) - (camera.width - 1) / 2
    radius = np.hypot(camera.width, camera.height) / 2
    flat = 1 - camera.vignetting * ((u / radius) ** 2 + (v / radius) ** 2)
    turn = np.deg2rad(scenario.sky.gradient_angle)
    slope = u / (2 * radius) * np.cos(turn) + v / (2 * radius) * np.sin(turn)
    gradient = 1 + scenario.sky.gradient * slope
    return Stage(exposures, field, dark, flat.astype(np.float32), gradient.astype(np.float32))


def _margin(scenario: Scenario, exposures: list[PlannedExposure]) -> int:
    """Pixels of sky needed beyond the image on each side, wings of stars outside included."""
    camera = scenario.camera
    corners = np.array(
        [[x, y, 1.0] for x in (0, camera.width - 1) for y in (0, camera.height - 1)]
    ).T
    places = np.concatenate([(planned.pointing @ corners)[:2].T for planned in exposures])
    beyond = max(-places.min(), *(places.max(0) - [camera.width - 1, camera.height - 1]), 0)
    needed = int(beyond) + 40
    if 0 < scenario.mount.margin < needed:
        raise InputError(
            f"mount.margin must be at least {needed} for this night's offsets, "
            f"got {scenario.mount.margin}"
        )
    return scenario.mount.margin or needed
