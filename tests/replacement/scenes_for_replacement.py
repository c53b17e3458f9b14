"""Small simulated pairs of stacks whose truth is known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.signal import fftconvolve


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


def spike_follows(dx, dy, angle, length, width):
    """Two-sided line of flux 1: exponential along, normal across."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    u, v = dx * c + dy * s, dy * c - dx * s
    return np.exp(-np.abs(u) / length - v * v / 2 / width**2) / (
        2 * length * np.sqrt(2 * np.pi) * width
    )


def draw_starlight(shape, x, y, flux, profile, least=0.01):
    """Sum of stars; of each the square outside of which it adds less than `least` to any pixel."""
    light = np.zeros(shape)
    reach = max(shape)
    away = np.arange(-reach, reach + 1, 3.0)
    columns, rows = np.meshgrid(away, away)
    distance = np.maximum(np.abs(columns), np.abs(rows)).ravel()
    inwards = np.argsort(-distance)
    distance = distance[inwards]
    highest = np.maximum.accumulate(profile(columns, rows).ravel()[inwards])
    for a, b, f in zip(x, y, flux, strict=True):
        half = distance[min(np.searchsorted(highest, least / f), len(distance) - 1)] + 2
        j = np.arange(max(0, np.ceil(b - half)), min(shape[0] - 1, b + half) + 1)
        i = np.arange(max(0, np.ceil(a - half)), min(shape[1] - 1, a + half) + 1)
        light[np.ix_(j.astype(int), i.astype(int))] += f * profile(i - a, j[:, None] - b)
    return light


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

    def cold(dx, dy):
        return gaussian_moffat(dx, dy, widths[1], 3.0)

    def hot(dx, dy):
        spike = line * spike_follows(dx, dy, angle, 18.0, 1.5)
        return (1 - line) * gaussian_moffat(dx, dy, widths[0], 2.8) + spike

    deep_light, sharp_light = (draw_starlight(shape, x, y, flux, part) for part in (hot, cold))
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


@dataclass
class BlurredPair(Pair):
    """A pair in which heat blurred the nebula as it blurred the stars; `nebula` is the sharp one.

    `deep_nebula` is the nebula as the deep stack shows it, `noise` the deep stack's at each pixel,
    `spike` the light of all spikes in the deep stack.
    """

    deep_nebula: NDArray
    noise: NDArray
    spike: NDArray


def fractal(shape, slope, rng):
    """Gaussian noise of deviation 1 whose power falls with frequency as a power law."""
    frequency = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1]))
    frequency[0, 0] = np.inf
    noise = np.fft.irfft2(np.fft.rfft2(rng.normal(size=shape)) * frequency ** (-slope / 2), s=shape)
    return noise / noise.std()


def threads(shape, width, rng):
    """Bright curves of one width (standard deviation, pixels): where smooth noise is zero."""
    level = gaussian_filter(fractal(shape, 3.0, rng), 4)
    distance = level / np.maximum(np.hypot(*np.gradient(level)), 1e-6)
    return np.exp(-((distance / width) ** 2) / 2)


