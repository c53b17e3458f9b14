"""Images of single stars of a frame: chosen, cut out, shifted to the centre, on one grid."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.ndimage import binary_dilation, spline_filter1d
from scipy.spatial import cKDTree

from framesort.records import FWHM_TO_SIGMA, MAD_TO_SIGMA

__all__ = ["Grid", "StarCutouts", "cut_stars"]

DEGREE = 5
"""Of the splines that shift stars: a cubic one lowers the centre of stars of 2 px twice as much."""

TAPS = (DEGREE + 1) // 2
"""Pixels to each side on which a value of a spline rests."""

LEAST_DEPTH = 40.0
"""Flux over the noise of the sky below a Gaussian star from which a star is used."""

FLUX_ERROR = 0.02
"""Relative scatter of a star's light that does not fall with its brightness: sets the weights."""

NEAR_NEIGHBOUR = 0.03
"""A star is not used where a neighbour's light over its own, times the cube of FWHM over distance,
is more: the wings of profiles fall at least as steeply."""

MOST_HIDDEN = 0.8
"""Share of a star's surroundings that may be masked."""

FAINT_NEIGHBOUR = 2e-3
"""Neighbours from this share of the star's light are masked."""


@dataclass(frozen=True, kw_only=True)
class Grid:
    """The grid of star images: square, a sample at the star's centre.

    Attributes
    ----------
    half_width : int
        Pixels from the centre to the last sample.
    per_pixel : int
        Samples a pixel along each axis.
    """

    half_width: int
    per_pixel: int

    @property
    def offsets(self) -> NDArray[np.float64]:
        """Places of the samples along one axis, pixels from the centre."""
        steps = self.half_width * self.per_pixel
        return np.arange(-steps, steps + 1) / self.per_pixel


@dataclass(frozen=True, kw_only=True)
class StarCutouts:
    """Star images on one grid.

    Attributes
    ----------
    values : (n, m, m) float32 ndarray
        Light per square pixel over the star's flux, local background subtracted; NaN where a
        pixel is missing or a neighbour is masked. Brightest star first.
    error : (n,) float64 ndarray
        Relative uncertainty of a star's light: sets its weight.
    """

    values: NDArray[np.float32]
    error: NDArray[np.float64]


