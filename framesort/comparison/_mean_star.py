"""The mean star of a frame, and of several frames, with its profiles."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from framesort.comparison._cutouts import Grid, cut_stars
from framesort.comparison._profiles import StarProfiles, measure_profiles
from framesort.records import MAD_TO_SIGMA

__all__ = ["FrameStar", "combine_mean_stars", "measure_mean_star"]

MOST_STARS = 200
LEAST_STARS = 5

GROUPS = 8
"""Subsets of stars (or frames), one left out at a time, from which uncertainties follow."""

CLIP = 4.0
"""Deviations from the median, in robust standard deviations, from which a sample is left out."""

FINE_BELOW = 4.0
"""FWHM in pixels below which star images have two samples a pixel, else one."""

HALF_WIDTH = 12.0
"""Half width of star images in heater-off FWHM."""


def _empty() -> NDArray[np.float32]:
    return np.zeros((0, 0), np.float32)


@dataclass(frozen=True, kw_only=True)
class FrameStar:
    """The mean star of one frame, or of several.

    True where it could be measured.

    Attributes
    ----------
    image : (m, m) float32 ndarray
        Light per square pixel, total 1, the star at the middle sample; x right, y up.
    error : (m, m) float32 ndarray
        Standard deviation from the scatter among stars (or frames). Neighbouring samples are
        correlated.
    per_pixel : int
        Samples a pixel along each axis.
    profiles : StarProfiles
    stars, frames : int
        Star images and frames averaged.
    reason : str
        "" for a good one, else a code of `framesort.records.REASONS`: "few stars",
        "unreadable", ....
    """

    image: NDArray[np.float32] = field(default_factory=_empty)
    error: NDArray[np.float32] = field(default_factory=_empty)
    per_pixel: int = 1
    profiles: StarProfiles = field(default_factory=StarProfiles)
    stars: int = 0
    frames: int = 1
    reason: str = ""

    def __bool__(self) -> bool:
        return not self.reason

    @property
    def fwhm(self) -> float:
        """Full width at half maximum of the mean star, the spike's directions left out, pixels."""
        return self.profiles.fwhm


def _middle(ranked: NDArray[Any], count: NDArray[Any]) -> NDArray[Any]:
    """Median of the first `count` of each row."""
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, ranked.shape[1] - 1)
    row = np.arange(len(ranked))
    return np.asarray(0.5 * (ranked[row, low] + ranked[row, high]))


