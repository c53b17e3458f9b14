"""Detections of a pair of stacks: where stars may be, and which of them are worth keeping."""

from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import KDTree
from skimage.measure import regionprops

from framesort.replacement import _detect as detect
from framesort.replacement._fit import Places, Side, nearest_pixels
from framesort.replacement._matching import identity
from framesort.replacement._sky import PixelNoise
from framesort.replacement._smooth import ROWS, grow
from framesort.workers import run_bands

__all__ = [
    "WEAKEST",
    "StarField",
    "add_missed",
    "credible_detections",
    "drop_detections",
    "first_places",
    "signal_to_noise",
]

BLEEDING = 1.2
"""Length over width from which a patch of saturated pixels bleeds."""

WEAKEST = 6.0
"""Signal to noise, both stacks together, below which a detection is not followed up."""


@dataclass
class StarField:
    """A pair of stacks and what was fitted to it.

    Attributes
    ----------
    places : Places
    deep, sharp : Side
    scale : float
        Deep flux per sharp flux.
    sky : float32 ndarray
        The sharp stack without stars, noise taken out; its own flux scale.
    offset : float32 ndarray
        Smooth: deep without stars less `scale` times sharp without stars.
    saturated_deep, saturated_sharp : bool ndarray
        Pixels taken as saturated, with their neighbours.
    one_sided : bool ndarray or None
        Pixels of light that only the sharp stack shows: hot ones, trails.
    known_scale : float or None
        The flux scale where it is given; it is not fitted then.
    tied : bool
        Every star has `scale` times its sharp flux in the deep stack.
    scale_error : float
        Uncertainty of the scale that stars give, relative.
    kernel : float ndarray
        Matching kernel of extended light, sum 1.
    pixel_noise : PixelNoise
        Of the sharp stack, at each level.
    spikes : (n,) float ndarray
        By what share of the mean one each star's spike is stronger.
    nebula_ratio : float
        How much of `scale` times the sharp stack's nebula the deep stack shows: 1 as a rule, else
        in another filter.
    """

    places: Places
    deep: Side
    sharp: Side
    scale: float
    sky: NDArray
    offset: NDArray
    saturated_deep: NDArray
    saturated_sharp: NDArray
    nebula_ratio: float = 1.0
    one_sided: NDArray | None = None
    known_scale: float | None = None
    tied: bool = True
    scale_error: float = 0.1
    kernel: NDArray = field(default_factory=identity)
    pixel_noise: PixelNoise = field(default_factory=lambda: PixelNoise(1.0, 0.0, 0.0))
    spikes: NDArray = field(default_factory=lambda: np.empty(0))

    @property
    def one_sky(self) -> bool:
        """Whether both stacks show the same nebula, as stacks of one filter do."""
        return self.nebula_ratio == 1.0

    @property
    def unknown_sharp(self) -> NDArray[np.bool_]:
        """Pixels of the sharp stack that do not show the sky."""
        if self.one_sided is None:
            return self.saturated_sharp
        return self.saturated_sharp | self.one_sided


def first_places(
    deep: NDArray, sharp: NDArray, saturated: NDArray, widths: tuple[float, float], level: float
) -> tuple[NDArray, NDArray]:
    """Peaks of both filtered stacks together; one star for each patch of saturated pixels."""
    score = detect.star_filter(deep, widths[0])
    score /= detect.local_spread(score)
    other = detect.star_filter(sharp, widths[1])
    other /= detect.local_spread(other)
    score += other
    del other
    score /= np.float32(np.sqrt(2))
    x, y, _ = detect.find_peaks(score, level)
    del score
    labels, n = ndimage.label(saturated)
    if n:
        near = near_saturated(saturated, widths[1])
        free = ~near[np.round(y).astype(int), np.round(x).astype(int)]
        row, column = np.nonzero(saturated)
        which = labels[row, column] - 1
        count = np.bincount(which)
        x = np.append(np.bincount(which, column) / count, x[free])
        y = np.append(np.bincount(which, row) / count, y[free])
    return x, y


def near_saturated(saturated: NDArray, width: float) -> NDArray:
    """Saturated pixels with about a star's width around them."""
    return grow(saturated, max(2, round(width)))


