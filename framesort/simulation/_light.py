"""The light of stars on one frame: what the heater, dew and the optics make of it."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from framesort.simulation._field import Field
from framesort.simulation._profiles import StarShape, build_shape, draw_lines, draw_stars
from framesort.simulation._scenario import Scenario
from framesort.simulation._timeline import Shot

__all__ = ["add_light", "frame_lines", "frame_shape", "heated_profile"]

HALO_WIDTH = 6.0
"""Width of dew's halo in widths of the star."""

FIELD_STEPS = 6
"""Widths between which stars over the field are mixed."""


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


def frame_shape(scenario: Scenario, shot: Shot, *, growth: float = 0.0) -> StarShape:
    """Shape of a frame's stars, lines of light aside: its sum is below 1 by their share.

    The heater acts at once and in proportion to the light collected while it is on, so a frame
    is the sum of its parts. `growth` is that of the unheated width at a place of the field.
    """
    parts, fwhm = [], shot.fwhm * (1 + growth)
    for share, power in shot.heating:
        width, beta, line = heated_profile(scenario, fwhm, power, shot.exposure)
        parts.append((share * (1 - shot.halo) * (1 - line), width, beta))
    if shot.halo > 0:
        parts.append((shot.halo, HALO_WIDTH * fwhm, 2.2))
    spider = 1 - scenario.camera.spider
    return build_shape(
        [(share * spider, width, beta) for share, width, beta in parts],
        trail=shot.trail,
        trail_angle=shot.trail_angle,
    )


def frame_lines(scenario: Scenario, shot: Shot) -> list[tuple[float, float, float]]:
    """Share of the light, width of the star and angle of each line through a frame's stars."""
    spider, lines = scenario.camera.spider, []
    for share, power in shot.heating:
        width, _, line = heated_profile(scenario, shot.fwhm, power, shot.exposure)
        if line > 0:
            share *= (1 - shot.halo) * (1 - spider) * line
            lines.append((share, width, scenario.heater.line_angle))
    if spider > 0:
        for angle in (scenario.camera.spider_angle, scenario.camera.spider_angle + 90):
            lines.append((spider / 2, shot.fwhm, angle))
    return lines


def _growth(
    scenario: Scenario, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Growth of the unheated width at places of the image, as a share; at most as at its edge."""
    camera, seeing = scenario.camera, scenario.seeing
    u = np.clip(2 * x / (camera.width - 1) - 1, -1, 1)
    v = np.clip(2 * y / (camera.height - 1) - 1, -1, 1)
    square = (u * camera.width) ** 2 + (v * camera.height) ** 2
    return seeing.corners * square / (camera.width**2 + camera.height**2) + seeing.tilt * u


def add_light(
    image: NDArray[np.float64],
    scenario: Scenario,
    field: Field,
    *,
    filter_name: str,
    matrix: NDArray[np.float64],
    factor: float,
    shape_at: Callable[[float], StarShape],
    lines: list[tuple[float, float, float]],
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
    shape_at : callable
        Gives the stars' shape where their unheated width has grown by a share.
    lines
        As `frame_lines` gives them.
    """
    inverse = np.linalg.inv(matrix)
    x, y = inverse[:2, :2] @ np.array([field.x, field.y]) + inverse[:2, 2:]
    flux = field.rates[filter_name] * factor
    growth = _growth(scenario, x, y)
    if not growth.any():
        draw_stars(image, x, y, flux, shape=shape_at(0.0))
    else:
        nodes = np.linspace(growth.min(), growth.max(), FIELD_STEPS)
        step = max(nodes[1] - nodes[0], 1e-12)
        for node in nodes:
            part = np.clip(1 - np.abs(growth - node) / step, 0, 1)
            mine = part > 0
            draw_stars(image, x[mine], y[mine], (flux * part)[mine], shape=shape_at(float(node)))
    for share, width, angle in lines:
        draw_lines(
            image,
            x,
            y,
            flux * share,
            angle=angle,
            length=scenario.heater.line_length * width,
            sigma=0.9 * width / 2.3548,
        )
