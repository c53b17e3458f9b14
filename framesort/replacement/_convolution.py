"""Convolution of small images by Fourier transforms.

As `scipy.signal.fftconvolve`; that package takes half a second to load.
"""

import numpy as np
from scipy import fft

from framesort.replacement._arrays import Array

__all__ = ["convolve_full", "convolve_same"]


def convolve_full(image: Array, kernel: Array) -> Array:
    """Convolution of all pixels that both overlap at, ``n + m - 1`` along each axis."""
    shape = [n + m - 1 for n, m in zip(image.shape, kernel.shape, strict=True)]
    size = [fft.next_fast_len(n, real=True) for n in shape]
    product = fft.rfft2(image, size) * fft.rfft2(kernel, size)
    return np.asarray(fft.irfft2(product, size)[: shape[0], : shape[1]])


def convolve_same(image: Array, kernel: Array) -> Array:
    """Convolution at the pixels of the image."""
    start = [(n - 1) // 2 for n in kernel.shape]
    full = convolve_full(image, kernel)
    return full[start[0] : start[0] + image.shape[0], start[1] : start[1] + image.shape[1]]
