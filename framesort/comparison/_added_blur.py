"""Blur that the heater adds, from the transforms of mean stars: independent of the seeing.

If a heated star is the heater-off star convolved with a kernel, the ratio of their Fourier
transforms is that of the kernel, whatever the seeing. ``ln(ratio) = a - c k^2`` is fitted over a
fixed band of spatial frequencies with fixed weights; c is that of a Gaussian kernel. As band
and weights do not depend on the frame, the result does not depend on the seeing for kernels of
any shape, it is linear in the logarithm, and so has no bias at 0.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import j0

from framesort.comparison._profiles import StarProfiles, jackknife_error, ring_weights
from framesort.records import FWHM_TO_SIGMA

__all__ = ["AddedBlur", "fit_added_blur"]

LOWEST, HIGHEST = 1 / 6, 0.8
"""Band of frequencies, cycles per `width`. At the upper end a Gaussian's transform is 0.1."""

MOST_FREQUENCY = 0.42
"""Cycles a pixel up to which frequencies are used: interpolation damps those near 0.5."""

FREQUENCIES = 32

LEAST_SIGNAL = 0.01
"""Of the transform, below which a frequency is left out."""

LEAST_FREQUENCIES = 6

TAPER = (6.0, 8.0)
"""Radii, in `width`, between which the profile is faded out."""


@dataclass(frozen=True, kw_only=True)
class AddedBlur:
    """The kernel that turns one star into another.

    Attributes
    ----------
    fwhm_squared : float
        Square of the FWHM of the Gaussian kernel that acts alike on the frequencies used,
        square pixels; negative where the second star is the narrower one. NaN where it cannot
        be measured.
    error, off_error : float
        Its standard deviation from subsets of the stars (or frames) of the second, and of the
        first: where several are compared with one, the latter is common to them.
    light : float
        Light of the second star over that of the first, by the same fit.
    """

    fwhm_squared: float = np.nan
    error: float = np.nan
    off_error: float = np.nan
    light: float = np.nan


def transform_profile(
    profile: NDArray[np.float64],
    radius: NDArray[np.float64],
    frequency: NDArray[np.float64],
    *,
    width: float,
) -> NDArray[np.float64]:
    """Hankel transform of order 0 of profiles (..., n): (..., frequencies)."""
    inner, outer = (edge * width for edge in TAPER)
    outer = min(outer, radius[-1])
    inner = min(inner, 0.75 * outer)
    fade = np.clip((outer - radius) / (outer - inner), 0, 1)
    window = ring_weights(radius) * (0.5 - 0.5 * np.cos(np.pi * fade))
    waves = j0(2 * np.pi * np.outer(radius, frequency))
    # Not by BLAS: its rounding changes with the number of its threads.
    return np.asarray(np.einsum("...r,rk->...k", profile * window, waves))


def choose_band(width: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies, cycles a pixel, and the weights of the logarithms there.

    The weight is that of noise that is equal at all frequencies, for a Gaussian star of this
    width, times k for the frequencies' area.
    """
    k = np.linspace(LOWEST / width, min(HIGHEST / width, MOST_FREQUENCY), FREQUENCIES)
    sigma = width / FWHM_TO_SIGMA
    return k, k * np.exp(-4 * (np.pi * sigma * k) ** 2)


def _fit_logarithm(
    off: NDArray[np.float64],
    on: NDArray[np.float64],
    k: NDArray[np.float64],
    weight: NDArray[np.float64],
) -> tuple[float, float]:
    """FWHM squared and light of the kernel from the transforms of two stars."""
    use = (off > LEAST_SIGNAL) & (on > LEAST_SIGNAL)
    if use.sum() < LEAST_FREQUENCIES:
        return float("nan"), float("nan")
    square, w = k[use] ** 2, weight[use]
    ratio = np.log(on[use] / off[use])
    middle = np.average(square, weights=w)
    slope = np.sum(w * (square - middle) * ratio) / np.sum(w * (square - middle) ** 2)
    light = np.exp(np.average(ratio, weights=w) - slope * middle)
    # A Gaussian of standard deviation s has the transform exp(-2 pi^2 s^2 k^2).
    return float(-slope / (2 * np.pi**2) * FWHM_TO_SIGMA**2), float(light)


def fit_added_blur(off: StarProfiles, on: StarProfiles, *, width: float) -> AddedBlur:
    """Measure the kernel that turns a heater-off star into a heated one.

    Parameters
    ----------
    off, on : StarProfiles
        Of the mean heater-off star and of the other, of frames of one pixel scale. The
        spike's directions are left out.
    width : float
        FWHM in pixels of about the widest stars to be compared. It sets the frequencies: use the
        same (in arcsec) for everything that is compared.

    Returns
    -------
    AddedBlur

    Notes
    -----
    For a kernel that is not Gaussian the width is that of the Gaussian with the same effect
    on these frequencies, which are low for kernels narrower than the star: of a Kolmogorov
    kernel 1.1 to 1.4 times its own FWHM, of a Moffat kernel of exponent 2.5 1.3 to 1.8 times.
    The factor is the same whatever the seeing.
    """
    if not len(off.radius) or not len(on.radius):
        return AddedBlur()
    k, weight = choose_band(width)
    first = transform_profile(off.round, off.radius, k, width=width)
    second = transform_profile(on.round, on.radius, k, width=width)
    value, light = _fit_logarithm(first, second, k, weight)
    errors = []
    for parts, profiles in ((on.round_parts, on), (off.round_parts, off)):
        if not len(parts):
            errors.append(float("nan"))
            continue
        some = transform_profile(parts, profiles.radius, k, width=width)
        pairs = [(first, one) if profiles is on else (one, second) for one in some]
        fits = [_fit_logarithm(one, two, k, weight)[0] for one, two in pairs]
        errors.append(jackknife_error(np.array(fits)))
    return AddedBlur(fwhm_squared=value, error=errors[0], off_error=errors[1], light=light)
