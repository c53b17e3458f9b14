"""Star profiles drawn fast and integrated over the pixel.

The core of a profile is a table at an eighth of a pixel, each cell already averaged over a
pixel, from which a star at any place is interpolated; the far wings come from the profile
along the radius. A star ends where its light falls below `FAINTEST`, a small part of the
noise of any frame, so no edge of a box shows.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d, map_coordinates
from scipy.signal import fftconvolve

from framesort.compiled import loop, part

__all__ = [
    "StarShape",
    "build_shape",
    "cubic_weights",
    "draw_spikes",
    "draw_stars",
    "moffat",
    "profile_width",
]

OVERSAMPLE = 8
"""Cells of the core table per pixel."""

CORE = 24
"""Radius of the core table in pixels."""

WING_STEP = 0.25
"""Step of the profile along the radius in pixels; linear between: better than 0.1 % at CORE."""

FAINTEST = 0.02
"""Light per pixel at which a star ends, electrons."""


@dataclass(frozen=True)
class StarShape:
    """How the light of a star of unit flux falls on the pixels of one frame, spikes aside.

    Attributes
    ----------
    core : (n, n) float ndarray
        Share of the light in a pixel against its place, `OVERSAMPLE` cells a pixel.
    wing : (m,) float ndarray
        The same along the radius, `WING_STEP` pixels a cell, from the centre.
    """

    core: NDArray[np.float64]
    wing: NDArray[np.float64]


def moffat(
    radius_squared: NDArray[np.floating[Any]], *, fwhm: float, beta: float
) -> NDArray[np.float64]:
    """Moffat's profile of unit flux at squared radii (pixels); Moffat 1969, A&A 3, 455.

    ``I = (beta - 1) / (pi a^2) (1 + r^2 / a^2)^-beta`` with
    ``fwhm = 2 a sqrt(2^(1/beta) - 1)``.
    """
    core = fwhm**2 / (4 * (2 ** (1 / beta) - 1))
    height = (beta - 1) / (np.pi * core)
    return np.asarray(height * np.exp(-beta * np.log1p(radius_squared / core)))


def _pixel_average(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Average over a pixel around each sample, by Simpson's rule along both axes."""
    weights = np.ones(OVERSAMPLE + 1)
    weights[1:-1:2], weights[2:-1:2] = 4, 2
    weights /= weights.sum()
    for axis in (0, 1):
        samples = correlate1d(samples, weights, axis=axis, mode="nearest")
    return samples


def _trail_kernel(length: float, angle: float) -> NDArray[np.float64]:
    """A straight trail of unit sum on the cells of the core table."""
    half = 0.5 * length * OVERSAMPLE
    size = int(np.ceil(half)) + 1
    count = 4 * size
    steps = half * (2 * (np.arange(count) + 0.5) / count - 1)  # middles of equal pieces
    x, y = size + steps * np.cos(np.deg2rad(angle)), size + steps * np.sin(np.deg2rad(angle))
    kernel = np.zeros((2 * size + 2, 2 * size + 2))
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    for dx in (0, 1):
        for dy in (0, 1):
            share = np.abs(1 - dx - x + column) * np.abs(1 - dy - y + row)
            np.add.at(kernel, (row + dy, column + dx), share)
    return np.asarray(kernel[:-1, :-1] / kernel.sum())


def build_shape(
    parts: Sequence[tuple[float, float, float]],
    *,
    trail: float = 0.0,
    trail_angle: float = 0.0,
    reach: float = 2000.0,
) -> StarShape:
    """Make the shape of stars as a sum of Moffat profiles, trailed on a straight line.

    Parameters
    ----------
    parts : sequence of (share, fwhm, beta)
        Share of the light, full width at half maximum in pixels, exponent.
    trail : float
        Length of the trail in pixels.
    trail_angle : float
        Its angle, degrees counter-clockwise from +x.
    reach : float
        Radius to which wings are held, pixels.

    Returns
    -------
    StarShape
    """
    rim = OVERSAMPLE // 2 + int(np.ceil(trail * OVERSAMPLE / 2)) + 2
    half = CORE * OVERSAMPLE + 2 * OVERSAMPLE + rim
    axis = (np.arange(2 * half + 1) - half) / OVERSAMPLE
    squares = axis[:, None] ** 2 + axis**2
    radius = np.arange(int(reach / WING_STEP) + 2) * WING_STEP
    core, wing = np.zeros_like(squares), np.zeros_like(radius)
    for share, fwhm, beta in parts:
        core = core + share * moffat(squares, fwhm=fwhm, beta=beta)
        wing = wing + share * moffat(radius**2, fwhm=fwhm, beta=beta)
    core = _pixel_average(core)
    if trail > 0:
        core = fftconvolve(core, _trail_kernel(trail, trail_angle), mode="same")
    return StarShape(np.ascontiguousarray(core[rim:-rim, rim:-rim]), wing)


def profile_width(shape: StarShape) -> float:
    """Full width at half maximum of a shape, pixel included, in pixels.

    Of a trailed shape it is the diameter of the circle with the area of the contour at
    half maximum.
    """
    centre = shape.core.shape[0] // 2
    radius = np.arange(0, CORE, 0.5 / OVERSAMPLE)
    turn = np.linspace(0, np.pi, 60, endpoint=False)  # a shape is the same turned by half
    rows = centre + OVERSAMPLE * np.outer(np.sin(turn), radius)
    columns = centre + OVERSAMPLE * np.outer(np.cos(turn), radius)
    light = map_coordinates(shape.core, [rows, columns], order=3)
    half = 0.5 * light[0, 0]
    below = np.argmax(light < half, axis=1)
    ray = np.arange(len(turn))
    high, low = light[ray, below - 1], light[ray, below]
    contour = radius[1] * (below - 1 + (high - half) / (high - low))
    return float(2 * np.sqrt(np.mean(contour**2)))