def _spline(distance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The B-spline of degree `DEGREE` at distances in pixels."""
    knots = np.arange(DEGREE + 2) - (DEGREE + 1) / 2
    element = BSpline.basis_element(knots, extrapolate=False)
    return np.asarray(np.nan_to_num(element(distance)))


def _shift_axis(
    coefficients: NDArray[np.float32], shift: NDArray[np.float64], grid: Grid
) -> NDArray[np.float32]:
    """Spline values along the last axis at the samples of the grid: (n, rows, m).

    Unser 1999, IEEE Signal Processing Magazine 16, 22. Sums of whole arrays and no matrix product,
    whose rounding changes with the number of threads.

    Parameters
    ----------
    coefficients : (n, rows, columns) float32 ndarray
    shift : (n,) float64 ndarray
        Of each star from the middle column, -0.5 to 0.5 pixels.
    """
    first = coefficients.shape[2] // 2 - grid.half_width
    out = np.empty((*coefficients.shape[:2], len(grid.offsets)), np.float32)
    for phase in range(grid.per_pixel):
        part = out[:, :, phase :: grid.per_pixel]
        place = shift + phase / grid.per_pixel  # of the first sample from column `first`
        part[:] = 0
        for tap in range(-TAPS, TAPS + 1):
            weight = _spline(place - tap).astype(np.float32)[:, None, None]
            part += weight * coefficients[:, :, first + tap : first + tap + part.shape[2]]
    return out


def _choose_stars(
    table: Table, shape: tuple[int, ...], *, fwhm: float, noise: float, margin: int, most: int
) -> tuple[NDArray[np.int64], list[NDArray[np.int64]]]:
    """Rows of bright, clean, unsaturated stars away from the border, brightest first."""
    x, y, flux, width = (
        np.asarray(table[name], dtype=float) for name in ("x", "y", "flux", "fwhm")
    )
    good = np.asarray(table["clean"], dtype=bool) & ~np.asarray(table["saturated"], dtype=bool)
    good &= np.isfinite(width) & (flux > LEAST_DEPTH * noise)
    good &= (x > margin) & (x < shape[1] - 1 - margin) & (y > margin) & (y < shape[0] - 1 - margin)
    rows = np.flatnonzero(good)
    rows = rows[np.argsort(-flux[rows], kind="stable")]
    chosen: list[int] = []
    neighbours: list[NDArray[np.int64]] = []
    if not rows.size:
        return np.asarray(chosen, dtype=int), neighbours
    places = np.stack([x, y], axis=1)
    tree = cKDTree(places)
    for row in rows:
        beside = np.asarray(tree.query_ball_point(places[row], 1.42 * margin), dtype=int)
        beside = beside[(beside != row) & ~(flux[beside] < FAINT_NEIGHBOUR * flux[row])]
        distance = np.hypot(*(places[beside] - places[row]).T)
        if np.all(flux[beside] / flux[row] * (fwhm / distance) ** 3 < NEAR_NEIGHBOUR):
            chosen.append(int(row))
            neighbours.append(beside)
        if len(chosen) == most:
            break
    return np.asarray(chosen, dtype=int), neighbours


def _star_noise(image: NDArray[Any], fwhm: float) -> float:
    """Noise of the light of a Gaussian star of this width in the image's sky.

    With the best weights: sky noise times sqrt(4 pi) sigma (King 1983, PASP 95, 163).
    """
    step = max(1, image.shape[0] // 500)
    differences = np.diff(np.asarray(image[::step], np.float32), axis=1).ravel()
    differences = differences[:: max(1, differences.size // 100_000)]
    pixel = MAD_TO_SIGMA * float(np.nanmedian(np.abs(differences))) / np.sqrt(2)
    return float(pixel * np.sqrt(4 * np.pi) * fwhm / FWHM_TO_SIGMA)


def _mask_neighbours(
    size: int, place: NDArray[np.float64], share: NDArray[np.float64], fwhm: float
) -> NDArray[np.bool_]:
    """Pixels of a cutout within the reach of its neighbours; wider the brighter they are.

    Parameters
    ----------
    place : (k, 2) float ndarray
        x and y of neighbours from the cutout's corner.
    share : (k,) float ndarray
        Light of each over the star's.
    """
    reach = fwhm * (1.0 + 0.5 * np.log10(np.maximum(share / FAINT_NEIGHBOUR, 1.0)))
    axis = np.arange(size)
    square = (axis[None, :, None] - place[:, 1, None, None]) ** 2 + (
        axis[None, None, :] - place[:, 0, None, None]
    ) ** 2
    return np.asarray((square < reach[:, None, None] ** 2).any(axis=0))


def cut_stars(
    image: NDArray[Any], star_list: Table, *, fwhm: float, grid: Grid, most: int
) -> StarCutouts:
    """Cut the brightest isolated stars out of a frame and shift them onto one grid.

    Parameters
    ----------
    image : (ny, nx) ndarray
        ADU; NaN pixels are left out.
    star_list : `~astropy.table.Table`
        Columns of `framesort.records.STAR_COLUMNS`.
    fwhm : float
        Of this frame's stars, pixels: sets how much around neighbours is masked.
    grid : Grid
    most : int
        At most so many stars.
    """
    reach = grid.half_width + TAPS
    noise = _star_noise(image, fwhm)
    rows, neighbours = _choose_stars(
        star_list, image.shape, fwhm=fwhm, noise=noise, margin=reach, most=most
    )
    size = 2 * reach + 1
    x, y, flux = (np.asarray(star_list[name], dtype=float) for name in ("x", "y", "flux"))
    column, line = np.rint(x[rows]).astype(int), np.rint(y[rows]).astype(int)
    cuts = np.empty((len(rows), size, size), np.float32)
    missing = np.empty(cuts.shape, bool)
    axis = np.arange(size) - reach
    radius = np.hypot(axis[:, None], axis)
    annulus = (radius > 0.75 * grid.half_width) & (radius <= reach)
    whole = np.zeros(len(rows), bool)
    for k, row in enumerate(rows):
        x0, y0 = column[k] - reach, line[k] - reach
        cut = np.asarray(image[y0 : y0 + size, x0 : x0 + size], np.float32)
        beside = neighbours[k]
        place = np.stack([x[beside] - x0, y[beside] - y0], axis=1)
        hidden = _mask_neighbours(size, place, flux[beside] / flux[row], fwhm) | ~np.isfinite(cut)
        whole[k] = hidden[~annulus].mean() < MOST_HIDDEN and hidden[annulus].mean() < MOST_HIDDEN
        known = annulus & ~hidden
        level = np.median(cut[known]) if known.any() else np.nan
        cuts[k] = np.where(hidden, 0.0, (cut - level) / flux[row])
        missing[k] = binary_dilation(hidden, np.ones((3, 3), bool))
    values = _resample(
        cuts[whole], missing[whole], (x[rows] - column)[whole], (y[rows] - line)[whole], grid
    )
    deviation = np.hypot(noise / flux[rows], FLUX_ERROR)
    return StarCutouts(values=values, error=deviation[whole])


def _resample(
    cuts: NDArray[np.float32],
    missing: NDArray[np.bool_],
    dx: NDArray[np.float64],
    dy: NDArray[np.float64],
    grid: Grid,
) -> NDArray[np.float32]:
    """Cutouts with their stars at (dx, dy) from the middle pixel, onto the grid."""
    smooth = cuts
    for axis in (1, 2):
        smooth = spline_filter1d(smooth, DEGREE, axis=axis, output=np.float32)
    lines = _shift_axis(smooth, dx, grid).transpose(0, 2, 1)
    values = _shift_axis(np.ascontiguousarray(lines), dy, grid).transpose(0, 2, 1).copy()
    middle = cuts.shape[1] // 2
    near_column = np.rint(middle + dx[:, None] + grid.offsets).astype(int)
    near_line = np.rint(middle + dy[:, None] + grid.offsets).astype(int)
    star = np.arange(len(cuts))[:, None, None]
    values[missing[star, near_line[:, :, None], near_column[:, None, :]]] = np.nan
    return np.asarray(values, np.float32)
