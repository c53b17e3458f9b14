"""Smoothing and background by compiled loops, against general-purpose libraries."""

import numpy as np
import pytest
from scipy import ndimage

from framesort.stars import estimate_background, smooth_image, subtract_background


@pytest.mark.parametrize("sigma", [0.6, 1.7, 6.0])
@pytest.mark.parametrize("shape", [(300, 411), (16, 19)])
def test_smoothing_is_that_of_scipy(sigma, shape):
    image = np.random.default_rng(2).normal(100, 10, shape).astype(np.float32)
    expected = ndimage.gaussian_filter(image.astype(float), sigma)
    np.testing.assert_allclose(smooth_image(image, sigma), expected, rtol=2e-6)


def test_missing_pixels_count_as_nothing():
    image = np.ones((40, 50), np.float32)
    image[20, 25] = np.nan
    smooth = smooth_image(image, 2.0)
    assert smooth[20, 25] == pytest.approx(1 - 1 / (2 * np.pi * 4), abs=1e-3)
    assert np.isfinite(smooth).all()


def test_the_number_of_threads_changes_no_bit():
    image = np.random.default_rng(3).normal(0, 1, (700, 333)).astype(np.float32)
    for one, other in (
        (smooth_image(image, 3.0, threads=1), smooth_image(image, 3.0, threads=3)),
        (
            estimate_background(image).level,
            estimate_background(image, threads=3).level,
        ),
        (subtract_background(image), subtract_background(image, threads=3)),
    ):
        np.testing.assert_array_equal(one, other)


def test_subtracting_takes_off_the_level_in_place_too():
    y, x = np.mgrid[:500, :420]
    image = np.random.default_rng(4).normal(1000 + 0.2 * x - 0.1 * y, 9).astype(np.float32)
    image[10:12, 30] = np.nan
    expected = image - estimate_background(image).level
    np.testing.assert_array_equal(subtract_background(image), expected)
    assert subtract_background(image, out=image) is image
    np.testing.assert_array_equal(image, expected)
