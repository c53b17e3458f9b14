"""Structure, holes and lumps of the final picture, from its difference from the sharp stack."""

from dataclasses import dataclass, field

import numpy as np
from astropy.table import Table
from scipy import ndimage

from framesort.replacement._arrays import Array
from framesort.replacement._difference import (
    B3_NOISE,
    STEP,
    TOLERANCE,
    Difference,
    bin_pixels,
    box_mean,
    starlet,
)
from framesort.replacement._replacement_check import no_places
from framesort.replacement._robust import median_deviation
from framesort.stars import smooth_image

__all__ = ["Structure", "compare_scales", "find_blemishes", "measure_structure"]

BOX = 16
"""Bins a side of the boxes that are judged by themselves: 32 pixels."""

STARRY = 8.0
"""Standard deviations in the finest scale of the sharp stack above which a bin is a star's, and is
judged with the stars."""

NOT_ONE_SKY = 0.3
"""Scatter of the ratio of two stacks' structure in scales of 32 to 64 pixels, where no heater blurs
anything, above which they do not show one nebula."""


@dataclass(frozen=True, kw_only=True)
class Structure:
    """Agreement with the sharp stack in scales of 2 to 16 pixels.

    Attributes
    ----------
    error : float
        Root mean square of what differs from the sharp stack beyond noise, where that shows most
        structure, in units of the sharp stack's noise; the worst of three scales. Above 1 the
        sharp stack by itself shows structure better.
    better : float
        Share of boxes of 32 pixels in which the final picture is nearer to the sky than the sharp
        stack is: noise and wrong structure together.
    gain : float
        Root mean square error of the final picture over the sharp stack's, median of the boxes.
    worse : `~astropy.table.Table`
        Boxes in which the sharp stack is nearer: x, y (centre, pixels), ratio of errors; the ten
        worst first.
    """

    error: float = np.nan
    better: float = np.nan
    gain: float = np.nan
    worse: Table = field(default_factory=lambda: _places([], [], []))


def _places(x: object, y: object, ratio: object) -> Table:
    return Table({"x": x, "y": y, "ratio": ratio}, dtype=[float, float, float])


