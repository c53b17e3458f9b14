"""Convolution of small images, against scipy."""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from framesort.replacement._convolution import convolve_full, convolve_same


@pytest.mark.parametrize("kernel", [(1, 1), (5, 5), (4, 7), (31, 31)])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
def test_convolution_is_that_of_scipy(kernel, kind):
    rng = np.random.default_rng(2)
    image, kernel = (rng.normal(size=shape).astype(kind) for shape in ((31, 44), kernel))
    whole = fftconvolve(image, kernel)
    np.testing.assert_allclose(
        convolve_full(image, kernel), whole, rtol=0, atol=1e-6 * np.ptp(whole)
    )
    same = fftconvolve(image, kernel, mode="same")
    np.testing.assert_allclose(
        convolve_same(image, kernel), same, rtol=0, atol=1e-6 * np.ptp(whole)
    )