def spiral(shape, rng):
    """An inclined disc with two arms, a bulge, a dust lane inside each arm, and knots."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    x, y = x - 0.47 * shape[1], y - 0.55 * shape[0]
    turn = 0.6
    u, v = x * np.cos(turn) + y * np.sin(turn), (y * np.cos(turn) - x * np.sin(turn)) / 0.65
    radius, size = np.hypot(u, v), 0.15 * min(shape)
    phase = 2 * np.arctan2(v, u) - np.log(radius / size + 0.1) / 0.17
    arms, lanes = (0.5 + 0.5 * np.cos(phase)) ** 3, (0.5 + 0.5 * np.cos(phase - 0.9)) ** 12
    disc = np.exp(-radius / size)
    light = disc * (0.3 + arms) * (1 - 0.6 * lanes) + np.exp(-radius / 4)
    some = np.argwhere((arms > 0.5) & (radius > 0.6 * size) & (radius < 3.2 * size))
    for j, i in rng.choice(some, 80, replace=False):
        spot = np.s_[max(0, j - 8) : j + 9, max(0, i - 8) : i + 9]
        away = (x[spot] - x[j, i]) ** 2 + (y[spot] - y[j, i]) ** 2
        light[spot] += (
            rng.uniform(0.3, 1.2) * disc[j, i] * np.exp(-away / 2 / rng.uniform(0.8, 2) ** 2)
        )
    return light


def draw_sky(kind, shape, rng):
    """Extended light before any blur, its brightest hundredth at 1 and more.

    `cloud`: soft with a few ridges; `spiral`: a galaxy; `filaments`: threads thinner than stars
    and a dark cloud with a hard edge; `flat`: none.
    """
    if kind == "flat":
        return np.zeros(shape)
    if kind == "spiral":
        light = spiral(shape, rng)
    else:
        soft = np.exp(0.8 * fractal(shape, 3.3, rng))
        soft /= np.percentile(soft, 99)
        if kind == "cloud":
            light = soft + 0.5 * soft * threads(shape, 2.0, rng)
        else:
            light = 0.2 * soft + sum(threads(shape, 0.6, rng) * w for w in (1.0, 0.6, 0.3))
            light = light * np.where(fractal(shape, 3.4, rng) > 1, 0.3, 1.0)
    return light / np.percentile(light, 99)


BRIGHTNESS = {"cloud": 1500.0, "spiral": 1500.0, "filaments": 400.0, "flat": 0.0}
"""Of the brightest hundredth of each kind of sky, ADU."""


def make_blurred_pair(
    kind="cloud",
    seed=1,
    shape=(360, 440),
    stars=130,
    brightness=None,
    widths=(2.8, 3.9),
    line=0.05,
    angle=62.0,
    frames=(12, 28),
    top=6e5,
    full=6e4,
    read_noise=4.0,
):
    """Draw a sharp stack of heater-off frames, and a deep one of these and of heated frames.

    All light passes through the profile of its frames: Moffat of `widths` (pixels; exponents 3.0
    and 2.7), the heated one with a spike. `frames` are how many of each; an electron is an ADU.
    """
    rng = np.random.default_rng([seed, sorted(BRIGHTNESS).index(kind)])
    border = 40
    wide = tuple(side + 2 * border for side in shape)
    inner = np.s_[border:-border, border:-border]
    sky = draw_sky(kind, wide, rng) * (BRIGHTNESS[kind] if brightness is None else brightness)
    x, y = rng.uniform(4, shape[1] - 5, stars), rng.uniform(4, shape[0] - 5, stars)
    flux = np.minimum(10 ** (2.9 + rng.exponential(0.6, stars)), top)
    flux[:3] = top * np.array([1, 0.5, 0.3])
    length, across = 5 * widths[1], 0.38 * widths[1]

    def cold(dx, dy):
        return gaussian_moffat(dx, dy, widths[0], 3.0)

    def spike(dx, dy):
        return line * spike_follows(dx, dy, angle, length, across)

    def round_part(dx, dy):
        return (1 - line) * gaussian_moffat(dx, dy, widths[1], 2.7)

    def hot(dx, dy):
        return round_part(dx, dy) + spike(dx, dy)

    reach = np.mgrid[-100:101, -100:101].astype(float)

    def extended(profile):
        kernel = profile(reach[1], reach[0])
        return fftconvolve(sky, kernel / kernel.sum(), mode="same")[inner] + 300.0

    share = frames[1] / sum(frames)
    cold_light, round_light, spikes = (
        draw_starlight(shape, x, y, flux, profile) for profile in (cold, round_part, spike)
    )
    lights = [cold_light, round_light + spikes]
    nebulae = [extended(profile) for profile in (cold, hot)]

    def expose(mean, count):
        spread = np.sqrt((np.minimum(mean, full) + read_noise**2) / count)
        return np.minimum(mean, full) + spread * rng.standard_normal(shape)

    sharp, heated = (
        expose(nebula + light, count)
        for nebula, light, count in zip(nebulae, lights, frames, strict=True)
    )
    deep_nebula = (1 - share) * nebulae[0] + share * nebulae[1]
    deep_light = (1 - share) * lights[0] + share * lights[1]
    noise = np.sqrt((np.minimum(deep_nebula + deep_light, full) + read_noise**2) / sum(frames))
    return BlurredPair(
        deep=((1 - share) * sharp + share * heated).astype(np.float32),
        sharp=sharp.astype(np.float32),
        nebula=nebulae[0],
        deep_light=deep_light,
        sharp_light=lights[0],
        x=x,
        y=y,
        flux=flux,
        sigma=float(np.median(noise)),
        deep_nebula=deep_nebula,
        noise=noise,
        spike=share * spikes,
    )
