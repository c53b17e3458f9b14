"""One frame of an invented night: light, sky and camera to counts, and its header."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from framesort.simulation._field import Field, build_field, resample
from framesort.simulation._profiles import (
    StarShape,
    build_shape,
    draw_lines,
    draw_stars,
    profile_width,
)
from framesort.simulation._scenario import Event, Scenario
from framesort.simulation._timeline import Shot, plan_shots

__all__ = [
    "Stage",
    "add_light",
    "draw_calibration",
    "draw_frame",
    "frame_shape",
    "heated_profile",
    "set_stage",
]

READ_OUT_PIXELS = 2**20
"""Pixels that are read out at a time, to bound memory."""

HALO_WIDTH = 6.0
"""Width of dew's halo in widths of the star."""


@dataclass(frozen=True, eq=False)
class Stage:
    """What all frames of a night share: plan, sky and sensor.

    Attributes
    ----------
    shots : list of Shot
        The plan.
    field : Field
        The sky.
    dark : (ny, nx) float32 ndarray
        Dark current of each pixel, hot ones included, electrons per second.
    flat : (ny, nx) float32 ndarray
        Share of light that vignetting leaves.
    gradient : (ny, nx) float32 ndarray
        Factor of the sky's light over the image, mean 1.
    """

    shots: list[Shot]
    field: Field
    dark: NDArray[np.float32]
    flat: NDArray[np.float32]
    gradient: NDArray[np.float32]


@lru_cache(maxsize=1)
def set_stage(scenario: Scenario) -> Stage:
    """Plan a night and invent its sky and sensor; a worker does so once for all its frames."""
    camera, shots = scenario.camera, plan_shots(scenario)
    corners = np.array(
        [[x, y, 1.0] for x in (0, camera.width - 1) for y in (0, camera.height - 1)]
    ).T
    places = np.concatenate([(shot.matrix @ corners)[:2].T for shot in shots])
    beyond = max(-places.min(), *(places.max(0) - [camera.width - 1, camera.height - 1]), 0)
    field = build_field(scenario, margin=int(beyond) + 40)
    shape = camera.height, camera.width
    rng = np.random.default_rng([scenario.seed, 12])
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
    return Stage(shots, field, dark, flat.astype(np.float32), gradient.astype(np.float32))


def heated_profile(
    scenario: Scenario, fwhm: float, power: float, exposure: float
) -> tuple[float, float, float]:
    """Width, Moffat exponent and share of the line of stars at a heater power; see `Heater`."""
    heater = scenario.heater
    level = power / 100
    blur = heater.blur * level**heater.blur_power * (exposure / 60) ** heater.exposure_power
    beta = scenario.seeing.beta + (heater.beta - scenario.seeing.beta) * level
    line = heater.line * max(0.0, power - heater.line_from) / (100 - heater.line_from)
    return float(np.hypot(fwhm, blur)), beta, line


def frame_shape(scenario: Scenario, shot: Shot) -> tuple[StarShape, list[tuple[float, float]]]:
    """Shape of a frame's stars and its lines of light.

    The heater acts at once and in proportion to the light collected while it is on, so a frame
    is the sum of its parts.

    Returns
    -------
    shape : StarShape
        All light but the lines; its sum is below 1 by their share.
    lines : list of (share, fwhm)
        Share of the light in the line of each part of the exposure, and the width then.
    """
    parts, lines = [], []
    for share, power in shot.heating:
        width, beta, line = heated_profile(scenario, shot.fwhm, power, shot.exposure)
        share *= 1 - shot.halo
        parts.append((share * (1 - line), width, beta))
        if line > 0:
            lines.append((share * line, width))
    if shot.halo > 0:
        parts.append((shot.halo, HALO_WIDTH * shot.fwhm, 2.2))
    return build_shape(parts, trail=shot.trail, trail_angle=shot.trail_angle), lines


def add_light(
    image: NDArray[np.float64],
    scenario: Scenario,
    field: Field,
    *,
    filter_name: str,
    matrix: NDArray[np.float64],
    factor: float,
    shape: StarShape,
    lines: list[tuple[float, float]],
) -> None:
    """Add the stars of a filter, with their lines, as a frame with this transform sees them.

    Parameters
    ----------
    image : (ny, nx) float64 ndarray
        Changed in place.
    matrix : (3, 3) ndarray
        Takes (x, y, 1) of the image to (x, y, 1) of the first frame.
    factor : float
        Seconds of exposure times transparency, over electrons a count where counts are wanted.
    shape, lines
        As `frame_shape` gives them.
    """
    inverse = np.linalg.inv(matrix)
    x, y = inverse[:2, :2] @ np.array([field.x, field.y]) + inverse[:2, 2:]
    flux = field.rates[filter_name] * factor
    draw_stars(image, x, y, flux, shape=shape)
    for share, width in lines:
        draw_lines(
            image,
            x,
            y,
            flux * share,
            angle=scenario.heater.line_angle,
            length=scenario.heater.line_length * width,
            sigma=0.9 * width / 2.3548,
        )


def draw_frame(scenario: Scenario, shot: Shot) -> tuple[NDArray[np.uint16], float, float]:
    """Expose one frame.

    Returns
    -------
    counts : (ny, nx) uint16 ndarray
        What the camera writes.
    fwhm : float
        True width of its stars, pixel and trail included, pixels.
    sky : float
        Mean level of the sky above the offset, ADU.
    """
    stage, camera = set_stage(scenario), scenario.camera
    rng = np.random.default_rng([scenario.seed, 13, shot.number])
    one = scenario.filter_named(shot.filter)
    shape, lines = frame_shape(scenario, shot)
    field = stage.field
    light = resample(field.picture(one), field.to_picture @ shot.matrix, stage.flat.shape)
    light *= shot.exposure * shot.transparency
    add_light(
        light,
        scenario,
        field,
        filter_name=one.name,
        matrix=shot.matrix,
        factor=shot.exposure * shot.transparency,
        shape=shape,
        lines=lines,
    )
    for track in shot.tracks:
        _add_track(light, track, shot.fwhm, rng)
    sky = one.sky * shot.sky * shot.exposure
    light += sky * stage.gradient
    light *= stage.flat
    light += stage.dark * shot.exposure
    _add_cosmic_rays(light, camera.cosmic_rays * shot.exposure / 60, rng)
    return _read_out(light, scenario, rng), profile_width(shape), sky / camera.gain


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
        counts[first : first + rows] = np.clip(level, 0, camera.full)
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
        light = light + 0.4 * camera.full * camera.gain * stage.flat
    return _read_out(light, scenario, rng)
