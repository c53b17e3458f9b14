"""Extended light: the sky without stars, how the deep stack shows it, and the detail it lost.

Both stacks see one sky, ``deep = K * sky + noise`` with the matching kernel K. What the deep stack
lost is ``sky - K * sky``; only the significant part of that is restored.
"""

import numpy as np
from scipy import ndimage

from framesort.replacement import _correlation as correlation
from framesort.replacement import _matching as matching
from framesort.replacement import _passes as passes
from framesort.replacement import _sky as skies
from framesort.replacement._arrays import Array, Image, Mask
from framesort.replacement._candidates import StarFit
from framesort.replacement._coarse import (
    AROUND,
    STEP,
    SURE,
    block_means,
    block_most,
    slope_of,
    smooth_blocks,
    spread,
)
from framesort.replacement._side import Stacks
from framesort.replacement._smooth import Level, smooth_fill, starless_rows
from framesort.stars import smooth_image
from framesort.workers import run_bands, run_each

__all__ = ["find_one_sided", "find_sky", "fit_matching", "local_level", "sky_rows"]

BAND = 64
"""Rows worked on at a time."""

STRIPS = 24
"""Strips of rows in which noise is measured."""

BLATANT = 2.0
"""Noise that light of the sharp stack alone must exceed in ``K * sky`` to be taken out of it."""

DOUBTFUL, DOUBTFUL_SURE = 0.4, 3.0
"""Share of structure that the deep stack lacks, above so many standard deviations of it, from which
on a pixel does not count in the fit of the kernel."""

MOST_DOUBTFUL = 0.25
"""Share of a tile up to which such pixels are left out."""

UNDER = 2.0
"""Pixels: under star light the sky is a mean of that width."""


def _starless(
    fit: StarFit, sharp: Array, *, wings: bool, measure: bool
) -> tuple[skies.Rows, skies.PixelNoise]:
    """Rows of the sharp stack less its stars with their noise; the pixel noise, measured if asked.

    Under star light whose model cannot be trusted to a fraction of the noise the sky is a
    smooth one, carried in from around. With `wings` that is wherever there is star light at all.
    """
    side = fit.sharp
    eps, power = (2.0, 4) if wings else (side.eps, 2)
    unknown = fit.unknown_sharp
    weighted = starless_rows(sharp, side, unknown, eps=eps, power=power)
    shape = (sharp.shape[0], sharp.shape[1])
    smooth = smooth_fill(weighted, shape, UNDER)
    noise = fit.pixel_noise
    if measure or not noise.measured:
        noise = _measure_noise(fit, weighted, smooth, shape, white=wings)
    share = np.float32(eps / side.noise)
    variance = tuple(np.float32(v) for v in (noise.constant, noise.slope, noise.least))

    def rows(first: int, last: int, left: int = 0, right: int = shape[1]) -> tuple[Image, Image]:
        image, deviation = (np.empty((last - first, right - left), np.float32) for _ in range(2))
        passes.fill_starless(
            sharp, side.model, unknown, share, power, *smooth, variance, first, left,
            image, deviation,
        )  # fmt: skip
        return image, deviation

    return rows, noise


