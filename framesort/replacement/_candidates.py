"""Detections of a pair of stacks: where stars may be, and which of them are worth keeping."""

from dataclasses import dataclass, field
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy import ndimage
from scipy.spatial import KDTree
from skimage.measure import regionprops

from framesort.replacement import _detect as detect
from framesort.replacement._arrays import Array, Map, Mask
from framesort.replacement._matching import identity
from framesort.replacement._side import Places, Side, nearest_pixels
from framesort.replacement._sky import PixelNoise
from framesort.replacement._smooth import ROWS, grow, highest_within
from framesort.workers import run_bands

__all__ = [
    "WEAKEST",
    "Patches",
    "StarField",
    "StarFit",
    "add_missed",
    "core_radii",
    "credible_detections",
    "drop_detections",
    "first_places",
    "label_patches",
    "saturated_rims",
    "signal_to_noise",
]

BLEEDING = 1.2
"""Length over width from which a patch of saturated pixels bleeds."""

WEAKEST = 6.0
"""Signal to noise, both stacks together, below which a detection is not followed up."""


@dataclass(kw_only=True)
class StarFit:
    """A pair of stacks and what is fitted to it.

    Attributes
    ----------
    places : Places
    deep, sharp : Side
    scale : float
        Deep flux per sharp flux.
    saturated_deep, saturated_sharp : bool ndarray
        Pixels taken as saturated, with their neighbours.
    one_sided : bool ndarray
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
    nebula_ratio : float
        How much of `scale` times the sharp stack's nebula the deep stack shows: 1 as a rule, else
        in another filter.
    """

    places: Places
    deep: Side
    sharp: Side
    saturated_deep: Mask
    saturated_sharp: Mask
    one_sided: Mask
    known_scale: float | None
    tied: bool
    scale: float = 1.0
    scale_error: float = 0.1
    nebula_ratio: float = 1.0
    kernel: Array = field(default_factory=identity)
    pixel_noise: PixelNoise = field(default_factory=lambda: PixelNoise(1.0, 0.0, 0.0))

    @property
    def sides(self) -> tuple[Side, Side]:
        """Sharp and deep stack."""
        return self.sharp, self.deep

    @property
    def one_sky(self) -> bool:
        """Whether both stacks show the same nebula, as stacks of one filter do."""
        return self.nebula_ratio == 1.0

    @property
    def unknown_sharp(self) -> Mask:
        """Pixels of the sharp stack that do not show the sky."""
        return self.saturated_sharp | self.one_sided


@dataclass(kw_only=True)
class StarField(StarFit):
    """The finished fit, and the extended light of both stacks.

    Attributes
    ----------
    sky : float32 ndarray
        The sharp stack without stars, noise taken out; its own flux scale.
    offset : Map
        Smooth: deep without stars less `scale` times sharp without stars.
    spikes : (n,) float ndarray
        By what share of the mean one each star's spike is stronger.
    """

    sky: Array
    offset: Map
    spikes: Array


class Patches(NamedTuple):
    """Patches of saturated pixels: a map of their numbers from 1 on, and the pixels themselves."""

    labels: Array
    row: Array
    column: Array
    number: Array


def label_patches(saturated: Mask) -> Patches:
    """Number the patches of saturated pixels."""
    labels, _ = ndimage.label(saturated)
    row, column = np.nonzero(saturated)
    return Patches(labels, row, column, labels[row, column])


def first_places(
    deep: Array,
    sharp: Array,
    patches: Patches,
    widths: tuple[float, float],
    level: float,
) -> tuple[Array, Array]:
    """X and y: peaks of both filtered stacks together; one for each patch of saturated pixels."""
    score = detect.star_score(deep, widths[0])
    score += detect.star_score(sharp, widths[1])
    x, y, _ = detect.find_peaks(score, np.sqrt(2) * level)
    del score
    if len(patches.row):
        near = near_saturated(patches.labels > 0, widths[1])
        free = ~near[np.round(y).astype(int), np.round(x).astype(int)]
        which = patches.number - 1
        count = np.bincount(which)
        x = np.append(np.bincount(which, patches.column) / count, x[free])
        y = np.append(np.bincount(which, patches.row) / count, y[free])
    return x, y


def near_saturated(saturated: Array, width: float) -> Array:
    """Saturated pixels with about a star's width around them."""
    return grow(saturated, max(2, round(width)))


