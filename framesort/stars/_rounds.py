"""Fit of all candidates of an image: free, for the mean star, and with it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.stars._background import Map
from framesort.stars._fit import HEIGHT, QUALITY, A, B, C, G, X, Y, draw_stars, fit_stars
from framesort.stars._growth import core_flux, shape_numbers
from framesort.stars._guess import (
    FIT_RADIUS,
    G_START,
    LEAST_WIDTH,
    RAISE,
    find_isolated,
    joint_index,
    mean_star,
    place_stars,
    star_depth,
)

__all__ = ["Fit", "fit_rounds", "start_fit", "too_narrow"]

_SHAPE_DEPTH = 12.0
"""Signal to noise from which a star's own shape is measured; fainter ones get the mean."""

_INDEX_DEPTH = 100.0
"""Signal to noise from which one star alone gives its Moffat index to about 0.1 of 1/index."""


@dataclass
class Fit:
    """Profiles of all candidates while they are being fitted; arrays change in place.

    `fwhm` is the first guess for the frame, `radius` that of the circle fitted (`radii` with the
    extent of saturated blobs), `mean` the frame's mean profile.
    """

    residual: NDArray[np.float32]
    stars: NDArray[np.float64]
    quality: NDArray[np.void]
    sigma: NDArray[np.float64]
    height: NDArray[np.float32]
    saturated: NDArray[np.bool_]
    radius: float
    radii: NDArray[np.float64]
    mean: NDArray[np.float64]
    fwhm: float

    def draw(self, order: NDArray[np.int64], sign: float) -> None:
        """Add (1) or subtract (-1) profiles."""
        draw_stars(self.residual, self.stars, order, sign, self.sigma)

    def fit(self, order: NDArray[np.int64], free: NDArray[np.int64], rounds: int) -> None:
        """Fit stars in turn, each with so many free parameters."""
        fit_stars(
            self.residual, self.stars, order, self.radii, free, rounds, self.sigma,
            self.quality,
        )  # fmt: skip

    def depth(self) -> NDArray[np.float64]:
        """Signal to noise of each star."""
        return star_depth(self.stars, self.sigma, self.fwhm)


@dataclass(frozen=True)
class _FirstRound:
    """What the free fit of the bright stars shows of each candidate, and the frame's index."""

    narrow: NDArray[np.bool_]
    good: NDArray[np.bool_]
    alone: NDArray[np.bool_]
    strength: NDArray[np.float64]
    g: float


def start_fit(
    residual: NDArray[np.float32],
    noise: Map,
    candidates: tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float64]],
    mean: NDArray[np.float64],
) -> Fit:
    """Candidates (places, heights, extents of saturated blobs) before the first round."""
    places, height, extent = candidates
    fwhm = float(shape_numbers(mean[None])["fwhm"][0])
    radius = max(3.5, FIT_RADIUS * fwhm)
    return Fit(
        residual=residual,
        stars=place_stars(places, height, mean),
        quality=np.zeros(len(places), QUALITY),
        sigma=np.maximum(noise.at(places[:, 0], places[:, 1]).astype(float), 1e-6),
        height=height,
        saturated=extent > 0,
        radius=radius,
        radii=np.where(extent > 0, extent + radius, radius),
        mean=mean,
        fwhm=fwhm,
    )


def fit_rounds(fit: Fit) -> tuple[NDArray[np.bool_], float]:
    """Fit all candidates in three rounds.

    Returns
    -------
    measured : (n,) bool ndarray
        Whose own shape is measured; the others have the mean shape.
    spread : float
        Variance of the mean star's distortion.
    """
    first = _fit_free(fit)
    spread = _fit_mean(fit, first)
    return _fit_all(fit, first), spread


def _fit_free(fit: Fit) -> _FirstRound:
    """First the bright ones with everything free: they give the index."""
    saturated, stars, quality, fwhm = fit.saturated, fit.stars, fit.quality, fit.fwhm
    fit.draw(np.arange(len(stars)), -1.0)
    strength = fit.depth()
    bright = np.flatnonzero(~saturated & (strength > 50))[:400]
    free = np.where(saturated, 4, 7)
    free[bright] = 8
    fit.fit(np.flatnonzero(saturated | (strength > _SHAPE_DEPTH)), free, 25)
    shape = shape_numbers(stars)
    good = (quality["success"] > 0) & (shape["minor"] > LEAST_WIDTH) & ~saturated
    narrow = ~saturated & too_narrow(shape["minor"], quality, fit.sigma, LEAST_WIDTH)
    good &= ~narrow
    # Knots of nebula have widths of their own, which must not enter that of stars.
    good &= (shape["fwhm"] < 1.6 * fwhm) & (shape["fwhm"] > 0.6 * fwhm)
    alone = good & find_isolated(stars[:, X], stars[:, Y], np.maximum(core_flux(stars), 0), fwhm)
    strength = np.where(good, fit.depth(), 0)
    deep = np.flatnonzero(alone & (free == 8) & (strength > _INDEX_DEPTH))
    if len(deep) >= 10:
        g = float(np.median(stars[deep, G]))
    elif alone.sum() >= 5:
        some = np.flatnonzero(alone)[:150]
        g = joint_index(fit.residual, stars, some, fit.radii, fit.sigma)
    else:
        g = G_START
    return _FirstRound(narrow, good, alone, strength, g)


def _fit_mean(fit: Fit, first: _FirstRound) -> float:
    """Mean shape of the frame with its index, from bright stars fitted again.

    Returns
    -------
    float
        Variance of the mean star's distortion; 0 where nothing is known of it.
    """
    # What is no star keeps the profile that took it out of the image.
    order = np.flatnonzero(~first.narrow)
    fit.draw(order, 1.0)
    fit.stars[:, G] = first.g
    fit.draw(order, -1.0)
    alone = first.alone
    some = np.flatnonzero(alone & (first.strength > 15))[:300]
    if len(some) < 10:
        some = np.flatnonzero(alone if alone.sum() >= 5 else first.good)[:300]
    if not len(some):
        return 0.0
    fit.fit(some, np.full(len(fit.stars), 7), 15)
    fit.mean, spread = mean_star(fit.stars[some], first.g, fit.depth()[some])
    return spread


def _fit_all(fit: Fit, first: _FirstRound) -> NDArray[np.bool_]:
    """All stars with the frame's index, faint ones in its mean shape; whose shape is measured."""
    stars, mean, saturated = fit.stars, fit.mean, fit.saturated
    order = np.flatnonzero(~first.narrow)
    faint = first.strength < _SHAPE_DEPTH
    failed = ~first.narrow & (~first.good | faint)
    fit.draw(np.flatnonzero(failed), 1.0)
    stars[failed, A], stars[failed, B], stars[failed, C] = mean[A], mean[B], mean[C]
    stars[failed, HEIGHT] = np.where(saturated, stars[:, HEIGHT], RAISE * fit.height)[failed]
    fit.draw(np.flatnonzero(failed), -1.0)
    fit.fit(order, np.where(saturated | faint, 4, 7), 15)
    fit.quality["success"][first.narrow] = -1
    return ~saturated & ~faint


def too_narrow(
    minor: NDArray[np.float64],
    quality: NDArray[np.void],
    sigma: NDArray[np.float64],
    least: float,
) -> NDArray[np.bool_]:
    """Narrower across than `least`, by more than the uncertainty of the width.

    The relative error of a width is half of that of the light. Four of them are allowed: the
    smaller of two widths errs to the small side.
    """
    return (quality["success"] > 0) & (minor * (1 + 2 * quality["error"] * sigma) < least)
