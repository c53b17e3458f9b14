"""Stretch of pictures: one curve that shows nebulosity and stars together."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError
from framesort.records import MAD_TO_SIGMA

__all__ = ["Stretch", "measure_stretch", "shrink_image", "stretch_image"]

_BLOCKS = 24
"""Blocks along the longer side for the estimate of the sky."""

_MIDDLE = 0.5
"""Brightness of the bright parts of the nebula."""


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """Curve from pixel values to brightness, which several pictures can share.

    Brightness is ``asinh(v / softening) / asinh(white / softening)`` with
    ``v = value - sky(x, y) + lift``, clipped to 0..1: linear for faint, logarithmic for bright
    values (Lupton et al. 2004, PASP 116, 133).

    Attributes
    ----------
    sky : (planes, 3) float ndarray
        Constant, slope in x and slope in y of the sky, ADU, for x and y running 0..1
        over the picture.
    lift : float
        ADU below the sky at which the picture is black.
    softening, white : float
        ADU, as in the formula.
    """

    sky: NDArray[np.float64]
    lift: float
    softening: float
    white: float


def _as_planes(image: ArrayLike) -> NDArray[np.float32]:
    pixels = np.asarray(image, dtype=np.float32)
    if pixels.ndim == 2:
        pixels = pixels[np.newaxis]
    if pixels.ndim != 3 or 0 in pixels.shape:
        raise InputError(
            f"image must have axes [y, x] or [plane, y, x], got shape {np.shape(image)}"
        )
    return pixels


def _block_levels(plane: NDArray[np.float32], side: int) -> tuple[NDArray[np.float64], ...]:
    """Centre x, y (0..1) and median of each block that holds enough finite pixels."""
    ny, nx = plane.shape
    x, y, level = [], [], []
    for top in range(0, ny, side):
        for left in range(0, nx, side):
            block = plane[top : top + side, left : left + side]
            good = block[np.isfinite(block)]
            if good.size >= max(1, block.size // 2):
                x.append((left + block.shape[1] / 2) / nx)
                y.append((top + block.shape[0] / 2) / ny)
                level.append(np.median(good))
    return np.array(x), np.array(y), np.array(level, dtype=float)


def _fit_sky(
    x: NDArray[np.float64], y: NDArray[np.float64], level: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A plane through the darker blocks; blocks with nebulosity or many stars are rejected."""
    terms = np.column_stack([np.ones_like(x), x - 0.5, y - 0.5])
    keep = np.ones(len(level), dtype=bool)
    fit = np.array([np.median(level), 0.0, 0.0])
    if len(level) < 12:
        return fit
    for _ in range(12):
        fit = np.linalg.lstsq(terms[keep], level[keep], rcond=None)[0]
        above = level - terms @ fit
        # Scatter of the blocks below the plane: nebulosity only adds light.
        below = above[above < 0]
        spread = np.sqrt(np.mean(below**2)) if below.size else 0.0
        chosen = above <= 1.0 * spread + 1e-12 * np.abs(level).max()
        if chosen.sum() < 12 or np.array_equal(chosen, keep):
            break
        keep = chosen
    return fit


def _subtract_sky(planes: NDArray[np.float32], sky: NDArray[np.float64]) -> NDArray[np.float32]:
    ny, nx = planes.shape[1:]
    x = (np.arange(nx, dtype=np.float32) + 0.5) / nx - 0.5
    y = ((np.arange(ny, dtype=np.float32) + 0.5) / ny - 0.5)[:, np.newaxis]
    return np.stack(
        [
            plane - np.float32(c) - np.float32(sx) * x - np.float32(sy) * y
            for plane, (c, sx, sy) in zip(planes, sky, strict=True)
        ]
    )


def _softening(middle: float, white: float) -> float:
    """Softening that gives `middle` the brightness `_MIDDLE`, by bisection."""
    low, high = np.log(white * 1e-6), np.log(white * 1e3)
    for _ in range(60):
        trial = 0.5 * (low + high)
        shown = np.arcsinh(middle / np.exp(trial)) / np.arcsinh(white / np.exp(trial))
        low, high = (trial, high) if shown > _MIDDLE else (low, trial)
    return float(np.exp(0.5 * (low + high)))


