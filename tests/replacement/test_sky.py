"""What is noise and what is sky: against drawn noise, scipy and the published starlet transform."""

import numpy as np
import pytest
from scenes_for_replacement import fractal
from scipy import ndimage, signal, stats

from framesort.replacement import _sky as skies
from framesort.replacement._robust import median_deviation

B3 = np.array([1, 4, 6, 4, 1]) / 16


def starlet(image):
    """Details of each scale and the smooth rest (Starck & Murtagh 2006, ch. 2), by scipy."""
    details = []
    for scale in range(skies.SCALES):
        taps = np.zeros(4 * 2**scale + 1)
        taps[:: 2**scale] = B3
        wide = image
        for axis in (0, 1):
            wide = ndimage.convolve1d(wide, taps, axis=axis, mode="reflect")
        details.append(image - wide)
        image = wide
    return details, image


def as_rows(image, noise):
    """An image and the noise of its pixels, as rows on demand."""
    noise = np.broadcast_to(np.asarray(noise, np.float32), image.shape)

    def rows(first, last, columns=slice(None)):
        return image[first:last, columns].copy(), noise[first:last, columns].copy()

    return rows


@pytest.fixture(scope="module")
def white():
    return skies.noise_by_scale(np.ones((1, 1)))


def test_fine_residual_of_white_noise_has_its_deviation():
    rng = np.random.default_rng(1)
    image = (500 + 3.7 * rng.standard_normal((300, 340))).astype(np.float32)
    rest = skies.fine_residual(image)
    inner = rest[1:-1, 1:-1]
    # 100,000 values, neighbours correlated: half a percent is two standard errors.
    assert np.std(inner) == pytest.approx(3.7, rel=0.008)
    assert not rest[[0, -1]].any()
    assert not rest[:, [0, -1]].any()


def test_fine_residual_does_not_see_slopes():
    y, x = np.mgrid[:60, :70].astype(np.float32)
    assert np.abs(skies.fine_residual(4 * x - 7 * y)).max() < 1e-3
    # A line of pixels is seen: it must not be blind.
    image = np.zeros((60, 70), np.float32)
    image[30, 30] = 9.0
    assert skies.fine_residual(image)[30, 30] == pytest.approx(6.0)


@pytest.mark.parametrize("size", [501, 500])
def test_median_deviation_is_numpys_and_not_moved_by_outliers(size):
    values = 2.5 * np.random.default_rng(size).standard_normal(size)
    values[:20] = 1e4
    expected = stats.norm.ppf(0.75) ** -1 * np.median(np.abs(values))
    assert median_deviation(values) == pytest.approx(expected, rel=1e-4)
    assert median_deviation(values) == pytest.approx(2.5, rel=0.2)


@pytest.mark.parametrize(("gain", "read"), [(1.0, 5.0), (0.25, 12.0), (3.0, 2.0)])
def test_noise_of_electrons_and_reading_is_found_at_every_level(gain, read):
    """`gain` in electrons an ADU."""
    level = 60 + 900 * np.linspace(0, 1, 400)[None, :] * np.ones((300, 1))
    at = np.array([60, 200, 500, 960], np.float32)
    found = []
    for seed in range(20):
        rng = np.random.default_rng([2, seed])
        image = rng.poisson(level * gain) / gain + read * rng.standard_normal(level.shape)
        image[rng.integers(0, 300, 40), rng.integers(0, 400, 40)] += 4000  # cosmic rays
        residual = skies.fine_residual(image.astype(np.float32))[1:-1, 1:-1]
        found.append(skies.fit_noise(level[1:-1, 1:-1].ravel(), residual.ravel()).at(at))
    expected = np.sqrt(at / gain + read**2)
    # Twenty bins of 6000 correlated values, each variance known to 4 percent and all weighted
    # alike: 7 percent at the faint end, 2 at the bright one; a twentieth of draws has twice that.
    # On the average of 20 draws it is a few times less, and 0.3 percent of outliers add 0.4.
    off = np.array(found) / expected - 1
    assert np.median(np.abs(off[:, -1])) < 0.03
    assert np.median(np.abs(off)) < 0.07
    assert np.abs(off.mean(axis=0)).max() < 0.03


def test_noise_that_falls_with_the_level_is_taken_as_one():
    rng = np.random.default_rng(3)
    level = np.repeat(np.linspace(100, 900, 200), 200)
    residual = rng.standard_normal(level.size) * np.linspace(6, 4, level.size)
    noise = skies.fit_noise(level.astype(np.float32), residual.astype(np.float32))
    assert noise.slope == 0
    assert 4 < noise.at(np.array([500], np.float32))[0] < 6


def test_few_pixels_still_give_a_noise():
    residual = 2 * np.random.default_rng(4).standard_normal(300)
    noise = skies.fit_noise(np.linspace(0, 1e4, 300), residual)
    assert noise.at(np.array([0, 1e4], np.float32)) == pytest.approx(2, rel=0.2)


def test_noise_of_the_starlets_is_the_published_one(white):
    # Starck & Murtagh 2006, for the B3 spline in two dimensions; drawn there, to half a percent.
    assert white == pytest.approx([0.8894, 0.2001, 0.0858, 0.0413, 0.0203], rel=0.01)
    # Closed form of the first: 1 - 2 (6/16)^2 + (70/256)^2.
    assert white[0] == pytest.approx(np.sqrt(1 - 2 * (6 / 16) ** 2 + (70 / 256) ** 2), rel=1e-5)
    point = np.zeros((301, 301))
    point[150, 150] = 1
    exact = [np.sqrt(np.sum(detail**2)) for detail in starlet(point)[0]]
    assert white == pytest.approx(exact, rel=1e-4)


