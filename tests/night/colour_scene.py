"""Colour stacks with known truth: star profiles by galsim, colours drawn per star."""

from dataclasses import dataclass

import galsim
import numpy as np

SHAPE = (240, 300)
SKY = 300.0


@dataclass(frozen=True)
class ColourScene:
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray  # [plane, star]
    nebula: np.ndarray  # [plane, y, x], sky included
    deep: np.ndarray  # [plane, y, x] with noise
    sharp: np.ndarray
    sharp_stars: np.ndarray  # without noise
    noise: float


def draw(x, y, flux, fwhm, beta):
    image = galsim.ImageD(SHAPE[1], SHAPE[0])
    image.setOrigin(0, 0)
    profile = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=fwhm), galsim.Pixel(1.0))
    for px, py, light in zip(x, y, flux, strict=True):
        size = 121 if light > 2e4 else 61
        corner = (int(px) - size // 2, int(py) - size // 2)
        bounds = galsim.BoundsI(corner[0], corner[0] + size, corner[1], corner[1] + size)
        part = bounds & image.bounds
        if part.isDefined():
            stamp = profile.withFlux(light).drawImage(
                image=galsim.ImageD(part), scale=1.0, method="no_pixel",
                center=galsim.PositionD(px, py),
            )  # fmt: skip
            image[part] += stamp
    return image.array


def make_scene(seed=5, count=100):
    """Deep and sharp stacks in red, green, blue; the deep one is 4 times less noisy."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(8, SHAPE[1] - 8, count)
    y = rng.uniform(8, SHAPE[0] - 8, count)
    light = 2e3 * rng.pareto(0.9, count).clip(0.2, 150)
    tint = rng.normal(0, 0.25, count)
    flux = np.stack([light * np.exp(tint), light, light * np.exp(-tint)])
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    glow = np.exp(-(((xx - 150) / 90) ** 2) - ((yy - 170) / 60) ** 2)
    nebula = SKY + np.stack([90 * glow, 40 * glow, 20 * glow])
    sharp_stars = np.stack([draw(x, y, f, 2.7, 3.0) for f in flux])
    deep_stars = np.stack([draw(x, y, f, 3.9, 2.7) for f in flux])
    noise = 2.3
    return ColourScene(
        x=x,
        y=y,
        flux=flux,
        nebula=nebula,
        deep=(nebula + deep_stars + rng.normal(0, noise, flux.shape[:1] + SHAPE)).astype("f4"),
        sharp=(nebula + sharp_stars + rng.normal(0, 2.5 * noise, flux.shape[:1] + SHAPE)).astype(
            "f4"
        ),
        sharp_stars=sharp_stars,
        noise=noise,
    )


def lone_stars(scene, least=4000.0, apart=14.0):
    """Stars bright enough and alone, away from the edge."""
    d = np.hypot(scene.x[:, None] - scene.x, scene.y[:, None] - scene.y)
    np.fill_diagonal(d, np.inf)
    inside = (scene.x > 15) & (scene.x < SHAPE[1] - 15) & (scene.y > 15) & (scene.y < SHAPE[0] - 15)
    return np.flatnonzero((scene.flux[1] > least) & (d.min(axis=1) > apart) & inside)