def compare_scales(deep: Array, difference: Difference) -> tuple[float, float, bool]:
    """Flux of the deep stack over that of the scaled sharp one, in scales heat does not blur.

    Parameters
    ----------
    deep : (my, mx) ndarray
        Bins of the deep stack.
    difference : Difference

    Returns
    -------
    ratio, error : float
        1 if the flux scale is right; NaN with too little structure.
    one_sky : bool
        False if the two show different nebulae, as through different filters.
    """
    d = difference
    step = 8
    ny, nx = (n // step for n in d.use.shape)
    full = bin_pixels(d.use, step) > 0.8
    pair = [bin_pixels(np.where(d.use, v, d.light), step) for v in (deep, d.light)]
    if min(ny, nx) < 12 or full.sum() < 64:
        return np.nan, np.nan, True
    deep_scale, sharp_scale = (starlet(v, 2)[0][1] for v in pair)
    noise = d.correlation**2 * B3_NOISE[1] * float(np.median(d.noise)) / step
    strong = full & (
        np.abs(sharp_scale) > max(10 * noise, np.percentile(np.abs(sharp_scale[full]), 70))
    )
    if strong.sum() < 20:
        return np.nan, np.nan, True
    ratios = deep_scale[strong] / sharp_scale[strong]
    ratio = float(np.median(ratios))
    spread = median_deviation(ratios - ratio)
    # Coefficients of neighbouring blocks share light: some 8 blocks are one independent number.
    return ratio, spread / np.sqrt(strong.sum() / 8), spread < NOT_ONE_SKY and 0.5 < ratio < 2


def measure_structure(difference: Difference) -> Structure:
    """Compare the difference with its noise, scale by scale and box by box."""
    d = difference
    total = np.hypot(d.noise, np.float32(TOLERANCE) * np.maximum(d.compact, 0))
    details, _ = starlet(d.value / np.maximum(total, 1e-12), 3)
    shown, _ = starlet(d.light / np.maximum(d.noise_sharp, 1e-12), 3)
    del total
    # A star's wings hold no more than what is tolerated, its core is judged with the stars.
    free = d.use & (np.abs(shown[0]) < STARRY) & (d.compact < 5 * STARRY * d.noise_sharp)
    power = [box_mean((v / B3_NOISE[k]) ** 2, free, BOX) for k, v in enumerate(details)]
    strength = box_mean((shown[1] / B3_NOISE[1]) ** 2 + (shown[2] / B3_NOISE[2]) ** 2, free, BOX)
    known = np.isfinite(strength)
    if known.sum() < 16:
        return Structure()
    smooth = known & (strength <= np.percentile(strength[known], 25))
    rich = known & (strength >= np.percentile(strength[known], 60))
    most = d.correlation**2
    unit = [float(np.clip(np.median(p[smooth]), 1.0, most**2)) for p in power]
    means = [box_mean(v**2, d.use, BOX) for v in (d.noise, d.noise_final, d.noise_sharp)]
    wrong = [
        np.mean(((p / u - 1) * means[0] / np.maximum(means[2], 1e-30))[rich])
        for p, u in zip(power, unit, strict=True)
    ]
    return _by_boxes(power, unit, means, float(np.sqrt(np.max([0.0, *wrong]))))


def _by_boxes(power: list[Array], unit: list[float], means: list[Array], error: float) -> Structure:
    """Error of the final picture against that of the sharp stack, each box by itself."""
    share = np.array([b**2 for b in B3_NOISE[1:3]])
    wrong = sum(
        s * np.maximum(p / u - 1, 0) for s, p, u in zip(share, power[1:], unit[1:], strict=True)
    )
    errors = np.sqrt((means[1] + means[0] * wrong / share.sum()) / np.maximum(means[2], 1e-30))
    known = np.isfinite(errors)
    if not known.any():
        return Structure(error=error)
    j, i = np.nonzero(known & (errors > 1.0))
    pick = np.argsort(-errors[j, i])[:10]
    side = STEP * BOX
    return Structure(
        error=error,
        better=float(np.mean(errors[known] <= 1.0)),
        gain=float(np.median(errors[known])),
        worse=_places((i[pick] + 0.5) * side, (j[pick] + 0.5) * side, errors[j, i][pick]),
    )


def find_blemishes(difference: Difference, width: float, limit: float) -> Table:
    """Holes and lumps: connected places beyond so many standard deviations.

    Parameters
    ----------
    difference : Difference
    width : float
        FWHM of the final stars, pixels: the difference is smoothed by as much.
    limit : float
        Standard deviations of the smoothed difference.

    Returns
    -------
    `~astropy.table.Table`
        x, y, sigma (negative for a hole), the strongest first.
    """
    d = difference
    sigma = max(width / 2.3548 / STEP, 0.4)
    flat = d.value - starlet(np.clip(d.value, -4 * d.noise, 4 * d.noise), 4)[1]
    smooth, compact = (smooth_image(v, sigma) for v in (flat, np.maximum(d.compact, 0)))
    point = np.zeros((33, 33), np.float32)
    point[16, 16] = 1
    share = np.sqrt(np.sum(ndimage.gaussian_filter(point, sigma) ** 2)) * d.correlation**2
    significance = smooth / np.hypot(share * d.noise, TOLERANCE * compact).clip(1e-12)
    significance[~d.use] = 0
    labels, number = ndimage.label(np.abs(significance) > limit, np.ones((3, 3)))
    if not number:
        return no_places()
    inside = np.flatnonzero(labels)
    most = ndimage.maximum_position(
        np.abs(significance.ravel()[inside]), labels.ravel()[inside], np.arange(1, number + 1)
    )
    y, x = np.unravel_index(inside[np.array(most)[:, 0]], labels.shape)
    value = significance[y, x]
    order = np.argsort(-np.abs(value))
    half = (STEP - 1) / 2
    return Table(
        {
            "x": STEP * x[order] + half,
            "y": STEP * y[order] + half,
            "sigma": value[order].astype(float),
        }
    )