def _clip(
    values: NDArray[np.float32], error: NDArray[np.float64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Values (samples, n) with 0 for what is missing or clipped, and weights alike."""
    count = np.isfinite(values).sum(axis=1)
    centre = _middle(np.sort(values, axis=1), count)  # NaN is sorted to the end
    off = np.abs(values - centre[:, None]) / error.astype(np.float32)
    spread = MAD_TO_SIGMA * _middle(np.sort(off, axis=1), count)
    kept = off <= CLIP * np.maximum(spread, 1e-30)[:, None]
    weight = np.where(kept, (1 / error**2).astype(np.float32), np.float32(0))
    return np.where(kept, values, np.float32(0)), weight


def _average(
    values: NDArray[np.float32], error: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Clipped weighted mean of (n, m, m) images, its error, and means with a subset left out."""
    n, m, _ = values.shape
    samples = np.ascontiguousarray(values.reshape(n, m * m).T)
    clipped, weight = (
        _clip(samples, error) if n > 2 else (np.nan_to_num(samples), 1.0 * np.isfinite(samples))
    )
    groups = min(GROUPS, n)
    light = np.stack([(weight * clipped)[:, g::groups].sum(axis=1) for g in range(groups)])
    total = np.stack([weight[:, g::groups].sum(axis=1) for g in range(groups)])
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = light.sum(axis=0) / total.sum(axis=0)
        square = (weight**2 * (clipped - mean[:, None].astype(np.float32)) ** 2).sum(axis=1)
        kept = (weight > 0).sum(axis=1)
        spread = np.sqrt(square * kept / (kept - 1)) / total.sum(axis=0)
        without = (light.sum(axis=0) - light) / (total.sum(axis=0) - total)
    # Where nothing is left, as under a neighbour common to all frames: no light, no knowledge.
    mean, without = (
        np.nan_to_num(mean),
        np.where(np.isfinite(without), without, np.nan_to_num(mean)),
    )
    return mean.reshape(m, m), spread.reshape(m, m), without.reshape(groups, m, m)


def measure_mean_star(
    image: Any,
    star_list: Table,
    *,
    fwhm: float,
    own_fwhm: float = np.nan,
    spike_angle: float = np.nan,
    half_width: int | None = None,
    most: int = MOST_STARS,
) -> FrameStar:
    """Average the bright, isolated, unsaturated stars of one frame.

    Each star is cut out, its local background subtracted, shifted to the centre by a
    spline and divided by its flux. A neighbour, a cosmic ray or a satellite affects few stars
    at any one sample and is clipped.

    Parameters
    ----------
    image : (ny, nx) array_like
        ADU. NaN pixels are left out.
    star_list : `~astropy.table.Table`
        Of `framesort.records.FrameQuality`.
    fwhm : float
        Heater-off FWHM, pixels, of this frame's group: sets size and sampling of the image,
        equal for all frames of the group, and the aperture of the star's light.
    own_fwhm : float
        FWHM of this frame, for masking neighbours; NaN for `fwhm`.
    spike_angle : float
        Degrees counter-clockwise from +x; NaN where there is none.
    half_width : int or None
        Of the star image, pixels; None for 12 `fwhm`.
    most : int
        At most so many stars.

    Returns
    -------
    FrameStar
        With the reason "few stars" where fewer than five stars are fit for it.

    Raises
    ------
    ValueError
        The image is not two-dimensional, or `fwhm` is not above 0.
    """
    pixels = np.asarray(image)
    if pixels.ndim != 2:
        raise ValueError(f"image must have two axes, got {pixels.ndim}")
    if not fwhm > 0 or not np.isfinite(fwhm):
        raise ValueError(f"fwhm must be above 0, got {fwhm}")
    per_pixel = 2 if fwhm < FINE_BELOW else 1
    half = int(np.ceil(HALF_WIDTH * fwhm)) if half_width is None else int(half_width)
    grid = Grid(half_width=half, per_pixel=per_pixel)
    width = own_fwhm if np.isfinite(own_fwhm) else fwhm
    cuts = cut_stars(pixels, star_list, fwhm=width, grid=grid, most=most)
    if len(cuts.values) < LEAST_STARS:
        return FrameStar(stars=len(cuts.values), reason="few stars")
    mean, error, without = _average(cuts.values, cuts.error)
    return _finish(mean, error, without, per_pixel, fwhm, spike_angle, len(cuts.values), 1)


def _finish(
    mean: NDArray[np.float64],
    error: NDArray[np.float64],
    without: NDArray[np.float64],
    per_pixel: int,
    fwhm: float,
    spike_angle: float,
    stars: int,
    frames: int,
) -> FrameStar:
    profiles, level, total = measure_profiles(
        mean, without, per_pixel=per_pixel, fwhm=fwhm, spike_angle=spike_angle
    )
    if not total > 0:
        return FrameStar(stars=stars, frames=frames, reason="few stars")
    return FrameStar(
        image=((mean - level) / total).astype(np.float32),
        error=(error / total).astype(np.float32),
        per_pixel=per_pixel,
        profiles=profiles,
        stars=stars,
        frames=frames,
    )


def combine_mean_stars(
    frame_stars: Sequence[FrameStar], *, fwhm: float, spike_angle: float = np.nan
) -> FrameStar:
    """Average the mean stars of frames of equal configuration, filter, exposure and power.

    Parameters
    ----------
    frame_stars : sequence of FrameStar
        Of one group, so on one grid. Those with a reason are left out.
    fwhm, spike_angle : float
        As in `measure_mean_star`.

    Returns
    -------
    FrameStar
        Every frame has the same weight; the error is that of the scatter among frames, of one
        frame alone that among its stars. From three frames on, samples far off the median are
        left out. With the reason "few stars" where no frame is left.

    Raises
    ------
    ValueError
        The star images have different sizes.
    """
    good = [star for star in frame_stars if star]
    if not good:
        return FrameStar(frames=0, reason="few stars")
    sizes = {(star.image.shape, star.per_pixel) for star in good}
    if len(sizes) > 1:
        raise ValueError(f"frame_stars must have one size and sampling, got {sorted(sizes)}")
    if len(good) == 1:
        return good[0]
    values = np.stack([star.image for star in good])
    mean, error, without = _average(values, np.ones(len(good)))
    stars = sum(star.stars for star in good)
    return _finish(mean, error, without, good[0].per_pixel, fwhm, spike_angle, stars, len(good))
