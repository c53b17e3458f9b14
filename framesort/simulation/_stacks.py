"""A pair of stacks with known truth, to check a star replacement with."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy import units as u
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

import framesort
from framesort.errors import InputError, check_positive
from framesort.files import write_fits, write_table
from framesort.simulation._blur import PointSpread, Spike, blur_picture
from framesort.simulation._field import draw_catalogue, draw_galaxies, draw_nebula
from framesort.simulation._profiles import draw_spikes, draw_stars
from framesort.simulation._scenario import Nebula, Stars

__all__ = ["SimulatedStacks", "StackScene", "simulate_stacks"]


@dataclass(frozen=True, kw_only=True, eq=False)
class SimulatedStacks:
    """A sharp and a deep stack, and what they are made of.

    All pictures are (ny, nx) ndarray in the deep stack's ADU but `sharp`, which has its own scale.

    Attributes
    ----------
    sharp, deep : float32
        The stacks, with noise.
    truth : float64
        What a perfect replacement gives: all light as the sharp profile shows it, without noise.
    nebula, deep_nebula : float64
        Nebula, galaxies and sky as each stack shows them, without stars and noise.
    sharp_stars, deep_stars : float64
        Light of the stars in each.
    stars : `~astropy.table.Table`
        x, y, flux of every star, brightest first.
    noise : float
        Standard deviation of a pixel of the deep stack on the sky.
    """

    sharp: NDArray[np.float32]
    deep: NDArray[np.float32]
    truth: NDArray[np.float64]
    nebula: NDArray[np.float64]
    deep_nebula: NDArray[np.float64]
    sharp_stars: NDArray[np.float64]
    deep_stars: NDArray[np.float64]
    stars: Table
    noise: float


@dataclass(frozen=True, kw_only=True)
class StackScene:
    """What `simulate_stacks` draws.

    Attributes
    ----------
    shape : (ny, nx)
        Of the pictures.
    count, faintest, brightest : int, float, float
        Stars: how many, total light of the faintest and of the brightest, ADU.
    sharp_fwhm, deep_fwhm : float
        Widths of the stars before the pixel, pixels; Moffat exponents 3.0 and 2.7.
    spike, spike_angle : float
        Share of the light in the deep stars' spike; its angle in degrees, ccw from +x.
    sky, nebula : float
        Level of the sky and brightness of the nebula, ADU.
    nebula_blur : bool
        False for a nebula that is one and the same in both stacks, as the sharp one shows it.
    galaxies : int
        Number of small galaxies, which are no stars.
    sharp_frames, deep_frames : int
        How many frames each stack is the mean of.
    flux_ratio, pedestal, gradient : float
        The sharp stack is ``flux_ratio`` times the deep stack's scale, plus a pedestal and a
        slope of the sky over the image's width, both in its own ADU.
    read_noise, saturation : float
        Of one frame; level at which pixels saturate, in each stack's own scale.

    Raises
    ------
    InputError
        A number that must be positive is not.
    """

    shape: tuple[int, int] = (600, 800)
    count: int = 400
    faintest: float = 400.0
    brightest: float = 2e6
    sharp_fwhm: float = 2.8
    deep_fwhm: float = 3.9
    spike: float = 0.05
    spike_angle: float = 62.0
    sky: float = 300.0
    nebula: float = 120.0
    nebula_blur: bool = True
    galaxies: int = 0
    sharp_frames: int = 10
    deep_frames: int = 60
    flux_ratio: float = 1.0
    pedestal: float = 0.0
    gradient: float = 0.0
    read_noise: float = 4.0
    saturation: float = 60000.0

    def __post_init__(self) -> None:
        if self.count < 0:
            raise InputError(f"count must be 0 or more, got {self.count}")
        positive = "faintest sharp_fwhm deep_fwhm sharp_frames deep_frames flux_ratio"
        check_positive(**{name: getattr(self, name) for name in positive.split()})
        if self.brightest < self.faintest:
            raise InputError(
                f"brightest must be at least faintest ({self.faintest:g}), got {self.brightest:g}"
            )

    @property
    def profiles(self) -> tuple[PointSpread, PointSpread]:
        """Of the sharp and of the deep stack."""
        spike = Spike(
            self.spike, 5 * self.deep_fwhm, 0.9 * self.deep_fwhm / 2.3548, self.spike_angle
        )
        return (
            PointSpread(((1.0, self.sharp_fwhm, 3.0),)),
            PointSpread(((1.0 - self.spike, self.deep_fwhm, 2.7),), (spike,)),
        )


def simulate_stacks(
    *,
    rng: np.random.Generator | int | None = None,
    out: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
    **scene: Any,
) -> SimulatedStacks:
    """Draw a sharp and a deep stack of the same simulated field.

    The deep stack's stars are wider and carry a spike; the sharp stack's do not, but it has more
    noise. Nebula and galaxies pass through the same profiles. Both are means of frames; an
    electron is a count.

    Parameters
    ----------
    rng : `~numpy.random.Generator`, int or None
        Generator of random numbers or its seed; None for a new field every time.
    out : path or None
        Folder to write sharp.fits, deep.fits, truth.fits and truth-stars.ecsv to.
    overwrite : bool
        Replace files that are there already.
    **scene
        Attributes of `StackScene`: shape, stars, widths, spike, nebula, number of frames.

    Returns
    -------
    SimulatedStacks

    Raises
    ------
    InputError
        A number that must be positive is not.
    OutputError
        A file is there already and `overwrite` is false.
    """
    what = StackScene(**scene)
    drawn = _draw_stacks(what, np.random.default_rng(rng))
    if out is not None:
        _write_stacks(drawn, Path(out), saturation=what.saturation, overwrite=overwrite)
    return drawn


def _draw_stacks(scene: StackScene, rng: np.random.Generator) -> SimulatedStacks:
    shape, profiles = scene.shape, scene.profiles
    kind = Nebula(galaxies=scene.galaxies)
    diffuse, filaments = draw_nebula(kind, shape, shape[0], rng)
    extended = scene.nebula * (0.6 * diffuse + 0.5 * filaments)
    extended += 0.5 * scene.nebula * draw_galaxies(kind, shape, 0, rng)
    field, deep_field = (
        scene.sky + blur_picture(extended, profile)
        for profile in (profiles[0], profiles[scene.nebula_blur])
    )
    stars = Stars(count=scene.count, faintest=scene.faintest, brightest=scene.brightest)
    x, y, flux = draw_catalogue(stars, shape, shape[0] * shape[1], rng)
    sharp_stars, deep_stars = np.zeros(shape), np.zeros(shape)
    for image, profile in zip((sharp_stars, deep_stars), profiles, strict=True):
        draw_stars(image, x, y, flux, shape=profile.star_shape())
        for share, length, sigma, angle in profile.spikes:
            draw_spikes(image, x, y, flux * share, angle=angle, length=length, sigma=sigma)
    deep = _expose(deep_field + deep_stars, scene, scene.deep_frames, rng)
    slope = scene.gradient * (np.arange(shape[1]) / shape[1] - 0.5)
    light = (field + sharp_stars) * scene.flux_ratio + scene.pedestal + slope
    sharp = _expose(light, scene, scene.sharp_frames, rng)
    order = np.argsort(-flux)
    return SimulatedStacks(
        sharp=sharp,
        deep=deep,
        truth=np.minimum(field + sharp_stars, scene.saturation),
        nebula=field,
        deep_nebula=deep_field,
        sharp_stars=sharp_stars,
        deep_stars=deep_stars,
        stars=Table(
            [x[order] * u.pix, y[order] * u.pix, flux[order] * u.adu], names="x y flux".split()
        ),
        noise=float(np.sqrt((np.median(field) + scene.read_noise**2) / scene.deep_frames)),
    )


def _expose(
    mean: NDArray[np.float64], scene: StackScene, frames: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Noise and saturation of a mean of frames."""
    mean = np.minimum(mean, scene.saturation)
    spread = np.sqrt((np.maximum(mean, 0) + scene.read_noise**2) / frames)
    return (mean + spread * rng.standard_normal(scene.shape)).astype(np.float32)


def _write_stacks(
    made: SimulatedStacks, folder: Path, *, saturation: float, overwrite: bool
) -> None:
    header = fits.Header()
    header["BUNIT"] = "adu"
    header["OBJECT"] = "simulated field"
    header["SATURATE"] = (saturation, "[adu] level at which pixels saturate")
    header["SWCREATE"] = f"framesort {framesort.__version__} simulation"
    for name, picture in (("sharp", made.sharp), ("deep", made.deep), ("truth", made.truth)):
        path = folder / f"{name}.fits"
        write_fits(path, picture.astype(np.float32), header, overwrite=overwrite)
    write_table(folder / "truth-stars.ecsv", made.stars, overwrite=overwrite)