def measure_stretch(image: ArrayLike) -> Stretch:
    """Measure the stretch of a picture from its sky, noise and nebulosity.

    Parameters
    ----------
    image : (ny, nx) or (planes, ny, nx) array_like
        Linear pixel values; NaN where not known.

    Returns
    -------
    Stretch

    Raises
    ------
    InputError
        The array has another number of axes or is empty.

    Notes
    -----
    The sky is a plane through the medians of the darker blocks. Block medians are insensitive to
    stars; blocks with nebulosity lie above the plane and are rejected iteratively. The noise is
    measured on the pixels below the sky, where there are neither stars nor nebulosity.
    The level of the nebula is the 97 % quantile of the blocks, at least ten times the noise,
    so that the noise of an empty field is not amplified. White is the 99.99 % quantile of the
    pixels, limited to 10 to 25 times the level of the nebula: a higher white would make the noise
    prominent.
    """
    planes = _as_planes(image)
    side = max(4, -(-max(planes.shape[1:]) // _BLOCKS))
    blocks = [_block_levels(plane, side) for plane in planes]
    if not all(level.size for _, _, level in blocks):
        return Stretch(sky=np.zeros((len(planes), 3)), lift=0.0, softening=1.0, white=1.0)
    sky = np.array([_fit_sky(*block) for block in blocks])
    above = _subtract_sky(planes, sky)
    above = above[np.isfinite(above)]
    below = above[above < 0]
    noise = float(MAD_TO_SIGMA * np.median(-below)) if below.size else 0.0
    scale = float(np.abs(above).max())
    if scale == 0:
        return Stretch(sky=sky, lift=0.0, softening=1.0, white=1.0)
    noise = max(noise, 1e-6 * scale)
    extra = np.concatenate(
        [
            level - np.column_stack([np.ones_like(x), x - 0.5, y - 0.5]) @ fit
            for (x, y, level), fit in zip(blocks, sky, strict=True)
        ]
    )
    nebula = max(10 * noise, float(np.percentile(extra, 97)))
    lift = max(2.0 * noise, 0.06 * nebula)
    white = float(np.clip(np.percentile(above, 99.99), 10 * nebula, 25 * nebula)) + lift
    return Stretch(sky=sky, lift=lift, softening=_softening(nebula + lift, white), white=white)


def stretch_image(image: ArrayLike, *, like: Stretch | None = None) -> NDArray[np.float32]:
    """Brightness 0..1 of a picture, with faint nebulosity and bright stars both visible.

    Parameters
    ----------
    image : (ny, nx) or (planes, ny, nx) array_like
        Linear pixel values; NaN where not known.
    like : Stretch or None
        Stretch of another picture, for comparison; None to measure it on this one.

    Returns
    -------
    brightness : float32 ndarray
        Same shape, 0..1; 0 where `image` is not finite.

    Raises
    ------
    InputError
        The array has another number of axes or is empty.

    See Also
    --------
    measure_stretch : how the curve is measured.
    """
    curve = measure_stretch(image) if like is None else like
    planes = _as_planes(image)
    sky = np.broadcast_to(curve.sky, (len(planes), 3)) if len(curve.sky) == 1 else curve.sky
    value = _subtract_sky(planes, sky)
    value += np.float32(curve.lift)
    value /= np.float32(curve.softening)
    np.arcsinh(value, out=value)
    value /= np.float32(np.arcsinh(curve.white / curve.softening))
    shown = np.clip(np.nan_to_num(value, nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
    return shown.reshape(np.shape(image))


def shrink_image(image: NDArray[Any], *, longest: int) -> NDArray[np.float32]:
    """Bin an image by averaging until the longer side is at most `longest`.

    Parameters
    ----------
    image : (ny, nx) or (planes, ny, nx) ndarray
        NaN pixels are ignored; a bin without any good pixel is NaN.
    longest : int
        Pixels.

    Returns
    -------
    smaller : float32 ndarray
        Without the rows and columns at the upper and right edge that do not fill a bin.
    """
    step = -(-max(image.shape[-2:]) // longest)
    if step <= 1:
        return np.asarray(image, dtype=np.float32)
    ny, nx = (size // step for size in image.shape[-2:])
    out = np.empty((*image.shape[:-2], ny, nx), dtype=np.float32)
    for row in range(ny):  # bin by bin: what is worked on stays in the processor's cache
        lines = image[..., row * step : (row + 1) * step, : nx * step]
        lines = np.asarray(lines, dtype=np.float32)
        good = np.isfinite(lines)
        count: Any = step * step
        if not good.all():
            lines = np.where(good, lines, np.float32(0))
            count = good.sum(axis=-2).reshape(*good.shape[:-2], nx, step).sum(axis=-1)
        total = lines.sum(axis=-2)
        total = total.reshape(*total.shape[:-1], nx, step).sum(axis=-1)
        out[..., row, :] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return out
