"""Extended light: the sky without stars, how the deep stack shows it, and the detail it lost.

Both stacks see one sky, ``deep = K * sky + noise`` with the matching kernel K. What the deep stack
lost is ``sky - K * sky``; of that only what is significant is given back.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from framesort.replacement import _matching as matching
from framesort.replacement import _sky as skies
from framesort.replacement._finds import Field
from framesort.replacement._smooth import bare_rows, smooth_fill
from framesort.stars import smooth_image
from framesort.workers import run_bands

__all__ = ["find_detail", "find_one_sided", "find_sky", "fit_matching", "local_level"]

LOW, HIGH = 0.25, 0.5
"""Detail is faded out between LOW and HIGH, in noise of the deep stack: less cannot be seen."""

CONTRADICTED, AGREED = 6.0, 0.4
"""Structure of the sharp stack is its own where the deep stack lacks it by more than so many
standard deviations and by more than that share of it."""

AROUND, SURE = 1.5, 5.0
"""Star widths around a pixel, and standard deviations, by which detail is compared."""

UNDER = 2.0
"""Pixels: under star light the sky is a mean of that width."""


@lru_cache(maxsize=1)
def _white() -> tuple[float, ...]:
    return skies.noise_by_scale(np.ones((1, 1)))


def _starless(
    field: Field, sharp: NDArray, *, wings: bool
) -> tuple[skies.Rows, NDArray, skies.PixelNoise]:
    """Rows of the sharp stack less its stars with their noise; the smooth sky; the pixel noise.

    Under star light whose model cannot be trusted to a fraction of the noise the sky is the
    smooth one, carried in from around. With `wings` that is wherever there is star light at all.
    """
    side = field.sharp
    eps, power = (2.0, 4) if wings else (side.eps, 2)
    weighted = bare_rows(sharp, side, field.unknown_sharp, eps=eps, power=power)
    shape = (sharp.shape[0], sharp.shape[1])
    smooth = smooth_fill(weighted, shape, UNDER)
    levels, residuals = [], []
    step = max(1, shape[0] // 24)
    for first in range(0, max(1, shape[0] - 8), step):
        cut = slice(first, min(shape[0], first + max(8, min(step, 40))))
        light, weight = weighted(cut.start, cut.stop)
        free = weight[1:-1, 1:-1] > 0.9
        if len(free):
            image = light + (1 - weight) * smooth[cut]
            residuals.append(skies.fine_residual(image)[1:-1, 1:-1][free])
            levels.append(smooth[cut][1:-1, 1:-1][free])
    noise = skies.fit_noise(np.concatenate(levels), np.concatenate(residuals))

    def rows(first: int, last: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        image, weight = weighted(first, last)
        level = smooth[first:last]
        image += (1 - weight) * level
        # A mean of what is around has less noise, and none of its own.
        return image, noise.at(level) * np.sqrt(np.maximum(weight, np.float32(0.05)))

    return rows, smooth, noise


def local_level(field: Field, sharp: NDArray) -> NDArray[np.float32]:
    """The sharp stack's sky as it is carried under all star light: what profiles stand on."""
    rows, _, _ = _starless(field, sharp, wings=True)
    return skies.significant_part(rows, (sharp.shape[0], sharp.shape[1]), _white())


def find_sky(field: Field, sharp: NDArray) -> skies.Rows:
    """Set `field.sky` and `field.pixel_noise`; gives the rows that the sky was made of."""
    field.sky = np.empty((0, 0), np.float32)
    rows, _, field.pixel_noise = _starless(field, sharp, wings=False)
    field.sky = skies.significant_part(rows, (sharp.shape[0], sharp.shape[1]), _white())
    return rows


def fit_matching(field: Field, deep: NDArray, sharp: NDArray, rows: skies.Rows) -> None:
    """Set the matching kernel of extended light and, unless it is known, the flux scale.

    The deep profile and fluxes take up a change of the scale; the light of all stars stays.
    """
    side, scale = field.deep, field.scale
    parts = matching.kernel_parts(side.profile, field.sharp.profile)
    shape = (sharp.shape[0], sharp.shape[1])
    tiles, pairs = [], []
    for y, x in matching.tile_corners(shape, field.sky[::8, ::8], 8):
        cut = np.s_[y : y + matching.TILE, x : x + matching.TILE]
        image, noise = rows(y, min(y + matching.TILE, shape[0]))
        image, noise = image[:, cut[1]], noise[:, cut[1]]
        bare = deep[cut] - side.model[cut]
        free = np.isfinite(bare) & np.isfinite(sharp[cut]) & ~field.full_deep[cut]
        free &= (side.model[cut] < side.noise) & (scale * field.sharp.model[cut] < side.noise)
        free = ndimage.binary_erosion(free, iterations=2, border_value=1)
        tiles.append(matching.Tile(image, np.where(free, bare, 0), noise, free))
        pairs.append(matching.fine_noise(deep[cut], sharp[cut], free))
    fit = matching.fit_kernel(
        tiles,
        parts,
        scale=scale,
        scale_error=(0.004 + field.scale_error) * scale,
        noise_ratio=side.noise / field.sharp.noise,
        common=matching.common_noise(pairs),
    )
    field.kernel = parts[0] + fit.change
    if field.known_scale is not None:
        return
    field.scale = fit.scale
    if not field.tied:
        return
    ratio = scale / fit.scale
    tables = side.profile.tables
    tables = tables._replace(radial=tables.radial * ratio, line=tables.line * ratio)
    side.profile = type(side.profile)(tables, side.profile.width, side.profile.error * ratio)
    side.flux = side.flux / ratio


