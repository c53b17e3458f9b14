"""Measuring in bands: nothing depends on where bands begin, nor on the kind of number."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d, maximum_filter

from framesort.stars import estimate_background, find_stars, measure_image
from framesort.stars._background import MeshMap, WholeMap
from framesort.stars._maxima import smoothed_maxima
from framesort.stars._pixels import BAND, Pixels
from framesort.stars._power import STRIDE, WORK_ROWS, power_of


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def field(rng, shape=(3 * BAND + 17, 300), stars=120):
    """Gaussian stars of sigma 1.4 on whole numbers, some right at the joints of bands."""
    y, x = rng.uniform(0, shape[0], stars), rng.uniform(0, shape[1], stars)
    y[:10] = np.repeat([BAND, BAND - 1, 2 * BAND - 0.5, 3 * BAND + 0.5, 0.5], 2)
    grid_y, grid_x = np.mgrid[: shape[0], : shape[1]]
    image = rng.normal(1000, 20, shape)
    for i, j, light in zip(x, y, 10 ** rng.uniform(2.2, 4.5, stars), strict=True):
        image += light * np.exp(-((grid_x - i) ** 2 + (grid_y - j) ** 2) / 2 / 1.4**2)
    return np.round(np.clip(image, 0, 60000))


@pytest.mark.parametrize("kind", [np.uint16, np.int32, np.float64, ">i4", ">f4"])
def test_any_kind_of_number_gives_the_same(rng, kind):
    image = field(rng)
    expected, found = (measure_image(image.astype(one)) for one in (np.float32, kind))
    assert len(expected.star_list) > 50
    for name in expected.star_list.colnames:
        np.testing.assert_array_equal(found.star_list[name], expected.star_list[name])
    assert (found.sky, found.noise, found.fwhm) == (expected.sky, expected.noise, expected.fwhm)


def test_an_image_of_whole_numbers_with_a_mask(rng):
    image = field(rng)
    bad = np.zeros(image.shape, bool)
    bad[BAND - 5 : BAND + 5, 40:90] = True
    expected = find_stars(np.where(bad, np.nan, image))
    found = find_stars(image.astype(np.uint16), mask=bad)
    np.testing.assert_array_equal(found["flux"], expected["flux"])


def test_maxima_are_those_of_the_whole_smoothed_image(rng):
    image = rng.normal(0, 1, (2 * BAND + 40, 90)).astype(np.float32)
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / 1.6) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    noise = WholeMap(np.ones_like(image))
    places, height = smoothed_maxima(image, noise, kernel, threshold=1.5, reach=0.5)
    smooth = image.astype(float)
    for axis in (0, 1):
        smooth = gaussian_filter1d(smooth, 1.6, axis=axis, mode="constant", radius=4)
    top = (smooth == maximum_filter(smooth, 3)) & (smooth > 1.5 * np.sum(kernel**2))
    top[[0, -1]] = top[:, [0, -1]] = False
    assert len(places) > 30
    assert {tuple(place) for place in places} == set(zip(*np.nonzero(top)[::-1], strict=True))
    np.testing.assert_allclose(height, smooth[places[:, 1], places[:, 0]], rtol=1e-4)
    assert (np.diff(height) <= 0).all()


@pytest.mark.parametrize("joint", [BAND - 3, BAND, BAND + 2])
@pytest.mark.parametrize("depth, stays", [(2.0, False), (60.0, True)])
def test_a_pair_across_two_bands_is_judged_by_the_dip_between(joint, depth, stays):
    """A shoulder that hardly dips is no star of its own, wherever a band ends."""
    image = np.zeros((2 * BAND, 40), np.float32)
    image[joint - 4 : joint + 5, 20] = [100, 98, 96, 94, 92 - depth, 91 - depth, 92, 93, 94]
    kernel = np.array([0, 1, 0], np.float32)
    noise = WholeMap(np.full_like(image, 2.0))
    places, _ = smoothed_maxima(image, noise, kernel, threshold=5.0, reach=10.0)
    expected = [[20, joint - 4], [20, joint + 4]] if stays else [[20, joint - 4]]
    assert places.tolist() == expected


@pytest.mark.parametrize("shape", [(200, 150), (70, 9), (65, 130), (4, 5), (64, 65)])
def test_a_map_gives_the_same_values_however_it_is_asked(rng, shape):
    background = estimate_background(rng.normal(100, 5, shape).astype(np.float32))
    mesh = rng.normal(0, 1, [-(-size // 64) for size in shape]).astype(np.float32)
    one = MeshMap(mesh, shape)
    whole = WholeMap(one.rows(0, shape[0]))
    assert background.level.shape == whole.shape == shape
    y, x = (rng.integers(0, size, 500) for size in shape)
    np.testing.assert_array_equal(one.at(x, y), whole.at(x, y))
    np.testing.assert_array_equal(one.every(8, 3), whole.every(8, 3))
    cut = (shape[0] // 3, shape[0], shape[1] // 4, shape[1])
    np.testing.assert_array_equal(one.part(*cut), whole.part(*cut))


def test_rows_of_pixels_and_their_tops(rng):
    image = rng.normal(0, 1, (50, 33)).astype(np.float32)
    image[7] = np.nan
    image[8, :30] = np.nan
    pixels = Pixels(image)
    assert np.shares_memory(pixels.rows(3, 9), image)
    expected = np.where(np.isnan(image).all(axis=1), -np.inf, np.fmax.reduce(image, axis=1))
    np.testing.assert_array_equal(pixels.tops, expected)
    places, values = pixels.above(1.5)
    np.testing.assert_array_equal(places[:, ::-1], np.argwhere(image >= 1.5))
    np.testing.assert_array_equal(values, image[image >= 1.5])


@pytest.mark.parametrize("exponent", [-50.0, -4.0, -1.25])
def test_powers_are_those_of_the_library(rng, exponent):
    base = np.concatenate([[1.0, 2.0, np.sqrt(2)], 1 + 10 ** rng.uniform(-9, 5, 16 * STRIDE - 3)])
    work = np.empty((WORK_ROWS, len(base)))
    power_of(base, len(base), exponent, work)
    expected = base.astype(np.longdouble) ** exponent
    some = expected > 1e-290
    np.testing.assert_allclose(work[0][some], expected[some].astype(float), rtol=1e-13)
    np.testing.assert_allclose(work[1], np.log(base), rtol=1e-14, atol=1e-16)


def test_crowded_maxima_do_not_depend_on_the_bands(rng, monkeypatch):
    image = gaussian_filter1d(rng.normal(0, 5, (BAND, 200)), 1.2, axis=0).astype(np.float32)
    kernel = np.array([0.25, 0.5, 0.25], np.float32)
    noise = WholeMap(np.ones_like(image))
    found = []
    for rows in (BAND, 31, 50):
        monkeypatch.setattr("framesort.stars._maxima.BAND", rows)
        found.append(smoothed_maxima(image, noise, kernel, threshold=2.0, reach=7.5))
    assert len(found[0][0]) > 300
    for places, height in found[1:]:
        np.testing.assert_array_equal(places, found[0][0])
        np.testing.assert_array_equal(height, found[0][1])
