"""One frame of a simulated night: light, sky and camera to counts."""

import numpy as np
from numpy.typing import NDArray

from framesort.simulation._light import add_stars, frame_shape, nebula_light
from framesort.simulation._profiles import profile_width
from framesort.simulation._scenario import Event, Filter, Scenario
from framesort.simulation._stage import set_stage
from framesort.simulation._timeline import PlannedExposure

__all__ = ["draw_calibration", "draw_frame"]

READ_OUT_PIXELS = 2**20
"""Pixels that are read out at a time, to bound memory."""


def draw_frame(
    scenario: Scenario, planned: PlannedExposure
) -> tuple[NDArray[np.uint16], float, float]:
    """Expose one frame.

    Returns
    -------
    counts : (ny, nx) uint16 ndarray
        What the camera writes.
    fwhm : float
        True width of its stars at the centre, pixel and trail included, pixels.
    sky : float
        Mean level of the sky above the offset, ADU.
    """
    stage, camera = set_stage(scenario), scenario.camera
    rng = np.random.default_rng([scenario.seed, 13, planned.number])
    filters = scenario.filters_of(planned.filter)
    light = _collect(scenario, planned, filters[0])
    if len(filters) > 1:
        by_letter = dict(
            zip("RGB", [light, *(_collect(scenario, planned, f) for f in filters[1:])], strict=True)
        )
        light = np.empty_like(light)
        for k, letter in enumerate(camera.pattern):
            place = (..., slice(k // 2, None, 2), slice(k % 2, None, 2))
            light[place] = by_letter[letter][place]
    for track in planned.tracks:
        _add_track(light, track, planned.fwhm, rng)
    light *= stage.flat
    light += stage.dark * planned.exposure
    _add_cosmic_rays(light, camera.cosmic_rays * planned.exposure / 60, rng)
    sky = float(np.mean([one.sky for one in filters])) * planned.sky * planned.exposure
    width = profile_width(frame_shape(scenario, planned))
    return _read_out(light, scenario, rng), width, sky / camera.gain


def _collect(scenario: Scenario, planned: PlannedExposure, one: Filter) -> NDArray[np.float64]:
    """Electrons that arrive through a filter: nebula, stars and sky."""
    stage = set_stage(scenario)
    field = stage.field
    factor = planned.exposure * planned.transparency
    light = nebula_light(
        scenario,
        field,
        planned,
        filter_name=one.name,
        matrix=planned.matrix,
        shape=stage.flat.shape,
    )
    light *= factor
    add_stars(
        light, scenario, field, planned, filter_name=one.name, matrix=planned.matrix, factor=factor
    )
    light += one.sky * planned.sky * planned.exposure * stage.gradient
    return light


def _read_out(
    light: NDArray[np.floating], scenario: Scenario, rng: np.random.Generator
) -> NDArray[np.uint16]:
    camera = scenario.camera
    counts = np.empty(light.shape, dtype=np.uint16)
    rows = max(1, READ_OUT_PIXELS // light.shape[1])
    for first in range(0, light.shape[0], rows):
        part = light[first : first + rows]
        electrons = rng.poisson(np.maximum(part, 0)).astype(np.float32)
        electrons += np.float32(camera.read_noise) * rng.standard_normal(part.shape, np.float32)
        level = np.rint(electrons / np.float32(camera.gain) + np.float32(camera.offset))
        counts[first : first + rows] = np.clip(level, 0, camera.saturation)
    return counts


def _add_track(
    light: NDArray[np.float64], track: Event, fwhm: float, rng: np.random.Generator
) -> None:
    """A satellite, or an aircraft with two wing lights that blink, across the whole image."""
    height, width = light.shape
    turn = np.deg2rad(track.angle)
    x = width * rng.uniform(0.25, 0.75)
    y = height * rng.uniform(0.25, 0.75)
    rows, columns = np.ogrid[:height, :width]
    along = (columns - x) * np.cos(turn) + (rows - y) * np.sin(turn)
    across = -(columns - x) * np.sin(turn) + (rows - y) * np.cos(turn)
    sigma = fwhm / 2.3548
    sides = (-14.0, 0.0, 14.0) if track.kind == "aircraft" else (0.0,)
    for side in sides:
        glow = np.exp(-0.5 * ((across - side) / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
        if track.kind == "aircraft":
            glow *= (np.cos(2 * np.pi * along / 130 + side) > 0.8) * 4 + 0.2
        light += track.strength * glow


def _add_cosmic_rays(light: NDArray[np.float64], expected: float, rng: np.random.Generator) -> None:
    """Short straight tracks with sharp edges."""
    height, width = light.shape
    for _ in range(rng.poisson(expected)):
        steps = np.arange(0, rng.exponential(4) + 0.5, 0.5)
        turn = rng.uniform(0, 2 * np.pi)
        x = np.rint(rng.uniform(0, width) + steps * np.cos(turn)).astype(int)
        y = np.rint(rng.uniform(0, height) + steps * np.sin(turn)).astype(int)
        inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        light[y[inside], x[inside]] += 10 ** rng.uniform(2.5, 3.8)


def draw_calibration(
    scenario: Scenario, kind: str, number: int, *, filter_name: str = "", exposure: float
) -> NDArray[np.uint16]:
    """A dark or a flat of the night's camera."""
    stage, camera = set_stage(scenario), scenario.camera
    rng = np.random.default_rng([scenario.seed, 14, number, kind == "flat"])
    light = stage.dark * exposure
    if kind == "flat":
        light = light + 0.4 * camera.saturation * camera.gain * stage.flat
    return _read_out(light, scenario, rng)
