"""Extended light: the sky without stars, how the deep stack shows it, and the detail it lost.

Both stacks see one sky, ``deep = K * sky + noise`` with the matching kernel K. What the deep stack
lost is ``sky - K * sky``; only the significant part of that is restored.
"""

import numpy as np
from scipy import ndimage

from framesort.replacement import _correlation as correlation
from framesort.replacement import _matching as matching
from framesort.replacement import _sky as skies
from framesort.replacement._arrays import Array, Image, Mask
from framesort.replacement._candidates import StarField, StarFit
from framesort.replacement._robust import robust_std
from framesort.replacement._side import Stacks
from framesort.replacement._smooth import smooth_fill, starless_rows
from framesort.stars import smooth_image
from framesort.workers import run_bands

__all__ = ["find_detail", "find_one_sided", "find_sky", "fit_matching", "local_level", "sky_rows"]

LOW, HIGH = 0.24, 0.32
"""Detail is faded out between LOW and HIGH, in noise of the deep stack: less cannot be seen."""

BLATANT = 2.0
"""Noise that light of the sharp stack alone must exceed in ``K * sky`` to be taken out of it."""

DOUBTFUL, DOUBTFUL_SURE = 0.4, 3.0
"""Share of structure that the deep stack lacks, above so many standard deviations of it, from which
on a pixel does not count in the fit of the kernel."""

MOST_DOUBTFUL = 0.25
"""Share of a tile up to which such pixels are left out."""

AROUND, SURE = 1.5, 5.0
"""Star widths around a pixel, and standard deviations, by which detail is compared."""

UNDER = 2.0
"""Pixels: under star light the sky is a mean of that width."""


def _starless(
    fit: StarFit, sharp: Array, *, wings: bool
) -> tuple[skies.Rows, Array, skies.PixelNoise]:
    """Rows of the sharp stack less its stars with their noise; the smooth sky; the pixel noise.

    Under star light whose model cannot be trusted to a fraction of the noise the sky is the
    smooth one, carried in from around. With `wings` that is wherever there is star light at all.
    """
    side = fit.sharp
    eps, power = (2.0, 4) if wings else (side.eps, 2)
    weighted = starless_rows(sharp, side, fit.unknown_sharp, eps=eps, power=power)
    shape = (sharp.shape[0], sharp.shape[1])
    smooth = smooth_fill(weighted, shape, UNDER)
    levels, residuals, ratios = [], [], []
    step = max(1, shape[0] // 24)
    for number, first in enumerate(range(0, max(1, shape[0] - 8), step)):
        cut = slice(first, min(shape[0], first + correlation.BOX + 4))
        light, weight = weighted(cut.start, cut.stop)
        free = weight[1:-1, 1:-1] > 0.9
        if len(free):
            image = light + (1 - weight) * smooth[cut]
            residuals.append(skies.fine_residual(image)[1:-1, 1:-1][free])
            levels.append(smooth[cut][1:-1, 1:-1][free])
            if number % 2 == 0 and not wings:
                ratios.append(correlation.box_ratios(image, weight > 0.9))
    noise = skies.fit_noise(np.concatenate(levels), np.concatenate(residuals))
    kernel = fit.pixel_noise.kernel
    if not wings:
        kernel = correlation.noise_kernel(correlation.total_ratio(np.concatenate(ratios)))
    noise = noise.correlated(kernel, correlation.fine_share(kernel))

    def rows(first: int, last: int) -> tuple[Image, Image]:
        image, weight = weighted(first, last)
        level = smooth[first:last]
        image += (1 - weight) * level
        # A mean of what is around has less noise, and none of its own.
        return image, noise.at(level) * np.sqrt(np.maximum(weight, np.float32(0.05)))

    return rows, smooth, noise


def local_level(fit: StarFit, sharp: Array) -> Image:
    """The sharp stack's sky as it is carried under all star light: what profiles stand on."""
    rows, _, noise = _starless(fit, sharp, wings=True)
    return _significant(rows, noise, sharp)


def sky_rows(fit: StarFit, sharp: Array) -> skies.Rows:
    """Rows of the sharp stack less its stars, and their noise; sets `fit.pixel_noise`."""
    rows, _, fit.pixel_noise = _starless(fit, sharp, wings=False)
    return rows


def find_sky(fit: StarFit, sharp: Array) -> tuple[Image, skies.Rows]:
    """The sky (`StarField`) and the rows that it is made of; sets `fit.pixel_noise`."""
    rows = sky_rows(fit, sharp)
    return _significant(rows, fit.pixel_noise, sharp), rows


def _significant(rows: skies.Rows, noise: skies.PixelNoise, sharp: Array) -> Image:
    unit = skies.noise_by_scale(noise.kernel)
    return skies.significant_part(rows, (sharp.shape[0], sharp.shape[1]), unit)


def fit_matching(fit: StarFit, stacks: Stacks, sky: Array, rows: skies.Rows) -> None:
    """Set the matching kernel of extended light and, unless it is known, the flux scale.

    The deep profile and fluxes take up a change of the scale; the light of all stars stays.
    """
    side, scale = fit.deep, fit.scale
    parts = matching.kernel_parts(side.profile, fit.sharp.profile)
    tiles, pairs = _cut_tiles(fit, stacks, sky, rows, parts[0])
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
    fit: StarFit, stacks: Stacks, sky: Array, rows: skies.Rows, kernel: Array
) -> tuple[list[matching.Tile], list[tuple[Array, Array]]]:
    """Parts of both stacks without star light, and their fine residuals."""
    deep, sharp = stacks
    side, scale = fit.deep, fit.scale
    tiles, pairs = [], []
    top = -1
    for y, x in sorted(matching.tile_corners(sharp.shape, sky[::8, ::8], 8)):
        cut = np.s_[y : y + matching.TILE, x : x + matching.TILE]
        if y != top:  # tiles side by side share their rows
            top, band = y, rows(y, min(y + matching.TILE, len(sharp)))
        image, noise = (v[:, cut[1]].copy() for v in band)
        starless = deep[cut] - side.model[cut]
        free = np.isfinite(starless) & np.isfinite(sharp[cut]) & ~fit.saturated_deep[cut]
        free &= (side.model[cut] < side.noise) & (scale * fit.sharp.model[cut] < side.noise)
        free &= ~_doubtful(fit, sky[cut], starless, free, kernel)
        free = ndimage.binary_erosion(free, iterations=2, border_value=1)
        tiles.append(matching.Tile(image, np.where(free, starless, 0), noise, free))
        pairs.append(matching.fine_noise(deep[cut], sharp[cut], free))
    return tiles, pairs


