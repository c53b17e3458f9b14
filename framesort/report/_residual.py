"""Where the final picture differs from the sharp stack, in units of the noise expected."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError
from framesort.records import MAD_TO_SIGMA
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
"""Standard deviations at which the colour scale saturates."""

RESIDUAL_MAP = LinearSegmentedColormap.from_list("residual", ["#7cc6ea", "#171c1e", "#f08a5d"])
"""Fainter, equal, brighter: the blue and red of the page on a dark ground, distinct for
colour-blind readers (tested)."""


def measure_residual(
    final: ArrayLike, sharp: ArrayLike, *, scale: float = 1.0
) -> NDArray[np.float32]:
    """Final picture minus sharp stack, in standard deviations of the local noise.

    Where the replacement is good only noise remains; nebulosity is in both and cancels.

    Parameters
    ----------
    final, sharp : (ny, nx) or (planes, ny, nx) array_like
        Of one shape, ADU; NaN where there is no data. Planes are averaged.
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
    residual = above - np.float32(scale) * below
    residual = residual.mean(axis=0) if residual.ndim == 3 else residual
    background = estimate_background(residual)
    with np.errstate(divide="ignore", invalid="ignore"):
        residual = (residual - background.level) / background.noise
    return np.asarray(residual, dtype=np.float32)


def shrink_residual(residual: NDArray[np.float32], *, longest: int) -> NDArray[np.float32]:
    """A binned residual, in standard deviations of the noise of a bin."""
    if max(residual.shape) <= longest:
        return residual
    binned = shrink_image(residual, longest=longest)
    # Noise of neighbouring pixels is correlated after resampling, so it is measured.
    spread = MAD_TO_SIGMA * np.nanmedian(np.abs(binned - np.nanmedian(binned)))
    return np.asarray(binned / spread if spread > 0 else binned, dtype=np.float32)


def residual_colours(residual: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """Colours [y, x, RGB] 0..1 of a residual; no data is black."""
    known = np.isfinite(residual)
    shown = np.clip(0.5 + np.where(known, residual, 0) / (2 * LIMIT), 0, 1)
    return np.asarray(np.where(known[..., np.newaxis], RESIDUAL_MAP(shown)[..., :3], 0.0))


def draw_residual(axes: Axes, residual: ArrayLike) -> None:
    """Draw a residual: blue where the final picture is fainter, red where it is brighter.

    Parameters
    ----------
    axes : `~matplotlib.axes.Axes`
    residual : (ny, nx) array_like
        From `measure_residual`; the colour scale saturates at five standard deviations.
    """
    colours = residual_colours(np.asarray(residual, dtype=float))
    axes.imshow(colours, origin="lower", interpolation="nearest")
    axes.set_axis_off()
