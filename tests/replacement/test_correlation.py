"""Correlated noise: told from resampled noise and from nothing else, against scipy and skimage."""

import numpy as np
import pytest
from scenes_for_replacement import make_blurred_pair
from scipy import ndimage
from skimage.transform import rescale

from framesort.replacement import _correlation as correlation
from framesort.replacement import _sky as skies
from framesort.replacement import replace_stars

pytestmark = pytest.mark.slow


def measured(image):
    ratio = correlation.total_ratio(
        correlation.box_ratios(image.astype(np.float32), np.ones(image.shape, bool))
    )
    return correlation.noise_kernel(ratio)


@pytest.fixture(scope="module")
def white():
    return np.random.default_rng(12).normal(size=(500, 600))


def resampled(image, how):
    if how == "linear":
        return ndimage.shift(image, (0.5, 0.5), order=1)
    if how == "cubic":
        return ndimage.shift(image, (0.4, 0.6), order=3)
    if how == "mean":  # frames of one stack, each with a shift of its own
        rng = np.random.default_rng(3)
        return sum(
            ndimage.shift(rng.normal(size=image.shape), rng.uniform(0, 1, 2), order=3)
            for _ in range(12)
        )
    return rescale(image, 1.4, order=3)


def test_white_noise_is_white(white):
    kernel = measured(white)
    assert kernel.shape == (1, 1)
    assert correlation.fine_share(kernel) == pytest.approx(1, abs=1e-6)


@pytest.mark.parametrize("how", ["linear", "cubic", "mean", "larger"])
def test_noise_of_each_scale_of_resampled_images(white, how):
    image = resampled(white, how)[8:-8, 8:-8]
    kernel = measured(image)
    assert np.sum(kernel**2) == pytest.approx(1)
    pixel = np.std(skies.fine_residual(image)[1:-1, 1:-1]) / correlation.fine_share(kernel)
    assert pixel == pytest.approx(np.std(image), rel=0.12)
    # One shape of correlation stands for all: the steepness of interpolation differs.
    smooth = image.astype(np.float32)
    for scale, told in enumerate(skies.noise_by_scale(kernel)[:3]):
        wide = skies.smooth_scale(smooth, scale)
        assert told * pixel == pytest.approx(np.std((smooth - wide)[40:-40, 40:-40]), rel=0.25)
        smooth = wide


@pytest.mark.parametrize("kind", ["cloud", "spiral", "filaments"])
def test_structure_is_not_taken_for_correlation(kind):
    pair = make_blurred_pair(kind, 9, shape=(400, 500))
    free = ndimage.binary_erosion(pair.sharp_light < 1, iterations=2)
    ratio = correlation.total_ratio(correlation.box_ratios(pair.sharp.astype(np.float32), free))
    assert ratio == pytest.approx(1, abs=0.02)


def test_a_resampled_sharp_stack_changes_no_empty_sky():
    pair = make_blurred_pair("flat", 4, shape=(400, 500))
    sharp = ndimage.shift(pair.sharp, (0.5, 0.5), order=3, mode="nearest")
    deep = ndimage.shift(pair.deep, (0.5, 0.5), order=1, mode="nearest")
    result = replace_stars(deep, sharp, rng=0)
    empty = ndimage.shift(pair.deep_light + pair.sharp_light, (0.5, 0.5), order=1) < 0.5
    empty &= ~ndimage.binary_dilation(result.mask & 1 > 0, iterations=3)
    assert np.mean((result.mask & 16)[empty] > 0) < 0.02
