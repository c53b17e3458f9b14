"""The largest number around each pixel, against scipy."""

import numpy as np
import pytest
from scipy import ndimage

from framesort.replacement._smooth import highest_within


@pytest.mark.parametrize("size", [1, 2, 3, 4, 7])
@pytest.mark.parametrize("shape", [(40, 61), (5, 9)])
def test_the_largest_number_around_each_pixel_is_that_of_scipy(size, shape):
    image = np.random.default_rng(5).normal(size=shape).astype(np.float32)
    np.testing.assert_array_equal(highest_within(image, size), ndimage.maximum_filter(image, size))
