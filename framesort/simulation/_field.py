"""What is on the simulated sky: stars, a nebula with filaments and arcs, small galaxies.

The sky has the pixel grid of the night's first frame, with a margin for dithers,
drift and turns.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.ndimage import gaussian_filter

from framesort.compiled import loop
from framesort.simulation._blur import Spectrum
from framesort.simulation._profiles import cubic_weights
from framesort.simulation._scenario import Nebula, Scenario, Stars

__all__ = [
    "SimulatedSky",
    "build_field",
    "draw_catalogue",
    "draw_galaxies",
    "draw_nebula",
    "resample",
]


PICTURE_PIXELS = 5e6
"""Size above which nebula and galaxies are drawn on a coarser grid, to bound memory."""


@dataclass(frozen=True, eq=False)
class SimulatedSky:
    """The sky of a night.

    Attributes
    ----------
    to_picture : (3, 3) ndarray
        Takes (x, y, 1) of the first frame to (x, y, 1) of the pictures, which reach beyond it
        and are coarser for very large frames.
    x, y : (n,) ndarray
        Places of the stars on the grid of the first frame.
    rates : dict of str to (n,) ndarray
        Light of the stars by filter, electrons per second.
    extended : dict of str to Spectrum
        Nebula and galaxies by filter, electrons per second and pixel, on the pictures' grid.
    """

    to_picture: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    rates: dict[str, NDArray[np.float64]]
    extended: dict[str, Spectrum]


def build_field(scenario: Scenario, *, margin: int, first: NDArray[np.float64]) -> SimulatedSky:
    """Draw the sky of a scenario; the same seed and margin give the same sky.

    `first` (3, 3) takes the pixels of the first frame to those of the image without offset.
    """
    camera = scenario.camera
    shape = camera.height + 2 * margin, camera.width + 2 * margin
    coarse = int(np.ceil(np.sqrt(shape[0] * shape[1] / PICTURE_PIXELS)))
    size = -(-shape[0] // coarse), -(-shape[1] // coarse)
    to_picture = np.diag([1 / coarse, 1 / coarse, 1.0])
    to_picture[:2, 2] = (margin + 0.5) / coarse - 0.5
    # Each part has its own generator: more stars do not change the nebula.
    generators = [np.random.default_rng([scenario.world, part]) for part in range(4)]
    diffuse, filaments = draw_nebula(scenario.nebula, size, camera.height / coarse, generators[0])
    x, y, light = draw_catalogue(scenario.stars, shape, camera.height * camera.width, generators[1])
    rates = {}
    for i, one in enumerate(scenario.filter):
        colour = 10 ** generators[2].normal(0, scenario.stars.colour, len(x)) if i else 1.0
        rates[one.name] = light * one.stars * colour
    galaxies = draw_galaxies(scenario.nebula, size, margin // coarse, generators[3])
    inverse = np.linalg.inv(first)
    x, y = inverse[:2, :2] @ (np.array([x, y]) - margin) + inverse[:2, 2:]
    extended = {
        one.name: Spectrum(
            np.float32(one.diffuse) * diffuse
            + np.float32(one.filaments) * filaments
            + np.float32(one.galaxies) * galaxies
        )
        for one in scenario.filters_used
    }
    return SimulatedSky(to_picture @ first, x, y, rates, extended)


def draw_catalogue(
    stars: Stars, shape: tuple[int, int], area: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    count = round(stars.count * shape[0] * shape[1] / area)
    x, y = rng.uniform(0, shape[1] - 1, count), rng.uniform(0, shape[0] - 1, count)
    # Number against light as a power law, cut at both ends (inverse of its distribution).
    ratio = (stars.brightest / stars.faintest) ** -stars.slope
    light = stars.faintest * (1 - rng.uniform(0, 1, count) * (1 - ratio)) ** (-1 / stars.slope)
    return x, y, light


def _fractal(
    shape: tuple[int, int], coarsest: float, slope: float, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Gaussian noise of mean 0 and deviation 1 whose power falls as frequency^-slope."""
    rows, columns = next_fast_len(shape[0], real=True), next_fast_len(shape[1], real=True)
    spectrum = rfft2(rng.standard_normal((rows, columns), dtype=np.float32))
    frequency = np.hypot(np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns))
    spectrum *= (frequency**2 + coarsest**-2.0) ** (-slope / 4)
    noise = irfft2(spectrum, s=(rows, columns))[: shape[0], : shape[1]]
    return np.asarray((noise - noise.mean()) / noise.std())


