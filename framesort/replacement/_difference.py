"""Final picture less scaled sharp stack, with the noise that the difference should have."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, optimize

from framesort.records import MAD_TO_SIGMA
from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._robust import robust_std
from framesort.replacement._starlet import ONCE, smooth_grid
from framesort.stars import estimate_background
from framesort.workers import core_count, run_bands

__all__ = ["B3_NOISE", "Difference", "bin_pixels", "flatten", "make_difference", "starlet"]

STEP = 2
"""Pixels a side of a bin: half a star's width at most, so that nothing of a star's size is lost."""

FLAT = 64
"""Bins a side of the boxes of the smooth level: stacks may differ by a gradient."""

BOX = 24
"""Bins a side of the boxes in which noise is measured."""

TOLERANCE = 0.02
"""Share of compact light by which two good pictures of a star may differ in a pixel."""

BAND = 32
"""Rows of bins worked on at a time."""

SAMPLE = 1_000_000
"""Pixels from which the correlation of noise is measured."""

LEAST = np.float32(1e-3)
"""Noise of the difference over that of the final picture is taken to be at least so much."""

B3_NOISE = (0.8907, 0.2007, 0.0856, 0.0413)
"""Standard deviation of starlet coefficients of white noise of deviation 1, scale by scale
(Starck & Murtagh 2002)."""


def bin_pixels(image: Array, step: int = STEP) -> Image:
    """Means of `step` by `step` pixels; NaN if one of them is. An odd last row or column is cut."""
    ny, nx = (n // step for n in image.shape)
    out = np.empty((ny, -(-image.shape[1] // step)), np.float32)

    def work(first: int, last: int) -> None:
        rows = np.ascontiguousarray(image[first * step : last * step], np.float32)
        passes.mean_blocks(rows, step, out[first:last])

    run_bands(work, ny, band=BAND)
    return np.ascontiguousarray(out[:, :nx])


def starlet(image: Array, scales: int) -> tuple[list[Image], Image]:
    """Starlet coefficients (B3 spline, "a trous") and what is left of the image.

    References
    ----------
    Starck, J.-L., Fadili, J., Murtagh, F. 2007, IEEE Trans. Image Process. 16, 297.
    """
    coefficients = []
    for scale in range(scales):
        smooth = smooth_grid(image, ONCE, 2**scale)
        coefficients.append(image - smooth)
        image = smooth
    return coefficients, np.asarray(image, np.float32)


def _in_boxes(image: Array, box: int) -> Array:
    """An image as (boxes, rows, boxes, columns); what does not fill a box is left out."""
    ny, nx = (max(1, n // box) for n in image.shape)
    height, width = (min(n, box) for n in image.shape)
    return image[: ny * height, : nx * width].reshape(ny, height, nx, width)


def box_spread(image: Array, use: Mask, box: int = BOX) -> Floats:
    """Standard deviation in boxes from the median deviation, NaN where under half may be used."""
    ny, nx = (max(1, n // box) for n in image.shape)
    out = np.empty((ny, nx))
    image = np.ascontiguousarray(image, np.float32)

    def work(first: int, last: int) -> None:
        passes.box_deviations(image, use, box, first, last, out)

    run_bands(work, ny, band=1)
    return MAD_TO_SIGMA * out


def box_mean(image: Array, use: Mask, box: int = BOX) -> Floats:
    """Means in boxes of the pixels that may be used, NaN where under half may."""
    share = _in_boxes(use, box).mean(axis=(1, 3))
    total = _in_boxes(np.where(use, image, 0), box).mean(axis=(1, 3))
    return np.where(share < 0.5, np.nan, total / np.maximum(share, 1e-9))


@dataclass(frozen=True, kw_only=True)
class Difference:
    """Bins of the difference of two pictures. [y, x], ADU of the final picture.

    Attributes
    ----------
    value : (my, mx) float32 ndarray
        Final less scaled sharp stack; 0 where `use` is false.
    noise : (my, mx) float32 ndarray
        Standard deviation that noise gives a bin of `value`.
    noise_final, noise_sharp : (my, mx) float32 ndarray
        The same of a bin of each picture.
    correlation : float
        Noise of bins over what independent pixels would give them; 1 without resampling.
    compact : (my, mx) float32 ndarray
        Light of the sharp stack (scaled) in scales below 16 pixels.
    light : (my, mx) float32 ndarray
        The scaled sharp stack.
    use : (my, mx) bool ndarray
        Both have data there, and the cores of saturated stars are not near.
    """

    value: Image
    noise: Image
    noise_final: Image
    noise_sharp: Image
    correlation: float
    compact: Image
    light: Image
    use: Mask


def _fill(image: Array, use: Mask) -> Image:
    """The level around where a bin may not be used."""
    if use.all() or not use.any():
        return np.nan_to_num(image)
    around = estimate_background(
        np.where(use, image, np.float32(np.nan)), box=BOX, threads=core_count()
    ).level
    return np.where(use, image, np.nan_to_num(around))


def flatten(image: Array, use: Mask) -> Image:
    """An image less its smooth level, 0 where a bin may not be used."""
    if not use.any():
        return np.zeros(image.shape, np.float32)
    around = estimate_background(
        np.where(use, image, np.float32(np.nan)), box=FLAT, threads=core_count()
    ).level
    return np.where(use, image - around, np.float32(0)).astype(np.float32)


def noise_of(image: Array, light: Array, use: Mask) -> Image:
    """Noise of each bin of an image: ``variance = a + b light``, fitted to the finest scale.

    Structure adds to the variance of a box and never subtracts, so the lower quartile of boxes of
    similar flux is taken.
    """
    (finest,), _ = starlet(image, 1)
    spread = box_spread(finest, use) / B3_NOISE[0]
    level = box_mean(light, use)
    known = np.isfinite(spread) & np.isfinite(level)
    if known.sum() < 4:
        rest = finest[use]
        one = robust_std(rest, 0) / B3_NOISE[0] if rest.size else 0.0
        return np.full(image.shape, one, np.float32)
    level, variance = level[known], spread[known] ** 2
    order = np.argsort(level)
    groups = np.array_split(order, min(12, max(2, len(order) // 12)))
    x = np.array([np.median(level[g]) for g in groups])
    y = np.array([np.percentile(variance[g], 35) for g in groups])
    low = float(x.min())
    floor, rise = _photon_noise(x - low, np.maximum(y, 1e-12 * max(y.max(), 1e-30)))
    return np.sqrt(floor + rise * np.maximum(light - low, 0)).astype(np.float32)


def _photon_noise(x: Array, y: Array) -> tuple[float, float]:
    """Variance ``a + b x`` with neither below 0, by relative and robust least squares."""
    weight = np.ones(len(x))
    for _ in range(4):
        (a, b), _ = optimize.nnls(
            (weight / y)[:, None] * np.column_stack([np.ones_like(x), x]), weight
        )
        miss = np.abs((a + b * x) / y - 1)
        weight = 1 / np.sqrt(1 + (miss / max(2 * float(np.median(miss)), 0.02)) ** 2)
    return float(a), float(b)


def noise_correlation(
    final: Array, sharp: Array, scale: float, left_out: Mask | None = None
) -> float:
    """Noise of bins of the difference over that of pixels, in units of independent pixels' one."""
    ny, nx = final.shape
    height = min(ny, 2 * BOX)
    starts = np.linspace(0, ny - height, max(1, min(ny // height, SAMPLE // (height * nx))))
    ratios = []
    for start in starts.astype(int):
        cut = slice(start, start + height)
        part = final[cut] - np.float32(scale) * sharp[cut]
        known = np.isfinite(part)
        if left_out is not None:
            known &= ~left_out[cut]
        if known.mean() < 0.5:
            continue
        part = np.where(known, part, np.median(part[known]))
        spreads = [
            box_spread(starlet(image, 1)[0][0], np.ones(image.shape, bool), box)
            for image, box in ((part, 2 * BOX), (bin_pixels(part), BOX))
        ]
        ratio = STEP * spreads[1] / np.where(spreads[0] > 0, spreads[0], np.nan)
        ratios.append(ratio.ravel())
    ratio = np.concatenate([*ratios, np.empty(0)])
    ratio = ratio[np.isfinite(ratio)]
    return float(np.clip(np.percentile(ratio, 40), 1.0, 2.0)) if ratio.size else 1.0


def make_difference(
    final: Array,
    sharp: Array,
    scale: float,
    saturated: Mask,
    width: float,
    left_out: Mask | None = None,
) -> Difference:
    """Bin two pictures and measure the noise of their difference.

    Parameters
    ----------
    final, sharp : (ny, nx) ndarray
        ADU, NaN where there is no data.
    scale : float
        Sharp stack to the flux scale of the final picture.
    saturated : (ny, nx) bool ndarray
        Pixels that are saturated in either.
    width : float
        FWHM of the final stars, pixels: bins nearer than one to a saturated one are not used.
    left_out : (ny, nx) bool ndarray or None
        Pixels that count as without data.
    """
    below = bin_pixels(sharp)
    below *= np.float32(scale)
    above = bin_pixels(final)
    use = np.isfinite(above) & np.isfinite(below)
    if left_out is not None and left_out.any():
        use &= bin_pixels(left_out) == 0
    reach = max(1, round(width / STEP))
    use = ndimage.binary_erosion(use, iterations=reach, border_value=1)
    if saturated.any():
        near = bin_pixels(saturated) > 0
        use &= ~ndimage.binary_dilation(near, iterations=reach)
    below, above = _fill(below, use), _fill(above, use)
    value = flatten(above - below, use)
    compact = below - starlet(below, 3)[1]
    noise_final = noise_of(above, below, use)
    return Difference(
        value=value,
        # Pictures of the same frames differ by nothing.
        noise=np.maximum(noise_of(value, below, use), LEAST * noise_final),
        noise_final=noise_final,
        noise_sharp=noise_of(below, below, use),
        correlation=noise_correlation(final, sharp, scale, left_out),
        compact=compact,
        light=below,
        use=use,
    )
