"""Interpolation kernels as polynomials of the place within a pixel."""

import numpy as np
from numpy.polynomial import Chebyshev, Polynomial
from numpy.typing import NDArray

from framesort.errors import InputError

__all__ = ["KERNELS", "kernel_polynomials", "kernel_weights"]

Floats = NDArray[np.float64]

KERNELS = {"linear": 1, "cubic": 2, "lanczos3": 3}
"""Names of the interpolation kernels with their half width in pixels."""

DEGREE = 7  # at which Lanczos-3 is met to 3e-6; the other two are of degree 1 and 3


def kernel_weights(kernel: str, phase: Floats) -> Floats:
    """Weights of the pixels around places, by the definition of the kernel.

    Parameters
    ----------
    kernel : {"linear", "cubic", "lanczos3"}
        "cubic" is the cubic convolution of Keys 1981 (IEEE Trans. ASSP 29, 1153) with a = -1/2;
        "lanczos3" sinc(x) sinc(x / 3) (Duchon 1979, J. Appl. Meteorol. 18, 1016), normalised
        and with its first moment set right on the two inner pixels: as it stands it moves a
        star by up to 0.02 pixel.
    phase : (n,) float ndarray
        Distance of the place from the pixel at or below it, 0 to 1.

    Returns
    -------
    (n, 2 * half width) float ndarray
        Weights of the pixels ``-half + 1 .. half`` from that pixel. Each row adds up to 1.

    Raises
    ------
    InputError
        The kernel is not known.
    """
    if kernel not in KERNELS:
        raise InputError(f"kernel must be one of {', '.join(KERNELS)}, got {kernel!r}")
    half = KERNELS[kernel]
    offsets = np.arange(-half + 1, half + 1)
    x = np.abs(offsets - phase[:, None])
    if kernel == "linear":
        weights = np.maximum(1 - x, 0)
    elif kernel == "cubic":
        near = (1.5 * x - 2.5) * x * x + 1
        weights = np.where(x < 1, near, np.where(x < 2, ((-0.5 * x + 2.5) * x - 4) * x + 2, 0))
    else:
        weights = np.where(x < 3, np.sinc(x) * np.sinc(x / 3), 0)
    weights /= weights.sum(axis=1, keepdims=True)
    missing = phase - weights @ offsets
    weights[:, half - 1] -= missing
    weights[:, half] += missing
    return np.asarray(weights, dtype=float)


def kernel_polynomials(kernel: str) -> NDArray[np.float32]:
    """The same weights as polynomials, which vector instructions work out without a table.

    Returns
    -------
    (half width, 8) float32 ndarray
        Row p is for the pixels p and ``2 half - 1 - p``, whose weights mirror one another. With
        t = phase - 1/2 they are E + t O and E - t O, where E and O are polynomials of t^2;
        their coefficients are the first and the last four of the row.

    Raises
    ------
    InputError
        The kernel is not known.
    """
    nodes = np.cos(np.pi * (np.arange(64) + 0.5) / 64) / 2
    weights = kernel_weights(kernel, nodes + 0.5)
    half = KERNELS[kernel]
    result = np.zeros((half, 8))
    for p in range(half):
        fit = Chebyshev.fit(nodes, weights[:, p], DEGREE, domain=[-0.5, 0.5])
        powers = fit.convert(kind=Polynomial).coef
        result[p, :4], result[p, 4:] = powers[0::2], powers[1::2]
    # Exactly: the weights add up to 1, and straight lines come out as such.
    inner, distance = half - 1, half - 0.5 - np.arange(half)
    result[inner, :4] = -result[:inner, :4].sum(axis=0)
    result[inner, 0] += 0.5
    result[inner, 4:] = -2 * (distance[:inner, None] * result[:inner, 4:]).sum(axis=0)
    result[inner, 4] -= 1.0
    return result.astype(np.float32)
