"""Small invented pairs of stacks whose truth is known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter


@dataclass
class Pair:
    """Two stacks and what they are made of; [y, x], ADU, deep flux scale."""

    deep: NDArray
    sharp: NDArray
    nebula: NDArray
    deep_light: NDArray
    sharp_light: NDArray
    x: NDArray
    y: NDArray
    flux: NDArray
    sigma: float

    @property
    def truth(self) -> NDArray:
        """Deep stack without noise, had its stars been as sharp as the sharp stack's."""
        return self.nebula + self.sharp_light


def gaussian_moffat(dx, dy, width, beta):
    """Moffat (1969) profile of flux 1 and FWHM `width`."""
    a = width / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return (beta - 1) / (np.pi * a * a) * (1 + (dx**2 + dy**2) / a**2) ** -beta


def line_of_light(dx, dy, angle, length, width):
    """Two-sided line of flux 1: exponential along, normal across."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    u, v = dx * c + dy * s, dy * c - dx * s
    return np.exp(-np.abs(u) / length - v * v / 2 / width**2) / (
        2 * length * np.sqrt(2 * np.pi) * width
    )


def make_pair(
    seed=1,
    shape=(320, 400),
    stars=140,
    widths=(4.2, 3.0),
    line=0.05,
    angle=25.0,
    top=6e5,
    scale=1.0,
    full=np.inf,
    noise=(2.5, 6.0),
    places=None,
    fluxes=None,
    extra=0.0,
    sharp_extra=0.0,
):
    """Draw a pair; `scale` is sharp flux per deep flux.

    `extra` light belongs to both stacks, `sharp_extra` to the sharp one only.
    """
    rng = np.random.default_rng(seed)
    yy, xx = np.mgrid[: shape[0], : shape[1]].astype(float)
    nebula = sum(
        weight * v / v.std()
        for s, weight in ((60, 12.0), (15, 4.0))
        for v in [gaussian_filter(rng.normal(size=shape), s)]
    )
    nebula = nebula + 300 + extra
    if places is None:
        x, y = rng.uniform(4, shape[1] - 5, stars), rng.uniform(4, shape[0] - 5, stars)
        flux = np.minimum(10 ** (2.9 + rng.exponential(0.6, stars)), top)
        flux[:3] = top * np.array([1, 0.5, 0.3])
    else:
        (x, y), flux = np.array(places, float).T, np.array(fluxes, float)
    deep_light, sharp_light = np.zeros(shape), np.zeros(shape)
    for a, b, f in zip(x, y, flux, strict=True):
        dx, dy = xx - a, yy - b
        sharp_light += f * gaussian_moffat(dx, dy, widths[1], 3.0)
        deep_light += f * (1 - line) * gaussian_moffat(dx, dy, widths[0], 2.8)
        deep_light += f * line * line_of_light(dx, dy, angle, 18.0, 1.5)
    deep = np.minimum(nebula + deep_light, full) + rng.normal(size=shape) * np.hypot(
        noise[0], np.sqrt(deep_light / 60)
    )
    seen = (nebula + sharp_light + sharp_extra) * scale
    sharp = np.minimum(seen, full) + rng.normal(size=shape) * np.hypot(
        noise[1] * scale, np.sqrt(sharp_light * scale / 10)
    )
    return Pair(
        deep.astype(np.float32),
        sharp.astype(np.float32),
        nebula,
        deep_light,
        sharp_light,
        x,
        y,
        flux,
        noise[0],
    )