def test_noise_of_the_starlets_behind_a_kernel():
    y, x = np.mgrid[-6:7, -6:7].astype(float)
    kernel = -np.exp(-(x**2 + 2 * y**2 + x * y) / 6)
    kernel[6, 6] -= kernel.sum()  # sum 0, as of a point less a blur
    noise = np.random.default_rng(5).standard_normal((700, 700))
    seen = signal.fftconvolve(noise, kernel, mode="valid")
    drawn = [np.std(detail[60:-60, 60:-60]) for detail in starlet(seen)[0]]
    told = skies.noise_by_scale(kernel)
    # Coarse scales hold few independent values.
    np.testing.assert_allclose(told[:3], drawn[:3], rtol=0.02)
    np.testing.assert_allclose(told[3:], drawn[3:], rtol=0.1)


@pytest.mark.parametrize("seed", [6, 7])
def test_white_noise_alone_does_not_pass(white, seed):
    noise = np.random.default_rng(seed).standard_normal((300, 330)).astype(np.float32)
    part = skies.significant_part(as_rows(noise, 1.0), noise.shape, white)
    # What is wider than all scales is kept: it is compared with what is left of that by scipy.
    assert np.std(part - starlet(noise)[1]) < 0.03
    # Noise taken for half of what it is does pass.
    part = skies.significant_part(as_rows(noise, 0.5), noise.shape, white)
    assert np.std(part) > 0.6


def test_noise_that_grows_over_the_picture_does_not_pass_where_it_is_known(white):
    shape = (300, 330)
    sigma = np.linspace(1, 12, shape[1], dtype=np.float32)[None, :] * np.ones(shape, np.float32)
    noise = sigma * np.random.default_rng(8).standard_normal(shape).astype(np.float32)
    part = skies.significant_part(as_rows(noise, sigma), shape, white)
    assert np.std((part - starlet(noise)[1]) / sigma) < 0.05


def test_structure_far_above_the_noise_is_kept(white):
    rng = np.random.default_rng(9)
    soft = ndimage.gaussian_filter(rng.standard_normal((300, 330)), 12)
    sky = 400 + 100 * soft / soft.std()
    y, x = np.mgrid[:300, :330]
    for column, row, width in ((60, 80, 1.2), (200, 140, 2.5), (120, 230, 5.0)):
        sky += 4000 * np.exp(-((x - column) ** 2 + (y - row) ** 2) / 2 / width**2)
    image = (sky + rng.standard_normal(sky.shape)).astype(np.float32)
    part = skies.significant_part(as_rows(image, 1.0), image.shape, white)
    for column, row in ((60, 80), (200, 140), (120, 230)):
        spot = np.s_[row - 8 : row + 9, column - 8 : column + 9]
        assert np.abs(part - sky)[spot].max() < 0.01 * (sky[spot].max() - np.median(sky))
    # Elsewhere it is nearer to the sky than what was seen.
    assert np.std(part - sky) < 0.7 * np.std(image - sky)


def test_structure_below_the_noise_is_smoothed(white):
    rng = np.random.default_rng(10)
    y, x = np.mgrid[:300, :330]
    sky = 0.4 * np.sin(2 * np.pi * x / 5) * np.sin(2 * np.pi * y / 5)
    image = (sky + rng.standard_normal(sky.shape)).astype(np.float32)
    part = skies.significant_part(as_rows(image, 1.0), image.shape, white)
    assert np.std(part - starlet(image)[1]) < 0.2


def test_details_and_rest_are_scipys(white):
    """Where all is significant nothing is changed; where nothing is, the smooth rest is left.

    What is taken away is interpolated between every second pixel: a hundredth of the noise of 1 is
    left there.
    """
    image = np.random.default_rng(11).standard_normal((130, 150)).astype(np.float32)
    details, rest = starlet(image)
    np.testing.assert_allclose(sum(details) + rest, image, atol=1e-5)
    all_of_it = skies.significant_part(as_rows(image, 1e-4), image.shape, white)
    none = skies.significant_part(as_rows(image, 1e4), image.shape, white)
    np.testing.assert_allclose(all_of_it, image, atol=1e-5)
    assert np.std(none - rest) < 0.01
    inner = np.s_[64:-64:4, 64:-64:4]  # away from edges, on the coarsest grid: exact
    np.testing.assert_allclose(none[inner], rest[inner], atol=1e-5)


def test_bands_and_whole_are_the_same(white, monkeypatch):
    rng = np.random.default_rng(12)
    image = rng.standard_normal((820, 620)).astype(np.float32)
    image += 6 * fractal(image.shape, 3.0, rng).astype(np.float32)
    noise = np.ones_like(image)
    parts = [skies.significant_part(as_rows(image, noise), image.shape, white)]
    monkeypatch.setattr(skies, "BAND", len(image))
    parts.append(skies.significant_part(as_rows(image, noise), image.shape, white))
    monkeypatch.setattr("framesort.workers.core_count", lambda: 1)
    parts.append(skies.significant_part(as_rows(image, noise), image.shape, white))
    for part in parts[1:]:
        np.testing.assert_array_equal(part, parts[0])
