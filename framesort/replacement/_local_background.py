"""The nebula of the deep stack if the sharp stack's does not predict it: in another filter."""

import numpy as np
from scipy import ndimage

from framesort.records import MAD_TO_SIGMA
from framesort.replacement._arrays import Array
from framesort.replacement._candidates import StarField
from framesort.replacement._side import Side
from framesort.replacement._smooth import ROWS, blocks, smooth_fill, starless_rows
from framesort.stars import WholeMap
from framesort.workers import run_each

__all__ = ["between_stars", "local_background", "measure_nebula_ratio"]

_STEP = 8
_WIDE = 5.0
"""Blocks: structure wider than this is taken off as background anyway."""
_SAME = 0.4
"""From this share on both stacks are taken to show one nebula."""
_DARK = 0.3
"""Share of the picture that must be free of starlight for an estimate."""


def _fine(image: Array, weight: Array) -> Array:
    """Structure of block means between a block and five."""
    mass = ndimage.gaussian_filter(weight, _WIDE)
    mean = ndimage.gaussian_filter(image * weight, _WIDE) / np.maximum(mass, 1e-6)
    return np.where(weight > 0.5, image - mean, 0.0)


def measure_nebula_ratio(
    deep: Array, side: Side, nebula: Array, scale: float, noise: float
) -> float:
    """Share of the scaled sharp nebula that the deep stack shows: least squares of their structure.

    Block means of 8 pixels without starlight are compared after what is wider than some 40
    pixels is taken off, and the noise of the sharp stack is allowed for. 1 exactly where the
    share is above 0.4, starlight is nearly everywhere, or the sharp stack shows little but noise.
    """

    def share_of(first: int) -> tuple[Array, Array, Array]:
        cut = slice(first, first + ROWS)
        dark = np.isfinite(deep[cut]) & (side.model[cut] < side.noise)
        w = dark.astype(np.float32)
        starless = np.where(dark, deep[cut] - side.model[cut], np.float32(0))
        return blocks(w, _STEP), blocks(starless * w, _STEP), blocks(nebula[cut] * w, _STEP)

    shares = run_each(share_of, range(0, len(deep), ROWS))
    w, one, two = (np.concatenate(v) for v in zip(*shares, strict=True))
    some = np.maximum(w, 1e-6)
    level = (
        (np.median(one[w > 0.5] / w[w > 0.5]), np.median(two[w > 0.5] / w[w > 0.5]))
        if (w > 0.5).any()
        else (0.0, 0.0)
    )
    weight = np.where(w > 0.5, w, 0)
    flat_d = np.where(w > 0.5, one / some - level[0], 0)
    flat_n = (np.where(w > 0.5, two / some - level[1], 0)) * scale
    if (weight > 0).sum() < max(50, _DARK * weight.size):
        return 1.0
    for _ in range(3):
        d, n = _fine(flat_d, weight), _fine(flat_n, weight)
        # A trail, a galaxy or what a bright star leaves must not decide, nor the hollow that it
        # makes in the wide mean: odd blocks and those beside them do not count.
        odd = np.zeros(weight.shape, bool)
        for v in (d, n):
            odd |= np.abs(v) > 3.5 * MAD_TO_SIGMA * np.median(np.abs(v[weight > 0]))
        weight = np.where(ndimage.binary_dilation(odd), 0, weight)
        if (weight > 0).sum() < 50:
            return 1.0
    d, n = d[weight > 0], n[weight > 0]
    power = float(np.mean(n**2))
    real = power - (scale * noise / _STEP) ** 2
    if real < 0.5 * power:
        return 1.0
    share = float(np.clip(np.mean(d * n) / real, 0, 2))
    return 1.0 if share > _SAME else share


def between_stars(image: Array, side: Side, saturated: Array) -> Array:
    """Level of a stack from its pixels without starlight, carried smoothly under the stars."""
    rows = starless_rows(image, side, saturated, eps=2.0, power=4)
    shape = image.shape[0], image.shape[1]
    return smooth_fill(rows, shape, side.profile.width).image(shape)


def local_background(field: StarField, deep: Array) -> None:
    """The deep stack's level under its stars from its own pixels; changes `field.offset`."""
    side = field.deep
    rows = starless_rows(deep, side, field.saturated_deep)
    # Wider than a star, so that what a star leaves is not taken for nebula.
    shape = deep.shape[0], deep.shape[1]
    ground = smooth_fill(rows, shape, side.profile.width).image(shape)
    ground -= np.float32(field.scale) * field.sky
    field.offset = WholeMap(ground)