def _doubtful(fit: StarFit, sky: Array, starless: Array, free: Mask, kernel: Array) -> Mask:
    """Pixels of a tile whose structure the deep stack seems not to show: they would bend a fit.

    `kernel` and the flux scale are those of the stars.
    """
    side = fit.deep
    sigma = side.profile.width / 2.3548
    part = np.float32(fit.scale) * matching.convolve_band(sky, kernel, 0, len(sky))
    rest = np.where(free, starless - part, 0).astype(np.float32)
    rest -= smooth_image(rest, 4 * AROUND * sigma, threads=1)
    part = np.where(free, _structure(part, sigma), 0).astype(np.float32)
    if np.abs(part).max() < side.noise:
        return np.zeros(free.shape, bool)
    lacking, noise = _lacking(fit, rest, part, DOUBTFUL_SURE)
    lacking[np.abs(part) < 0.5 * noise] = 0.0
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


def find_detail(field: StarField, stacks: Stacks, rows: skies.Rows, sources: Mask) -> Image:
    """What blur took from the deep stack's extended light, where significant; deep flux scale.

    It is given only where the deep stack shows ``K * sky``. Around each pixel its rest has slope 0
    on the detail and on the structure of ``K * sky`` if it does; 1 on the detail where it is as
    sharp as the sharp stack; -1 on the structure where it does not show it. `rows` are those of
    `sky_rows`; `sources` are detections on which this is judged as well.
    """
    # Imported here: it takes a third of a second to load, and sorting does not need it.
    from scipy.signal import fftconvolve

    deep, sharp = stacks
    sure = SURE * field.pixel_noise.wide
    lost = matching.identity() - field.kernel
    unit = skies.noise_by_scale(fftconvolve(lost, field.pixel_noise.kernel))
    ny, side = sharp.shape[0], field.deep
    out = np.empty(sharp.shape, np.float32)
    scale = np.float32(field.scale)
    ratio = np.float32(side.noise / field.sharp.noise)
    sigma = side.profile.width / 2.3548
    row, column, which = _discs(field, sources, sharp.shape)
    sums = np.zeros((2, len(sources)))

    def work(first: int, last: int) -> None:
        low, high = max(0, first - skies.MARGIN), min(ny, last + skies.MARGIN)
        bottom, top = max(0, low - matching.HALF), min(ny, high + matching.HALF)
        light, noise = rows(bottom, top)
        image = matching.convolve_band(light, lost, low - bottom, high - bottom)
        noise = noise[low - bottom : high - bottom]
        detail = _fade_weak(scale * skies.clean_rows(image, noise, unit), ratio * noise)
        cut = slice(low, high)
        seen = scale * (light[low - bottom : high - bottom] - image)
        rest = deep[cut] - side.model[cut] - field.offset[cut] - seen
        rest[field.saturated_deep[cut] | ~np.isfinite(rest)] = 0.0
        level = np.hypot(ratio * noise, np.float32(side.eps + field.sharp.eps) * side.model[cut])
        part = slice(*np.searchsorted(row, (first, last)))
        at = row[part] - low, column[part]
        d, r = detail[at] / level[at], np.clip(rest[at] / level[at], -5, 5)
        np.add.at(sums[0], which[part], d * r)
        np.add.at(sums[1], which[part], d * d)
        clear = _slope(rest, detail, level, sigma, sure)
        np.maximum(clear, _slope(-rest, _structure(seen, sigma), level, sigma, sure), out=clear)
        detail *= _share(clear)
        known = np.isfinite(sharp[first:last])
        out[first:last] = np.where(known, detail[first - low : last - low], 0)

    run_bands(work, ny, band=skies.BAND)
    slope, error = sums[0] / np.maximum(sums[1], 1e-12), 1 / np.sqrt(np.maximum(sums[1], 1e-12))
    np.multiply.at(out, (row, column), _share(slope)[which])
    out *= _share(_typical_slope(slope, error))
    return out


