"""Mean stars as records with profiles, and their images as planes on one scale."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from framesort.comparison._mean_star import FrameStar
from framesort.records import MeanStar

__all__ = ["describe_mean_star", "stack_star_images", "subtract_added_light"]


def _profile(values: NDArray[np.float64], centre: float) -> tuple[float, ...]:
    """Values over the centre; empty where the profile is not known."""
    return () if np.isnan(values).all() else tuple((values / centre).tolist())


def describe_mean_star(
    star: FrameStar,
    off: FrameStar,
    *,
    names: tuple[str, str],
    exposure: float,
    power: float,
    pixel_scale: float = np.nan,
    image: int = 0,
) -> MeanStar:
    """Make the record of a mean star.

    Parameters
    ----------
    star : FrameStar
    off : FrameStar
        The heater-off star of its group, whose central value is 1 in the profiles; `star` where
        there is none.
    names : (str, str)
        Configuration and filter.
    exposure, power : float
        Seconds, percent.
    pixel_scale : float
        Arcsec a pixel; NaN for profiles in pixels.
    image : int
        Number of its plane.

    Returns
    -------
    MeanStar
    """
    known = bool(np.isfinite(pixel_scale))
    scale = float(pixel_scale) if known else 1.0
    profiles = star.profiles
    centre = float(off.profiles.median[0]) if off else float(profiles.median[0])
    return MeanStar(
        configuration=names[0],
        filter=names[1],
        exposure=exposure,
        power=power,
        frames=star.frames,
        stars=star.stars,
        image=image,
        radius=tuple((scale * profiles.radius).tolist()),
        radial=_profile(profiles.median, centre),
        along=_profile(profiles.along, centre),
        across=_profile(profiles.across, centre),
        unit="arcsec" if known else "px",
        fwhm=scale * profiles.fwhm,
    )


def stack_star_images(
    stars: Sequence[FrameStar], *, pixel_scale: Sequence[float]
) -> tuple[NDArray[np.float32], float]:
    """Put star images on one grid.

    Parameters
    ----------
    stars : sequence of FrameStar
        All good, at least one.
    pixel_scale : sequence of float
        Of each, arcsec a pixel; where one is NaN, all are compared in pixels.

    Returns
    -------
    planes : (n, m, m) float32 ndarray
        Light per square arcsec (or pixel) of stars of total light 1, the star in the middle.
        The sampling is the finest and the size the smallest of them.
    step : float
        Arcsec (or pixels) a sample.

    Raises
    ------
    ValueError
        There is no star, one has a reason, or not one scale a star is given.
    """
    if not stars or not all(stars) or len(pixel_scale) != len(stars):
        raise ValueError("stars must be one or more, all good, with one pixel_scale each")
    scale = np.asarray(pixel_scale, dtype=float)
    if not np.isfinite(scale).all():
        scale = np.ones(len(stars))
    steps = scale / [star.per_pixel for star in stars]
    halves = steps * [star.image.shape[0] // 2 for star in stars]
    step = float(steps.min())
    samples = int(np.floor(halves.min() / step + 1e-9))
    offsets = step * np.arange(-samples, samples + 1)
    planes = np.empty((len(stars), len(offsets), len(offsets)), np.float32)
    for k, star in enumerate(stars):
        place = star.image.shape[0] // 2 + offsets / steps[k]
        grid = np.meshgrid(place, place, indexing="ij")
        planes[k] = map_coordinates(star.image, grid, order=3, mode="nearest") / scale[k] ** 2
    return planes, step


def subtract_added_light(
    planes: NDArray[np.float32], *, first: tuple[int, int], second: tuple[int, int]
) -> NDArray[np.float32]:
    """What heat adds to the star in one configuration less what it adds in another.

    Parameters
    ----------
    planes : (n, m, m) float32 ndarray
        Of `stack_star_images`.
    first, second : (int, int)
        Numbers of the heater-off and of the heated star of each configuration.

    Returns
    -------
    (m, m) float32 ndarray
        ``(heated - off)`` of the second less that of the first, in the planes' unit.
    """
    added = [planes[on] - planes[off] for off, on in (first, second)]
    return np.asarray(added[1] - added[0], np.float32)
