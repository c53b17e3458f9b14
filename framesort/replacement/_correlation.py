"""Noise that resampling has correlated from pixel to pixel: how much, and at which scales.

A stack of resampled frames, or one that was rescaled, has less noise in its finest detail than in
wider detail. Two ratios of fine detail measure it: that of the starlet detail of one pixel to
`fine_residual` measures it, but strong structure raises it; that of a still finer residual to
`fine_residual`, in which structure blurred by a telescope has no share, gives how large the first
can be.
"""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy import fft, ndimage, optimize

from framesort.records import MAD_TO_SIGMA
from framesort.replacement import _passes as passes
from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._sky import WHITE, fine_residual, smooth_scale

__all__ = ["box_ratios", "fine_share", "noise_kernel", "total_ratio"]

BOX = 32
"""Pixels a side of the boxes that are compared."""

USUAL = 0.8908
"""Noise of the starlet detail of one pixel over that of `fine_residual`, for white noise
(Starck & Murtagh 2002; checked by simulation)."""

QUARTILE = 0.968
"""Lower quartile of the ratio in boxes over its mean, for white noise (by simulation)."""

FINER = np.array([1.0, -4.0, 6.0, -4.0, 1.0], np.float32) / np.float32(np.sqrt(70))
"""Fourth differences, along rows and along columns, as noisy as the image."""

SAME = 0.97
"""Ratio of these to the fine residual from which on noise is white."""

STEEP = 3.0
"""Exponent of the filter; between linear interpolation (2) and cubic (4)."""

HALF = 8


def _finer_residual(image: Array) -> Image:
    once = ndimage.convolve1d(image, FINER, axis=0, mode="constant")
    return np.asarray(ndimage.convolve1d(once, FINER, axis=1, mode="constant"), np.float32)


def box_ratios(image: Array, free: Mask) -> Floats:
    """Both ratios in boxes, a row a box: of the starlet detail, of the finer residual.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        Without NaN. `BOX` rows and four more are enough.
    free : (ny, nx) bool ndarray
        Pixels that count. Boxes less than half of which count are left out, and so are the
        outermost two rows and columns.

    Returns
    -------
    (n, 2) float ndarray
        1 and 1 for white noise.
    """
    inner = np.s_[2:-2, 2:-2]
    images = [
        np.ascontiguousarray(part(image)[inner], np.float32)
        for part in (_finest_detail, _finer_residual, fine_residual)
    ]
    free = np.ascontiguousarray(free[inner])
    columns = len(range(0, max(1, free.shape[1] - BOX // 2), BOX))
    found = []
    for y in range(0, max(1, free.shape[0] - BOX // 2), BOX):
        spreads = np.empty((3, columns), np.float32)
        for some, out in zip(images, spreads, strict=True):
            passes.absolute_medians(some[y : y + BOX], free[y : y + BOX], BOX, out)
        detail, finer, fine = MAD_TO_SIGMA * spreads[:, spreads[2] > 0].astype(float)
        found.append(np.column_stack([detail / fine / USUAL, finer / fine]))
    return np.concatenate(found)


def total_ratio(ratios: Array) -> float:
    """One ratio of starlet detail of all boxes: 1 for white noise, more where it is correlated."""
    if len(ratios) < 8:
        return 1.0
    measured = float(np.percentile(ratios[:, 0], 25)) / QUARTILE
    return max(1.0, min(measured, _largest_ratio(float(np.median(ratios[:, 1])))))


def _largest_ratio(finer: float) -> float:
    """The ratio of starlet detail that goes with one of the finer residual."""
    return float(np.interp(finer, *_relation()))


@lru_cache(maxsize=1)
def _relation() -> tuple[Floats, Floats]:
    finer, detail = [], []
    for edge in np.geomspace(0.3, 0.9, 12):
        kernel = _low_pass(float(edge))
        finer.append(_share(_finer_residual, kernel) / fine_share(kernel))
        detail.append(_detail_ratio(kernel))
    return np.array([*finer, SAME]), np.array([*detail, 1.0])


def _low_pass(edge: float) -> Floats:
    """Kernel of sum of squares 1 that white noise is convolved with; `edge` in cycles a pixel."""
    y, x = (fft.fftfreq(2 * HALF + 1)[:, None], fft.fftfreq(2 * HALF + 1)[None])
    kernel = fft.fftshift(fft.ifft2(np.exp(-((np.hypot(x, y) / edge) ** STEEP))).real)
    return np.asarray(kernel / np.sqrt(np.sum(kernel**2)))


def _finest_detail(image: Array) -> Image:
    return np.asarray(image - smooth_scale(image, 0), np.float32)


def _share(part: Callable[[Array], Array], kernel: Array) -> float:
    """Deviation of a part of an image over a pixel's, for white noise convolved with a kernel."""
    return float(np.sqrt(np.sum(part(np.pad(kernel, 6).astype(np.float32)) ** 2)))


def fine_share(kernel: Array) -> float:
    """Deviation of `fine_residual` over a pixel's, for white noise convolved with a kernel."""
    return _share(fine_residual, kernel)


def _detail_ratio(kernel: Array) -> float:
    """The ratio of starlet detail of white noise convolved with a kernel."""
    return _share(_finest_detail, kernel) / fine_share(kernel) / USUAL


@lru_cache(maxsize=256)
def noise_kernel(ratio: float) -> Floats:
    """The kernel that makes noise of such a ratio of white noise, as noisy as that.

    Returns
    -------
    (n, n) float ndarray
        Sum of squares 1; its sum is the noise of a wide mean over that of white noise. Not to be
        changed.
    """

    def missing(log_edge: float) -> float:
        return _detail_ratio(_low_pass(float(np.exp(log_edge)))) - ratio

    ends = np.log(0.25), np.log(3.0)
    if missing(ends[1]) >= 0:
        return WHITE
    if missing(ends[0]) <= 0:
        return _low_pass(0.25)
    return _low_pass(float(np.exp(optimize.brentq(missing, *ends, xtol=1e-3))))