def _fade_weak(detail: Array, noise: Array) -> Array:
    """Detail without what is too weak, around each pixel, to be seen; changes it in place."""
    amplitude = detail / noise
    amplitude *= amplitude
    amplitude = np.sqrt(skies.smooth_scale(skies.smooth_scale(amplitude, 0), 1))
    ramp = np.clip((amplitude - LOW) / (HIGH - LOW), 0, 1)
    detail *= ramp * ramp * (3 - 2 * ramp)
    return detail


def _discs(field: StarField, sources: Mask, shape: tuple[int, ...]) -> tuple[Array, Array, Array]:
    """Row, column and number of the source for the pixels around some sources, by rows."""
    number = np.flatnonzero(sources)
    y, x = (v[number, None] for v in field.places.pixels(shape))
    reach = round(2 * field.sharp.profile.width)
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    inside = np.hypot(dy, dx) <= reach
    row, column = y + dy[inside], x + dx[inside]
    which = np.broadcast_to(number[:, None], row.shape)
    good = (row >= 0) & (row < shape[0]) & (column >= 0) & (column < shape[1])
    order = np.argsort(row[good], kind="stable")
    return row[good][order], column[good][order], which[good][order]


def _typical_slope(slope: Array, error: Array) -> float:
    """Median slope of sources less twice its error; 0 with few sources."""
    slope = slope[error < 0.5]
    if len(slope) < 8:
        return 0.0
    middle = float(np.median(slope))
    spread = float(robust_std(slope, middle))
    # The median of a normal sample has 1.2533 times the error of its mean.
    return float(middle - 2 * 1.2533 * spread / np.sqrt(len(slope)))


def _share(slope: Array | float) -> Image:
    """How much detail is given where the rest of the deep stack surely has that slope on it."""
    return np.asarray(1 - np.clip((np.asarray(slope, np.float32) - 0.2) / 0.2, 0, 1))


def find_one_sided(fit: StarFit, nebula: Array) -> Mask:
    """Pixels of light that the sharp stack alone shows: trails, passing objects.

    `nebula` is ``K * sky``; where the rest of the deep stack clearly has its structure with the
    opposite sign, the deep stack does not show it. Judged outside star light.
    """
    side, scale = fit.deep, np.float32(fit.scale)
    sigma = side.profile.width / 2.3548
    out = np.empty(nebula.shape, bool)
    margin = int(8 * (4 + AROUND) * sigma)

    def work(first: int, last: int) -> None:
        low, high = max(0, first - margin), min(len(nebula), last + margin)
        part = _structure(scale * nebula[low:high], sigma)
        lacking, noise = _lacking(fit, np.nan_to_num(side.image[low:high]), part, SURE)
        clear = lacking > 0.85
        clear &= np.maximum(side.model, scale * fit.sharp.model)[low:high] < side.noise
        clear &= ndimage.maximum_filter(np.abs(part), round(2 * sigma)) > BLATANT * noise
        out[first:last] = clear[first - low : last - low]

    run_bands(work, len(out), band=skies.BAND)
    return np.asarray(ndimage.binary_dilation(out, iterations=round(side.profile.width)))


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