def saturated_rims(saturated: NDArray, x: NDArray, y: NDArray) -> NDArray:
    """How far the patch of saturated pixels at each place reaches from its centroid.

    Parameters
    ----------
    saturated : (ny, nx) bool ndarray
        Saturated pixels.
    x, y : (n,) ndarray
        Places, pixels.

    Returns
    -------
    (n,) float ndarray
        Pixels. 0 where there is no patch, or one as round as a star: only what bleeds hides more
        than a core. Length over width is that of the ellipse with the patch's second moments, a
        pixel's own 1/12 included, so it is the same at every angle.
    """
    labels, n = ndimage.label(saturated)
    reach = np.zeros(n + 1)
    for patch in regionprops(labels):
        long, short = np.sqrt(np.array(patch.inertia_tensor_eigvals) + 1 / 12)
        if long > BLEEDING * short:
            away = patch.coords - np.array(patch.centroid)
            reach[patch.label] = np.hypot(*away.T).max() + 0.5
    return reach[labels[nearest_pixels(x, y, saturated.shape)]]


def core_radii(saturated: NDArray, x: NDArray, y: NDArray) -> NDArray:
    """Radius of a disc of as many pixels as the patch of saturated ones at each place; else 0."""
    labels, _ = ndimage.label(saturated)
    count = np.bincount(labels.ravel())
    count[0] = 0
    return np.sqrt(count[labels[nearest_pixels(x, y, saturated.shape)]] / np.pi)


def drop_detections(field: StarField, pick: NDArray) -> None:
    field.places.keep(pick)
    for side in (field.deep, field.sharp):
        side.flux = side.flux[pick]


def signal_to_noise(field: StarField) -> NDArray:
    """Signal to noise of a star's light in both stacks together."""
    return np.sqrt(
        sum(
            (side.flux / np.where(side.error > 0, side.error, np.inf)) ** 2
            for side in (field.deep, field.sharp)
        )
    )


def _in_both(field: StarField) -> NDArray:
    """Stars that both stacks show as far as they can: not a piece of a spike, not a satellite."""
    f, g = field.deep.flux, field.sharp.flux * field.scale
    error = np.hypot(field.deep.error, field.sharp.error * field.scale)
    unknown = (field.deep.error <= 0) | (field.sharp.error <= 0)  # no sharp data, or saturated
    return unknown | ~((np.abs(f - g) > 5 * error) & (np.minimum(f, g) < 0.35 * np.maximum(f, g)))


def _filter_rest(side: Side, out: NDArray, start: int, stop: int) -> None:
    """Some rows of what the model leaves, in its own errors and filtered for stars."""
    margin = int(8 * side.profile.width)
    first = max(0, start - margin)
    cut = slice(first, min(len(out), stop + margin))
    error = 4 * side.eps * ndimage.maximum_filter(side.model[cut], round(side.profile.width))
    rest = (side.image[cut] - side.model[cut]) / np.sqrt(side.noise**2 + error**2)
    filtered = detect.star_filter(rest.astype(np.float32), side.profile.width, threads=1)
    out[start:stop] = filtered[start - first : stop - first]


def add_missed(field: StarField, level: float) -> None:
    """Stars that come out only when the light of their neighbours is gone."""
    score = np.zeros(field.deep.image.shape, np.float32)
    for side in (field.deep, field.sharp):
        out = np.empty_like(score)
        run_bands(partial(_filter_rest, side, out), len(out), band=ROWS)
        out /= np.float32(np.sqrt(2)) * detect.local_spread(out)
        score += out
        del out
    x, y, _ = detect.find_peaks(score, level)
    # What is left beside saturated pixels is the bleeding of one star, not a crowd of others.
    near = near_saturated(field.saturated_deep | field.saturated_sharp, field.sharp.profile.width)
    free = ~near[np.round(y).astype(int), np.round(x).astype(int)]
    x, y = x[free], y[free]
    p = field.places
    if len(x) and len(p):
        away, _ = KDTree(np.column_stack([p.x, p.y])).query(np.column_stack([x, y]))
        x, y = x[away > 0.6 * field.sharp.profile.width], y[away > 0.6 * field.sharp.profile.width]
    n = len(x)
    for name, new in (
        ("x", x),
        ("y", y),
        ("shift_x", np.zeros(n)),
        ("shift_y", np.zeros(n)),
        ("factor", np.ones(n)),
        ("rim", np.zeros(n)),
        ("core", np.zeros(n)),
    ):
        setattr(p, name, np.append(getattr(p, name), new))
    if n:
        p.factor[-n:] = 1.0
    for side in (field.deep, field.sharp):
        side.flux = np.append(side.flux, np.zeros(n))


def credible_detections(field: StarField, turn: int) -> NDArray:
    """Detections worth keeping: four standard deviations in a stack, later six in both together."""
    strong = np.zeros(len(field.places), bool)
    for side in (field.sharp, field.deep):
        strong |= (side.flux > 4 * side.error) & (side.error > 0)
    return strong & _in_both(field) & (signal_to_noise(field) > WEAKEST) if turn >= 2 else strong
