"""Medians, clipping and weighted means against numpy and closed forms."""

import warnings

import numpy as np
import pytest
from astropy import units as u
from astropy.nddata import CCDData
from scipy.stats import norm
from stack_options import grouped

from framesort.stacking import stack_arrays
from framesort.stacking._kernels import medians, sorting_network


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 8, 9, 31, 40, 64, 65, 300])
def test_medians(count):
    rng = np.random.default_rng(count)
    cube = rng.normal(0, 1, (count, 5, 130)).astype(np.float32)
    cube[rng.uniform(0, 1, cube.shape) < 0.2] = np.nan
    median, lower = np.empty((2, 5, 130), np.float32)
    medians(cube, sorting_network(count), median, lower)
    assert (lower[median > lower] < np.nanmax(cube)).all()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # numpy on columns without a value
        expected = np.nanmedian(cube, axis=0)
        np.testing.assert_array_equal(median, expected)


def test_sorting_network_sorts_all_zeros_and_ones():
    """The 0-1 principle (Knuth, Art of Computer Programming 3, 5.3.4): enough for all input."""
    for count in range(1, 13):
        bits = (np.arange(2**count)[:, None] >> np.arange(count)) & 1
        for low, high in sorting_network(count):
            pair = np.sort(bits[:, [low, high]], axis=1)
            bits[:, [low, high]] = pair
        assert (np.diff(bits, axis=1) >= 0).all()


@pytest.mark.parametrize(("count", "clip"), [(51, 3.0), (51, 2.5), (25, 3.0), (101, 2.0)])
def test_false_rejection_with_known_noise(count, clip):
    """2 (1 - Phi(k)) of the values: closed form, for a centre that is known.

    The centre here is the median: a value far out on one side shifts it by half the distance
    of the middle values, sqrt(pi / 2) / N, and it scatters with the variance pi / 2N.
    """
    rng = np.random.default_rng(7)
    cube = rng.normal(50, 2, (count, 150, 150))
    stack = stack_arrays(cube, **grouped(noise=2.0, clip=clip, background_order=-1))["all"]
    expected = 2 * norm.sf((clip + np.sqrt(np.pi / 2) / count) / np.sqrt(1 + np.pi / 2 / count))
    assert stack.rejected.mean() == pytest.approx(expected, rel=0.05)


def test_noise_of_the_mean_and_weights():
    rng = np.random.default_rng(8)
    sigma = np.array([1.0, 2.0, 4.0])
    cube = rng.normal(0, 1, (3, 300, 300)) * sigma[:, None, None] + 100
    options = grouped(noise=sigma, clip=np.inf, background_order=-1)
    stack = stack_arrays(cube, **options)["all"]
    # Inverse-variance weights 0.761905, 0.190476, 0.047619 give sd 0.872872 (closed form);
    # 90,000 pixels: 3 / sqrt(2 n) = 0.7 %.
    assert stack.data.std() == pytest.approx(0.872872, rel=0.007)
    assert 1 / np.sqrt(stack.weight.mean()) == pytest.approx(0.872872, rel=1e-5)
    mean = np.tensordot([0.761905, 0.190476, 0.047619], cube, 1)
    np.testing.assert_allclose(stack.data, mean, atol=2e-5)
    # A set weight multiplies the inverse variance: all equal gives sd 1.527525.
    equal = stack_arrays(cube, sets={"equal": sigma**2}, **options)["equal"]
    assert equal.data.std() == pytest.approx(1.527525, rel=0.007)
    assert 1 / np.sqrt(equal.weight.mean()) == pytest.approx(1.527525, rel=1e-5)


def test_noise_of_nine_frames():
    rng = np.random.default_rng(9)
    cube = rng.normal(500, 5, (9, 200, 200))
    stack = stack_arrays(cube, **grouped(noise=5.0, clip=np.inf, background_order=-1))["all"]
    assert stack.data.std() == pytest.approx(5 / 3, rel=0.01)
    median, lower = np.empty((2, 200, 200), np.float32)
    medians(cube.astype(np.float32), sorting_network(9), median, lower)
    np.testing.assert_array_equal(median, lower)
    # Exact order statistic: 5 sqrt(1.49491 / 9) = 2.0378 (Kendall & Stuart).
    assert median.std() == pytest.approx(2.0378, rel=0.011)


def test_photon_noise_is_in_the_weight():
    """galsim's CCDNoise rule: variance = light / gain + background variance."""
    cube = np.full((4, 8, 8), 100.0)
    cube[:, 4, 4] = 1100.0
    stack = stack_arrays(cube, **grouped(noise=3.0, gain=2.0, background_order=-1, clip=np.inf))[
        "all"
    ]
    assert 1 / stack.weight[0, 0] == pytest.approx(9 / 4, rel=1e-5)
    assert 1 / stack.weight[4, 4] == pytest.approx((9 + 1000 / 2) / 4, rel=1e-5)


def test_one_outlier_goes_even_among_few():
    """A mean-and-sd clip at 3 sigma cannot reject one of fewer than 11 (Samuelson 1968)."""
    rng = np.random.default_rng(10)
    for count in (2, 3, 4, 5, 10):
        cube = rng.normal(100, 1, (count, 40, 40))
        cube[1, 20, 20] += 500
        stack = stack_arrays(cube, **grouped(noise=1.0, background_order=-1))["all"]
        assert stack.coverage[20, 20] == count - 1
        assert stack.data[20, 20] == pytest.approx(100, abs=5)


def test_half_of_the_frames_hit_and_unknown_noise():
    cube = np.random.default_rng(11).normal(100, 1, (4, 20, 20))
    cube[0, 5, 5] += 500
    cube[1, 5, 5] += 900
    stack = stack_arrays(cube, **grouped(noise=1.0, background_order=-1))["all"]
    assert stack.data[5, 5] == pytest.approx(100, abs=5)  # both, though the median lies between
    # Noise stated ten times too small: the tolerance widens instead of emptying the stack.
    wild = np.random.default_rng(12).normal(100, 10, (15, 50, 50))
    stack = stack_arrays(wild, **grouped(noise=1.0, background_order=-1))["all"]
    assert stack.coverage.mean() > 0.8 * 15  # with fixed tolerance 1 of 4 would be left
    assert stack.coverage.min() > 7


def test_ccddata_mask_and_nothing_left():
    image = CCDData(np.full((6, 6), 5.0), unit=u.adu, mask=np.eye(6, dtype=bool))
    stack = stack_arrays([image, image], **grouped(noise=1.0, background_order=-1))["all"]
    assert np.isnan(stack.data[np.eye(6, dtype=bool)]).all()
    assert (stack.weight[np.eye(6, dtype=bool)] == 0).all()
    assert (stack.coverage[np.eye(6, dtype=bool)] == 0).all()
    np.testing.assert_array_equal(stack.coverage[~np.eye(6, dtype=bool)], 2)