def _measure_noise(
    fit: StarFit, weighted: skies.Rows, smooth: Level, shape: tuple[int, int], *, white: bool
) -> skies.PixelNoise:
    """Noise of a pixel of the sharp stack at each level, from some rows without stars."""
    starts = range(0, max(1, shape[0] - 8), max(1, shape[0] // STRIPS))
    found: dict[int, tuple[Array, Array, Array]] = {}

    def work(number: int, _: int) -> None:
        first = starts[number]
        last = min(shape[0], first + correlation.BOX + 4)
        light, weight = weighted(first, last)
        level = smooth.rows(first, last, shape[1])
        image = light + (1 - weight) * level
        free = weight > 0.9
        inner = free[1:-1, 1:-1]
        residual = skies.fine_residual(image)[1:-1, 1:-1][inner]
        ratios = np.empty((0, 2))
        if number % 2 == 0 and not white:
            ratios = correlation.box_ratios(image, free)
        found[number] = level[1:-1, 1:-1][inner], residual, ratios

    run_bands(work, len(starts), band=1)
    levels, residuals, ratios = (
        np.concatenate(v) for v in zip(*(found[k] for k in sorted(found)), strict=True)
    )
    kernel = fit.pixel_noise.kernel
    if not white:
        kernel = correlation.noise_kernel(correlation.total_ratio(ratios))
    noise = skies.fit_noise(levels, residuals)
    return noise.correlated(kernel, correlation.fine_share(kernel))


def local_level(fit: StarFit, sharp: Array) -> Image:
    """The sharp stack's sky as it is carried under all star light: what profiles stand on."""
    rows, noise = _starless(fit, sharp, wings=True, measure=False)
    return _significant(rows, noise, sharp)


def sky_rows(fit: StarFit, sharp: Array, *, measure: bool = False) -> skies.Rows:
    """Rows of the sharp stack less its stars, and their noise, which is measured if asked."""
    rows, fit.pixel_noise = _starless(fit, sharp, wings=False, measure=measure)
    return rows


def find_sky(fit: StarFit, sharp: Array, *, measure: bool = False) -> tuple[Image, skies.Rows]:
    """The sky (`StarField`) and the rows that it is made of; the pixel noise as in `sky_rows`."""
    rows = sky_rows(fit, sharp, measure=measure)
    return _significant(rows, fit.pixel_noise, sharp), rows


def _significant(rows: skies.Rows, noise: skies.PixelNoise, sharp: Array) -> Image:
    unit = skies.noise_by_scale(noise.kernel)
    return skies.significant_part(rows, (sharp.shape[0], sharp.shape[1]), unit)


def fit_matching(
    fit: StarFit, stacks: Stacks, sky: Array, rows: skies.Rows, *, most: int = matching.TILES
) -> None:
    """Set the matching kernel of extended light and, unless it is known, the flux scale.

    The deep profile and fluxes take up a change of the scale; the light of all stars stays. At
    `most` so many tiles of the picture are compared.
    """
    side, scale = fit.deep, fit.scale
    parts = matching.kernel_parts(side.profile, fit.sharp.profile)
    tiles, pairs = _cut_tiles(fit, stacks, sky, rows, parts[0], most)
    found = matching.fit_kernel(
        tiles,
        parts,
        matching.KernelPrior(
            scale=scale,
            error=(0.001 + fit.scale_error) * scale,
            noise_ratio=side.noise / fit.sharp.noise,
            common=matching.common_noise(pairs),
            noise_kernel=fit.pixel_noise.kernel,
        ),
    )
    fit.kernel = parts[0] + found.change
    if fit.known_scale is not None:
        return
    fit.scale = found.scale
    if not fit.tied:
        return
    ratio = scale / found.scale
    side.profile = side.profile.times(ratio)
    side.flux = side.flux / ratio


def _cut_tiles(
    fit: StarFit, stacks: Stacks, sky: Array, rows: skies.Rows, kernel: Array, most: int
) -> tuple[list[matching.Tile], list[tuple[Array, Array]]]:
    """Parts of both stacks without star light, and their fine residuals."""
    deep, sharp = stacks
    side, scale = fit.deep, fit.scale
    spectrum = matching.kernel_spectrum(kernel, matching.TILE, matching.TILE)

    def cut_out(corner: tuple[int, int]) -> tuple[matching.Tile, tuple[Array, Array]]:
        y, x = corner
        cut = np.s_[y : y + matching.TILE, x : x + matching.TILE]
        height, width = sharp[cut].shape
        image, noise = rows(y, y + height, x, x + width)
        starless = deep[cut] - side.model[cut]
        free = np.isfinite(starless) & np.isfinite(sharp[cut]) & ~fit.saturated_deep[cut]
        free &= (side.model[cut] < side.noise) & (scale * fit.sharp.model[cut] < side.noise)
        whole = (height, width) == (matching.TILE, matching.TILE)
        part = matching.convolve_band(
            sky[cut], kernel, 0, height, spectrum=spectrum if whole else None
        )
        part *= np.float32(scale)
        free &= ~_doubtful(fit, part, starless, free)
        free = ndimage.binary_erosion(free, iterations=2, border_value=1)
        tile = matching.Tile(image, np.where(free, starless, 0), noise, free)
        return tile, matching.fine_noise(deep[cut], sharp[cut], free)

    corners = sorted(matching.tile_corners(sharp.shape, sky[::8, ::8], 8, most=most))
    found = run_each(cut_out, corners)
    return [tile for tile, _ in found], [pair for _, pair in found]


def _doubtful(fit: StarFit, part: Array, starless: Array, free: Mask) -> Mask:
    """Pixels of a tile whose structure the deep stack seems not to show: they would bend a fit.

    `part` is what the deep stack shows of the sky by the kernel and the flux scale of the stars.
    """
    side = fit.deep
    sigma = side.profile.width / 2.3548
    structure = np.where(free, _structure(part, sigma), 0).astype(np.float32)
    if np.abs(structure).max() < side.noise:
        return np.zeros(free.shape, bool)
    rest = np.where(free, starless - part, 0).astype(np.float32)
    rest -= smooth_image(rest, 4 * AROUND * sigma, threads=1)
    lacking, noise = _lacking(fit, rest, structure, DOUBTFUL_SURE)
    lacking[np.abs(structure) < 0.5 * noise] = 0.0
    reach = round(2 * side.profile.width)
    found = np.asarray(ndimage.maximum_filter(lacking, reach) > DOUBTFUL)
    # A trail is a small part of a tile; where much is doubtful it is the scale of the stars.
    return found if found.mean() < MOST_DOUBTFUL else np.zeros_like(found)


def _structure(light: Array, sigma: float) -> Array:
    """Light less what is wider than four star widths (standard deviations `sigma`)."""
    return np.asarray(light - smooth_image(light, 4 * sigma, threads=1))


def _lacking(fit: StarFit, rest: Array, structure: Array, sure: float) -> tuple[Image, Image]:
    """What share of the structure of ``K * sky`` the deep stack lacks around each pixel; noise.

    `rest` is what is left of the deep stack. Less `sure` times its error.
    """
    both = fit.deep.noise + 0.5 * np.float32(fit.scale) * fit.sharp.noise
    noise = np.full(structure.shape, both, np.float32)
    sigma = fit.deep.profile.width / 2.3548
    return _slope(-rest, structure, noise, sigma, sure * fit.pixel_noise.wide), noise


def find_one_sided(fit: StarFit, nebula: Array) -> Mask | None:
    """Pixels of light that the sharp stack alone shows: trails, passing objects; None without.

    `nebula` is ``K * sky``; where the rest of the deep stack clearly has its structure with the
    opposite sign, the deep stack does not show it. Judged outside star light, in blocks of pixels.
    """
    side, scale = fit.deep, np.float32(fit.scale)
    sigma = side.profile.width / 2.3548
    noise = side.noise + 0.5 * fit.scale * fit.sharp.noise
    shape = nebula.shape
    wide = smooth_blocks(block_means(lambda a, b: nebula[a:b], shape), 4 * sigma)
    part, light, cross, power = (np.empty(wide.shape, np.float32) for _ in range(4))

    def compare(first: int, last: int) -> None:
        cut = slice(first, last)
        coarse = slice(first // STEP, -(-last // STEP))
        structure = np.abs(scale * (nebula[cut] - spread(wide, first, last, shape[1])))
        part[coarse] = block_most(structure)
        light[coarse] = block_most(np.maximum(side.model[cut], scale * fit.sharp.model[cut]))

    run_bands(compare, shape[0], band=BAND)
    if not (part > BLATANT * noise).any():
        return None

    def multiply(first: int, last: int) -> None:
        cut = slice(first, last)
        coarse = slice(first // STEP, -(-last // STEP))
        structure = (nebula[cut] - spread(wide, first, last, shape[1])) * np.float32(scale / noise)
        rest = np.nan_to_num(side.image[cut]) * np.float32(-1 / noise)
        rest *= structure
        passes.mean_blocks(rest, STEP, cross[coarse])
        structure *= structure
        passes.mean_blocks(structure, STEP, power[coarse])

    run_bands(multiply, shape[0], band=BAND)
    clear = slope_of(cross, power, sigma, SURE * fit.pixel_noise.wide) > 0.85
    clear &= light < side.noise
    clear &= ndimage.maximum_filter(part, max(1, round(sigma))) > BLATANT * noise
    if not clear.any():
        return None
    grown = ndimage.binary_dilation(clear, iterations=max(1, round(side.profile.width / STEP)))
    return np.asarray(grown.repeat(STEP, axis=0).repeat(STEP, axis=1)[: shape[0], : shape[1]])


def _slope(rest: Image, part: Image, noise: Image, sigma: float, sure: float) -> Image:
    """Slope of an image on another around each pixel, less some of its standard deviations.

    `sure` is their number times what correlation makes of the noise of a mean (`PixelNoise.wide`).
    """
    part = part / noise
    power = smooth_image(part * part, AROUND * sigma, threads=1)
    np.maximum(power, np.float32(1e-12), out=power)
    slope = smooth_image(part * (rest / noise), AROUND * sigma, threads=1)
    slope /= power
    # A Gaussian mean counts 4 pi sigma^2 pixels.
    slope -= np.float32(sure / np.sqrt(4 * np.pi) / (AROUND * sigma)) / np.sqrt(power)
    return np.asarray(slope)