def saturated_rims(patches: Patches, x: Array, y: Array) -> Array:
    """How far the patch of saturated pixels at each place reaches from its centroid.

    Parameters
    ----------
    patches : Patches
        Of saturated pixels.
    x, y : (n,) ndarray
        Places, pixels.

    Returns
    -------
    (n,) float ndarray
        Pixels. 0 where there is no patch, or one as round as a star: only what bleeds hides more
        than a core. Length over width is that of the ellipse with the patch's second moments, a
        pixel's own 1/12 included, so it is the same at every angle.
    """
    labels = patches.labels
    reach = np.zeros(patches.number.max(initial=0) + 1)
    for patch in regionprops(labels):
        long, short = np.sqrt(np.array(patch.inertia_tensor_eigvals) + 1 / 12)
        if long > BLEEDING * short:
            away = patch.coords - np.array(patch.centroid)
            reach[patch.label] = np.hypot(*away.T).max() + 0.5
    return np.asarray(reach[labels[nearest_pixels(x, y, labels.shape)]])


def core_radii(patches: Patches, x: Array, y: Array) -> Array:
    """Radius of a disc of as many pixels as the patch of saturated ones at each place; else 0."""
    count = np.bincount(patches.number, minlength=1)
    here = patches.labels[nearest_pixels(x, y, patches.labels.shape)]
    return np.asarray(np.sqrt(count[here] / np.pi))


def drop_detections(fit: StarFit, pick: Array) -> None:
    """Keep the picked detections only. Errors of light are to be found anew."""
    if pick.all():
        return
    fit.places.keep(pick)
    for side in fit.sides:
        side.flux = side.flux[pick]
        side.error = np.zeros(len(side.flux))


def signal_to_noise(fit: StarFit) -> Array:
    """Signal to noise of a star's light in both stacks together."""
    deep, sharp = (
        (side.flux / np.where(side.error > 0, side.error, np.inf)) ** 2
        for side in (fit.deep, fit.sharp)
    )
    return np.asarray(np.sqrt(deep + sharp))


def _in_both(fit: StarFit) -> Array:
    """Stars that both stacks show as far as they can: not a piece of a spike, not a satellite."""
    f, g = fit.deep.flux, fit.sharp.flux * fit.scale
    error = np.hypot(fit.deep.error, fit.sharp.error * fit.scale)
    unknown = (fit.deep.error <= 0) | (fit.sharp.error <= 0)  # no sharp data, or saturated
    return unknown | ~((np.abs(f - g) > 5 * error) & (np.minimum(f, g) < 0.35 * np.maximum(f, g)))


def _filter_rest(side: Side, out: Array, start: int, stop: int) -> None:
    """Some rows of what the model leaves, in its own errors and filtered for stars."""
    margin = int(8 * side.profile.width)
    first = max(0, start - margin)
    cut = slice(first, min(len(out), stop + margin))
    error = highest_within(side.model[cut], round(side.profile.width))
    error *= np.float32(4 * side.eps)
    error *= error
    error += np.float32(side.noise**2)
    rest = side.image[cut] - side.model[cut]
    rest /= np.sqrt(error, out=error)
    filtered = detect.star_filter(rest, side.profile.width, threads=1)
    out[start:stop] = filtered[start - first : stop - first]


def add_missed(fit: StarFit, level: float) -> None:
    """Stars that come out only when the light of their neighbours is gone."""
    score = np.zeros(fit.deep.image.shape, np.float32)
    for side in fit.sides:
        out = np.empty_like(score)
        run_bands(partial(_filter_rest, side, out), len(out), band=ROWS)
        detect.divide_by(out, detect.local_spread(out), float(np.sqrt(2)))
        score += out
        del out
    x, y, _ = detect.find_peaks(score, level)
    # What is left beside saturated pixels is the bleeding of one star, not a crowd of others.
    near = near_saturated(fit.saturated_deep | fit.saturated_sharp, fit.sharp.profile.width)
    free = ~near[np.round(y).astype(int), np.round(x).astype(int)]
    x, y = x[free], y[free]
    p = fit.places
    if len(x) and len(p):
        away, _ = KDTree(np.column_stack([p.x, p.y])).query(np.column_stack([x, y]))
        x, y = x[away > 0.6 * fit.sharp.profile.width], y[away > 0.6 * fit.sharp.profile.width]
    none = np.zeros(len(x))
    p.add(Places.new(x, y, none, none))
    for side in fit.sides:
        side.flux = np.append(side.flux, none)
        side.error = np.append(side.error, none)


def credible_detections(fit: StarFit, turn: int) -> Array:
    """Detections worth keeping: four standard deviations in a stack, later six in both together."""
    strong = np.zeros(len(fit.places), bool)
    for side in fit.sides:
        strong |= (side.flux > 4 * side.error) & (side.error > 0)
    return strong & _in_both(fit) & (signal_to_noise(fit) > WEAKEST) if turn >= 2 else strong
