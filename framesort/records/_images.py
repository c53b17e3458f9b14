"""Results of the subpackages that make images: stack and star replacement."""

from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header
from astropy.table import Table
from numpy.typing import NDArray

from framesort.records._notes import Note

__all__ = ["PRODUCT_CARD", "PRODUCT_TEXT", "Replacement", "Stack"]

PRODUCT_CARD, PRODUCT_TEXT = "FSPROD", "made by framesort: no exposure"
"""Card of every product, so that one that lies among frames is known; and its comment."""


@dataclass(frozen=True, kw_only=True)
class Stack:
    """A combined image on the target grid. Axis order is [y, x].

    Attributes
    ----------
    data : (ny, nx) float32 ndarray
        ADU in the flux scale of the reference frame; NaN where no frame has a pixel.
    weight : (ny, nx) float32 ndarray
        Inverse variance of `data`, 1/ADU^2; 0 where no frame contributes.
    coverage : (ny, nx) int16 ndarray
        Number of frames that contribute, after rejection. It counts *good* data.
    header : `~astropy.io.fits.Header`
        Of the reference frame, with what was done in HISTORY; WCS where known.
    frames : tuple of str
        The frames used.
    rejected : (n,) float ndarray
        Share of each frame's pixels that rejection took out.
    saturation : float
        Level from which a pixel must be taken as saturated, ADU; +inf if not known. Each pixel of
        whose weight a quarter or more is from saturated ones is at this level or above.
    notes : tuple of Note
        Warnings and what was left out.
    """

    data: NDArray[np.float32]
    weight: NDArray[np.float32]
    coverage: NDArray[np.int16]
    header: Header
    frames: tuple[str, ...] = ()
    rejected: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    saturation: float = np.inf
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Replacement:
    """What star replacement gives. Axis order is [y, x], or [plane, y, x] for colour.

    Attributes
    ----------
    final : float32 ndarray
        The deep stack with the sharp stack's stars, in the deep stack's flux scale.
    stars, background : float32 ndarray
        The star layer and the deep stack without stars; they add up to `final`.
    mask : (ny, nx) uint8 ndarray
        What was done per pixel: 0 untouched, else the bits of `framesort.replacement.MASK_BITS`.
    table : `~astropy.table.Table`
        Every star: x, y, flux_deep, flux_sharp, fwhm_before, fwhm_after, method, reason.
    notes : tuple of Note
        Warnings.
    """

    final: NDArray[np.float32]
    stars: NDArray[np.float32]
    background: NDArray[np.float32]
    mask: NDArray[np.uint8]
    table: Table
    notes: tuple[Note, ...] = ()