def draw_stars(
    image: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    *,
    shape: StarShape,
    faintest: float = FAINTEST,
) -> None:
    """Add stars to an image.

    Parameters
    ----------
    image : (ny, nx) float64 ndarray
        Changed in place.
    x, y : (n,) ndarray
        Places; pixel (0, 0) is the centre of the first pixel. Stars outside the image
        add the wings that reach it.
    flux : (n,) ndarray
        Total light of each, in the image's unit.
    shape : StarShape
        Profile of all of them.
    faintest : float
        A star ends at the radius where its light per pixel falls below this.
    """
    _add_stars(image, x, y, flux, shape.core, shape.wing, faintest)


@loop()
def _add_stars(image, x, y, flux, core, wing, faintest):  # type: ignore[no-untyped-def]
    height, width = image.shape
    centre = core.shape[0] // 2
    wx, wy = np.empty(4), np.empty(4)
    for s in range(len(x)):
        if not flux[s] > 0:
            continue
        low, high = 0, len(wing) - 1  # wing falls all along: find where the star ends
        while high - low > 1:
            middle = (low + high) // 2
            if wing[middle] * flux[s] > faintest:
                low = middle
            else:
                high = middle
        reach = max(high * WING_STEP, 5.0)
        x0, x1 = max(0, int(np.ceil(x[s] - reach))), min(width - 1, int(np.floor(x[s] + reach)))
        y0, y1 = max(0, int(np.ceil(y[s] - reach))), min(height - 1, int(np.floor(y[s] + reach)))
        # A pixel is a whole number of cells: the place between cells is the same for all pixels.
        column = np.floor(-x[s] * OVERSAMPLE)
        row = np.floor(-y[s] * OVERSAMPLE)
        cubic_weights(-x[s] * OVERSAMPLE - column, wx)
        cubic_weights(-y[s] * OVERSAMPLE - row, wy)
        for j in range(y0, y1 + 1):
            dy = j - y[s]
            for i in range(x0, x1 + 1):
                dx = i - x[s]
                r = np.sqrt(dx * dx + dy * dy)
                if r > reach:
                    continue
                light = 0.0
                mix = min(1.0, max(0.0, (CORE - r) / 4.0))  # core to wing over 4 px
                if mix > 0:
                    cx = centre + i * OVERSAMPLE + int(column) - 1
                    cy = centre + j * OVERSAMPLE + int(row) - 1
                    total = 0.0
                    for b in range(4):
                        line = 0.0
                        for a in range(4):
                            line += wx[a] * core[cy + b, cx + a]
                        total += wy[b] * line
                    light += mix * total
                if mix < 1:
                    cell = int(r / WING_STEP)
                    part = r / WING_STEP - cell
                    light += (1 - mix) * (wing[cell] * (1 - part) + wing[cell + 1] * part)
                image[j, i] += flux[s] * light


@part()
def cubic_weights(t, weights):  # type: ignore[no-untyped-def]
    """Weights of the four neighbours of a place (Keys 1981, a = -1/2)."""
    weights[0] = ((-0.5 * t + 1.0) * t - 0.5) * t
    weights[1] = (1.5 * t - 2.5) * t * t + 1.0
    weights[2] = ((-1.5 * t + 2.0) * t + 0.5) * t
    weights[3] = (0.5 * t - 0.5) * t * t


def draw_spikes(
    image: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    *,
    angle: float,
    length: float,
    sigma: float,
    faintest: float = FAINTEST,
) -> None:
    """Add a two-sided spike through each star.

    Parameters
    ----------
    image : (ny, nx) float64 ndarray
        Changed in place.
    x, y : (n,) ndarray
        Places of the stars.
    flux : (n,) ndarray
        Total light of each spike.
    angle : float
        Degrees counter-clockwise from +x.
    length : float
        The light falls to 1/e at this distance from the star, pixels.
    sigma : float
        Of the Gaussian across the spike, pixels; the pixel adds 1/12 to its square.
    faintest : float
        A spike ends where its light per pixel falls below this.
    """
    spread = float(np.sqrt(sigma**2 + 1 / 12))
    turn = np.deg2rad(angle)
    along = float(np.cos(turn)), float(np.sin(turn))
    _add_spikes(image, x, y, flux, along, float(length), spread, faintest)


@loop()
def _add_spikes(image, x, y, flux, along, length, sigma, faintest):  # type: ignore[no-untyped-def]
    height, width = image.shape
    cosine, sine = along
    band = 5.0 * sigma
    for s in range(len(x)):
        top = flux[s] / (2.0 * length * np.sqrt(2.0 * np.pi) * sigma)
        if not top > faintest:
            continue
        reach = length * np.log(top / faintest)
        spanx, spany = abs(cosine) * reach + band, abs(sine) * reach + band
        y0, y1 = max(0, int(y[s] - spany)), min(height - 1, int(y[s] + spany) + 1)
        for j in range(y0, y1 + 1):
            dy = j - y[s]
            left, right = x[s] - spanx, x[s] + spanx
            if abs(sine) > 1e-6:
                middle = x[s] + dy * cosine / sine
                left = max(left, middle - band / abs(sine))
                right = min(right, middle + band / abs(sine))
            for i in range(max(0, int(np.ceil(left))), min(width - 1, int(np.floor(right))) + 1):
                dx = i - x[s]
                u, v = dx * cosine + dy * sine, -dx * sine + dy * cosine
                image[j, i] += top * np.exp(-abs(u) / length - 0.5 * v * v / (sigma * sigma))