def find_one_sided(field: Field, nebula: NDArray) -> NDArray[np.bool_]:
    """Pixels of light that only the sharp stack shows: trails, hot pixels, passing objects.

    `nebula` is the sky as the deep stack should show it. It is compared with `field.deep.image`,
    what is left of the deep stack, in means as wide as a star and outside star light.
    """
    side = field.deep
    sigma = side.profile.width / 2.3548
    rest = smooth_image(np.nan_to_num(side.image), sigma)
    scale = np.float32(field.scale)
    noise = float(np.hypot(side.noise, scale * field.sharp.noise)) / (2 * np.sqrt(np.pi) * sigma)
    doubt = np.float32(side.eps + field.sharp.eps) * side.model
    contrast = scale * (nebula - smooth_image(nebula, 4 * sigma))
    rest *= -np.sign(contrast)
    out = (rest > CONTRADICTED * (noise + doubt)) & (rest > AGREED * np.abs(contrast))
    return ndimage.binary_dilation(out, iterations=round(side.profile.width))


def find_detail(field: Field, deep: NDArray, sharp: NDArray) -> NDArray[np.float32]:
    """What blur took from the deep stack's extended light, where significant; deep flux scale.

    It is given only where the deep stack shows ``K * sky``: not what it has already, nor what only
    the sharp stack shows.
    """
    rows, _, _ = _starless(field, sharp, wings=False)
    lost = matching.identity() - field.kernel
    unit = skies.noise_by_scale(lost)
    ny = sharp.shape[0]
    out = np.empty(sharp.shape, np.float32)
    scale = np.float32(field.scale)
    ratio = np.float32(field.deep.noise / field.sharp.noise)

    def work(first: int, last: int) -> None:
        low, high = max(0, first - skies.MARGIN), min(ny, last + skies.MARGIN)
        bottom, top = max(0, low - matching.HALF), min(ny, high + matching.HALF)
        light, noise = rows(bottom, top)
        image = matching.convolve_band(light, lost, low - bottom, high - bottom)
        noise = noise[low - bottom : high - bottom]
        detail = scale * (skies.clean_rows(image, noise, unit))
        amplitude = detail / (ratio * noise)
        amplitude *= amplitude
        amplitude = np.sqrt(skies.smooth_scale(skies.smooth_scale(amplitude, 0), 0))
        ramp = np.clip((amplitude - LOW) / (HIGH - LOW), 0, 1)
        detail *= ramp * ramp * (3 - 2 * ramp)
        cut = slice(low, high)
        seen = scale * (light[low - bottom : high - bottom] - image)
        rest = deep[cut] - field.deep.model[cut] - field.offset[cut] - seen
        rest[field.full_deep[cut] | ~np.isfinite(rest)] = 0.0
        detail *= _agreement(field, rest, detail, ratio * noise, cut)
        out[first:last] = detail[first - low : last - low]

    run_bands(work, ny, band=skies.BAND)
    return out


def _agreement(
    field: Field, rest: NDArray, detail: NDArray, noise: NDArray, cut: slice
) -> NDArray[np.float32]:
    """1 where the rest of the deep stack has no part of the detail, 0 where it clearly has.

    The slope of the rest on the detail around each pixel is 0 if ``deep = K * sky``, 1 where the
    deep stack is as sharp as the sharp one, negative where it does not show the sky's light.
    """
    noise = np.hypot(noise, np.float32(field.deep.eps + field.sharp.eps) * field.deep.model[cut])
    d = detail / noise
    width = AROUND * field.deep.profile.width / 2.3548
    product = smooth_image(d * (rest / noise), width, threads=1)
    power = smooth_image(d * d, width, threads=1)
    slope = product / np.maximum(power, 1e-12)
    # A Gaussian mean counts 4 pi width^2 pixels.
    error = 1 / np.sqrt(np.maximum(power * 4 * np.pi * width**2, 1e-12))
    clear = np.abs(slope) - SURE * error
    return np.asarray(1 - np.clip((clear - 0.2) / 0.3, 0, 1), np.float32)
