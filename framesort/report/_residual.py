"""Where the final picture differs from the sharp stack, in units of the noise expected."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError
from framesort.report._stretch import shrink_image
from framesort.stars import estimate_background

__all__ = [
    "LIMIT",
    "RESIDUAL_MAP",
    "draw_residual",
    "measure_residual",
    "residual_colours",
    "shrink_residual",
]

LIMIT = 5.0
"""Standard deviations that are shown in full colour."""

RESIDUAL_MAP = LinearSegmentedColormap.from_list("residual", ["#7cc6ea", "#171c1e", "#f08a5d"])
"""Less light, none to speak of, more light: the page's own blue and red on a dark ground, which
stay apart for colour-blind eyes (a test holds the palette to it)."""


def measure_residual(
    final: ArrayLike, sharp: ArrayLike, *, scale: float = 1.0
) -> NDArray[np.float32]:
    """Final picture less the sharp stack, in standard deviations of the noise around.

    Where stars were replaced well there is nothing but noise; nebula is in both and cancels.

    Parameters
    ----------
    final, sharp : (ny, nx) or (planes, ny, nx) array_like
        Of one shape, ADU; NaN where there is no data. Of planes the mean is taken.
    scale : float
        Factor that brings the sharp stack to the flux scale of the final picture.

    Returns
    -------
    residual : (ny, nx) float32 ndarray
        NaN where either has no data.

    Raises
    ------
    InputError
        The shapes differ.
    """
    above, below = (np.asarray(v, dtype=np.float32) for v in (final, sharp))
    if above.shape != below.shape:
        raise InputError(f"final and sharp must have one shape, got {above.shape}, {below.shape}")
    rest = above - np.float32(scale) * below
    rest = rest.mean(axis=0) if rest.ndim == 3 else rest
    around = estimate_background(rest)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = (rest - around.level) / around.noise
    return np.asarray(rest, dtype=np.float32)


def shrink_residual(residual: NDArray[np.float32], *, longest: int) -> NDArray[np.float32]:
    """A residual in blocks of pixels, in standard deviations of a block's noise."""
    if max(residual.shape) <= longest:
        return residual
    rest = shrink_image(residual, longest=longest)
    # Noise of neighbouring pixels is not independent after resampling: measured, not reckoned.
    spread = 1.4826 * np.nanmedian(np.abs(rest - np.nanmedian(rest)))
    return np.asarray(rest / spread if spread > 0 else rest, dtype=np.float32)


def residual_colours(residual: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Colours [y, x, RGB] 0..1 of a residual; no data is black."""
    known = np.isfinite(residual)
    shown = np.clip(0.5 + np.where(known, residual, 0) / (2 * LIMIT), 0, 1)
    return np.asarray(np.where(known[..., np.newaxis], RESIDUAL_MAP(shown)[..., :3], 0.0))


def draw_residual(axes: Axes, residual: ArrayLike) -> None:
    """Draw a residual: blue where the final picture has less light, red where it has more.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
    residual : (ny, nx) array_like
        From `measure_residual`; five standard deviations are full colour.
    """
    colours = residual_colours(np.asarray(residual, dtype=float))
    axes.imshow(colours, origin="lower", interpolation="nearest")
    axes.set_axis_off()
