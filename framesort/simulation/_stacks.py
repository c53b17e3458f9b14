"""A pair of stacks with known truth, to check a star replacement with."""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy import units as u
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

import framesort
from framesort.errors import InputError
from framesort.files import write_fits, write_table
from framesort.simulation._blur import PointSpread, Spike, blur_picture
from framesort.simulation._field import draw_catalogue, draw_galaxies, draw_nebula
from framesort.simulation._profiles import draw_spikes, draw_stars
from framesort.simulation._scenario import Nebula, Stars

__all__ = ["SimulatedStacks", "simulate_stacks"]


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


def simulate_stacks(
    *,
    rng: np.random.Generator | int | None = None,
    shape: tuple[int, int] = (600, 800),
    count: int = 400,
    faintest: float = 400.0,
    brightest: float = 2e6,
    sharp_fwhm: float = 2.8,
    deep_fwhm: float = 3.9,
    line: float = 0.05,
    spike_angle: float = 62.0,
    sky: float = 300.0,
    nebula: float = 120.0,
    nebula_blur: bool = True,
    galaxies: int = 0,
    sharp_frames: int = 10,
    deep_frames: int = 60,
    flux_ratio: float = 1.0,
    pedestal: float = 0.0,
    gradient: float = 0.0,
    read_noise: float = 4.0,
    full: float = 60000.0,
    out: str | os.PathLike[str] | None = None,
    overwrite: bool = False,
) -> SimulatedStacks:
    """Draw a sharp and a deep stack of the same simulated field.

    The deep stack's stars are wider and carry a spike; the sharp stack's do not, but it has more
    noise. Nebula and galaxies pass through the same profiles. Both are means of frames; an
    electron is a count.

    Parameters
    ----------
    rng : `~numpy.random.Generator`, int or None
        Dice, or the seed of new ones; None for a new field every time.
    shape : (ny, nx)
        Of the pictures.
    count, faintest, brightest : int, float, float
        Stars: how many, total light of the faintest and of the brightest, ADU.
    sharp_fwhm, deep_fwhm : float
        Widths of the stars before the pixel, pixels; Moffat exponents 3.0 and 2.7.
    line, spike_angle : float
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
    read_noise, full : float
        Of one frame; level at which pixels saturate, in each stack's own scale.
    out : path or None
        Folder to write sharp.fits, deep.fits, truth.fits and truth-stars.ecsv to.
    overwrite : bool
        Replace files that are there already.

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
    for name, value in {
        "count": count + 1,
        "faintest": faintest,
        "sharp_fwhm": sharp_fwhm,
        "deep_fwhm": deep_fwhm,
        "sharp_frames": sharp_frames,
        "deep_frames": deep_frames,
        "flux_ratio": flux_ratio,
    }.items():
        if not value > 0:
            raise InputError(f"{name} must be above 0, got {value - (name == 'count'):g}")
    if brightest < faintest:
        raise InputError(f"brightest must be at least faintest ({faintest:g}), got {brightest:g}")
    dice = np.random.default_rng(rng)
    spike = Spike(line, 5 * deep_fwhm, 0.9 * deep_fwhm / 2.3548, spike_angle)
    profiles = (
        PointSpread(((1.0, sharp_fwhm, 3.0),)),
        PointSpread(((1.0 - line, deep_fwhm, 2.7),), (spike,)),
    )
    kind = Nebula(galaxies=galaxies)
    diffuse, filaments = draw_nebula(kind, shape, shape[0], dice)
    extended = nebula * (0.6 * diffuse + 0.5 * filaments)
    extended += 0.5 * nebula * draw_galaxies(kind, shape, 0, dice)
    field, deep_field = (
        sky + blur_picture(extended, profile) for profile in (profiles[0], profiles[nebula_blur])
    )
    stars = Stars(count=count, faintest=faintest, brightest=brightest)
    x, y, flux = draw_catalogue(stars, shape, shape[0] * shape[1], dice)
    sharp_stars, deep_stars = np.zeros(shape), np.zeros(shape)
    for image, profile in zip((sharp_stars, deep_stars), profiles, strict=True):
        draw_stars(image, x, y, flux, shape=profile.star_shape())
        for share, length, sigma, angle in profile.spikes:
            draw_spikes(image, x, y, flux * share, angle=angle, length=length, sigma=sigma)

    def expose(mean: NDArray[np.float64], frames: int) -> NDArray[np.float32]:
        mean = np.minimum(mean, full)
        spread = np.sqrt((np.maximum(mean, 0) + read_noise**2) / frames)
        return (mean + spread * dice.standard_normal(shape)).astype(np.float32)

    deep = expose(deep_field + deep_stars, deep_frames)
    slope = gradient * (np.arange(shape[1]) / shape[1] - 0.5)
    sharp = expose((field + sharp_stars) * flux_ratio + pedestal + slope, sharp_frames)
    order = np.argsort(-flux)
    made = SimulatedStacks(
        sharp=sharp,
        deep=deep,
        truth=np.minimum(field + sharp_stars, full),
        nebula=field,
        deep_nebula=deep_field,
        sharp_stars=sharp_stars,
        deep_stars=deep_stars,
        stars=Table(
            [x[order] * u.pix, y[order] * u.pix, flux[order] * u.adu], names="x y flux".split()
        ),
        noise=float(np.sqrt((np.median(field) + read_noise**2) / deep_frames)),
    )
    if out is not None:
        _write_stacks(made, Path(out), full=full, overwrite=overwrite)
    return made


def _write_stacks(made: SimulatedStacks, folder: Path, *, full: float, overwrite: bool) -> None:
    header = fits.Header()
    header["BUNIT"] = "adu"
    header["OBJECT"] = "invented field"
    header["SATURATE"] = (full, "[adu] level at which pixels are full")
    header["SWCREATE"] = f"framesort {framesort.__version__} simulation"
    for name, picture in (("sharp", made.sharp), ("deep", made.deep), ("truth", made.truth)):
        path = folder / f"{name}.fits"
        write_fits(path, picture.astype(np.float32), header, overwrite=overwrite)
    write_table(folder / "truth-stars.ecsv", made.stars, overwrite=overwrite)