def draw_nebula(
    nebula: Nebula, shape: tuple[int, int], height: float, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The smooth and the fine part, each with highest value 1."""
    rows, columns = np.ogrid[: shape[0], : shape[1]]
    size = nebula.extent * height
    cloud = _fractal(shape, nebula.coarsest, 3.4, rng)
    ridges = _fractal(shape, nebula.coarsest / 2.5, 3.9, rng)
    dust = _fractal(shape, nebula.coarsest / 2, 3.2, rng)
    warp = [size * 0.18 * _fractal(shape, nebula.coarsest, 4.6, rng) for _ in range(2)]
    dx = columns - shape[1] * rng.uniform(0.42, 0.58) + warp[0]
    dy = rows - shape[0] * rng.uniform(0.42, 0.58) + warp[1]
    tilt = rng.uniform(0, np.pi)
    u, v = dx * np.cos(tilt) + dy * np.sin(tilt), -dx * np.sin(tilt) + dy * np.cos(tilt)
    radius = np.hypot(u, v / 0.75) / size
    envelope = np.exp(-(radius**2.2))
    lanes = 1 / (1 + np.exp(3.5 * (dust - 0.9)))  # dust hides what is behind it
    diffuse = envelope * np.exp(0.55 * cloud) * (0.25 + 0.75 * lanes)
    # Thin bright ridges where the noise passes through zero, and arcs of broken shells.
    threads = np.exp(-((ridges / (0.12 * nebula.thickness)) ** 2)) * np.clip(
        0.4 + 0.5 * cloud, 0, None
    )
    filaments = 0.55 * envelope * threads
    angle = np.arctan2(v, u)
    for _ in range(nebula.arcs):
        place, middle = rng.uniform(0.45, 1.15), rng.uniform(-np.pi, np.pi)
        wide, thin = rng.uniform(0.35, 0.9), nebula.thickness * rng.uniform(0.006, 0.016)
        away = (angle - middle + np.pi) % (2 * np.pi) - np.pi
        filaments += (
            rng.uniform(0.5, 1.0)
            * np.exp(-(((radius - place) / thin) ** 2) - (away / wide) ** 2)
            * np.clip(0.8 + 0.5 * cloud, 0.1, None)
        )
    filaments *= 0.3 + 0.7 * lanes
    return _scaled(diffuse, nebula.finest), _scaled(filaments, nebula.finest)


def _scaled(picture: NDArray[np.float64], sigma: float) -> NDArray[np.float32]:
    smooth = gaussian_filter(picture.astype(np.float32), sigma)
    # The brightest thousandth counts as 1: a single peak must not set the scale.
    return np.asarray((smooth / max(float(np.percentile(smooth, 99.9)), 1e-30)).astype(np.float32))


def draw_galaxies(
    nebula: Nebula, shape: tuple[int, int], margin: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Exponential discs with two spiral arms, a small bulge and knots along the arms.

    The first is the largest and has the height 1.
    """
    picture = np.zeros(shape, dtype=np.float32)
    for k in range(nebula.galaxies):
        x = rng.uniform(margin + 20, shape[1] - margin - 20)
        y = rng.uniform(margin + 20, shape[0] - margin - 20)
        scale, ratio, turn = rng.uniform(0.4, 1), rng.uniform(0.35, 1), rng.uniform(0, np.pi)
        scale = nebula.galaxy * (1.0 if k == 0 else scale)
        height = 1.0 if k == 0 else rng.uniform(0.3, 1)
        half = int(9 * scale)
        y0, x0 = max(0, int(y) - half), max(0, int(x) - half)
        dy, dx = np.mgrid[y0 : min(shape[0], y0 + 2 * half), x0 : min(shape[1], x0 + 2 * half)]
        dx, dy = dx - x, dy - y
        u, v = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
        v = v / ratio
        # An exponential disc with a soft centre, faded out within its box.
        distance = np.hypot(u, v)
        disc = np.exp(-np.sqrt((distance / scale) ** 2 + 0.25) + 0.5)
        angle, winding = np.arctan2(v, u), np.log(distance / scale + 0.2)
        arms = (0.5 + 0.5 * np.cos(2 * angle - winding / 0.2)) ** 2
        knots = (0.5 + 0.5 * np.cos(7 * angle + 9 * winding)) ** 4
        light = disc * (0.3 + arms * (0.9 + 0.9 * knots))
        light += 1.2 * np.exp(-distance / (0.18 * scale))
        fade = np.clip((half - np.hypot(dx, dy)) / (0.3 * half), 0, 1)
        light *= fade / light.max()
        picture[y0 : y0 + dx.shape[0], x0 : x0 + dx.shape[1]] += height * light
    return picture


def resample(
    picture: NDArray[np.float32], matrix: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Picture as seen through a transform, by cubic convolution (Keys 1981, a = -1/2).

    Parameters
    ----------
    picture : (my, mx) float32 ndarray
        Source.
    matrix : (3, 3) ndarray
        Takes (x, y, 1) of the result to (x, y, 1) of the picture.
    shape : (ny, nx)
        Of the result.

    Returns
    -------
    (ny, nx) float64 ndarray
        Beyond the picture's border its border value holds.
    """
    if np.allclose(matrix[:2, :2], np.eye(2), atol=1e-12) and np.allclose(
        matrix[:2, 2], np.rint(matrix[:2, 2]), atol=1e-9
    ):
        column, row = np.rint(matrix[:2, 2]).astype(int)
        if (
            min(row, column) >= 0
            and row + shape[0] <= picture.shape[0]
            and column + shape[1] <= picture.shape[1]
        ):
            cut = picture[row : row + shape[0], column : column + shape[1]]
            return cut.astype(np.float64)
    result = np.empty(shape)
    _resample(picture, np.ascontiguousarray(matrix, dtype=np.float64), result)
    return result


@loop()
def _resample(picture, matrix, result):  # type: ignore[no-untyped-def]
    height, width = picture.shape
    wx, wy = np.empty(4), np.empty(4)
    for j in range(result.shape[0]):
        for i in range(result.shape[1]):
            x = matrix[0, 0] * i + matrix[0, 1] * j + matrix[0, 2]
            y = matrix[1, 0] * i + matrix[1, 1] * j + matrix[1, 2]
            x, y = min(max(x, 0.0), width - 1.0), min(max(y, 0.0), height - 1.0)
            column, row = int(np.floor(x)), int(np.floor(y))
            cubic_weights(x - column, wx)
            cubic_weights(y - row, wy)
            total = 0.0
            for b in range(4):
                v = min(max(row + b - 1, 0), height - 1)
                line = 0.0
                for a in range(4):
                    line += wx[a] * picture[v, min(max(column + a - 1, 0), width - 1)]
                total += wy[b] * line
            result[j, i] = total
