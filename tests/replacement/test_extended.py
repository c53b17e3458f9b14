"""Detail is given where the deep stack lost it to blur, and nowhere else."""

import numpy as np
import pytest
from scenes_for_replacement import gaussian_moffat, make_blurred_pair
from scipy import ndimage

from framesort.replacement import ReplacementOptions, replace_stars
from framesort.replacement._detect import hot_pixels

pytestmark = pytest.mark.slow

SHAPE = (260, 300)


def calm(pair):
    """No star light to speak of."""
    return np.maximum(pair.sharp_light, pair.deep_light) < 0.3 * pair.sigma


def structured(pair):
    """Pixels without star light whose nebula the blur changed by half the noise or more."""
    where = calm(pair) & (np.abs(pair.nebula - pair.deep_nebula) > 0.5 * pair.noise)
    assert where.sum() > 5000
    return where


def rms(pair, image, where):
    """Error in noise of the deep stack."""
    return float(np.sqrt(np.mean(((image - pair.truth) / pair.noise)[where] ** 2)))


def draw_stars(fwhm, shape, peaks, rng):
    """Moffat stars every 25 pixels at places between pixels, each the mean over its pixels."""
    y, x = np.mgrid[-12:13, -12:13].astype(float)
    inner = (np.arange(5) - 2) / 5
    rows, columns = np.mgrid[20 : shape[0] - 20 : 25, 20 : shape[1] - 20 : 25].reshape(2, -1)
    image = np.zeros(shape)
    for j, i, peak in zip(rows, columns, peaks, strict=True):
        dx, dy = rng.uniform(-0.5, 0.5, 2)
        star = sum(gaussian_moffat(x - dx + a, y - dy + b, fwhm, 3.0) for a in inner for b in inner)
        image[j - 12 : j + 13, i - 12 : i + 13] += peak * star / star.max()
    return image


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 2.8, 4.0])
@pytest.mark.parametrize("seed", [1, 2])
def test_hot_pixels_are_not_stars(fwhm, seed):
    rng = np.random.default_rng([seed, 10])
    peaks = 10 ** rng.uniform(1, 4.5, 121)  # in noise of a pixel
    stars = draw_stars(fwhm, (300, 300), peaks, rng)
    noise = rng.standard_normal(stars.shape)
    assert not hot_pixels((stars + noise).astype(np.float32), 1.0).any()
    # Beside stars, not on them.
    free = np.argwhere(ndimage.maximum_filter(stars, 5) < 0.3)
    y, x = rng.choice(free[(free > 3).all(axis=1) & (free < 296).all(axis=1)], 60, replace=False).T
    hot = np.zeros(stars.shape)
    hot[y, x] = 10 ** rng.uniform(1.5, 4, 60)
    found = hot_pixels((stars + hot + noise).astype(np.float32), 1.0)
    assert not found[hot == 0].any()
    lone = ndimage.maximum_filter(hot, 7) == hot  # two side by side are no single pixel
    assert found[(hot > 0) & lone].mean() > 0.95


def test_hot_pixels_do_not_come_into_the_picture():
    pair = make_blurred_pair("cloud", seed=11, shape=SHAPE, stars=60)
    rng = np.random.default_rng(12)
    y, x = rng.choice(np.argwhere(calm(pair)), 40, replace=False).T
    pair.sharp[y, x] += (10 ** rng.uniform(2.3, 4, 40)).astype(np.float32)
    result = replace_stars(pair.deep, pair.sharp)
    off = ((result.final - pair.truth) / pair.noise)[y, x]
    assert np.median(np.abs(off)) < 3
    assert np.abs(off).max() < 15
    # As seen in the sharp stack: 200 to 10,000 ADU.
    assert np.abs((pair.sharp - pair.truth) / pair.noise)[y, x].min() > 15


@pytest.mark.parametrize("seed", [3, 4])
def test_a_bright_trail_of_the_sharp_stack_alone_does_not_come_into_the_picture(seed):
    pair = make_blurred_pair("cloud", seed=seed, shape=SHAPE, stars=60)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    away = np.abs((x - 170) * np.sin(0.5) - (y - 120) * np.cos(0.5))
    trail = (250 * np.exp(-(away**2) / 8)).astype(np.float32)
    result = replace_stars(pair.deep, pair.sharp + trail)
    on = (away < 1.5) & calm(pair)
    assert trail[on].mean() > 50 * pair.sigma
    # On the average less than the noise of a pixel is left of it.
    assert abs(np.mean((result.final - pair.truth)[on])) < pair.sigma


@pytest.mark.parametrize("kind", ["cloud", "spiral"])
def test_nothing_is_given_where_the_deep_stack_is_as_sharp(kind):
    pair = make_blurred_pair(kind, seed=4, shape=SHAPE, stars=60)
    where = structured(pair)
    # Stars wider than the sharp stack's, before a nebula that is not.
    deep = (pair.deep - pair.deep_nebula + pair.nebula).astype(np.float32)
    both = [
        replace_stars(deep, pair.sharp, options=ReplacementOptions(detail=detail)).final
        for detail in (True, False)
    ]
    assert rms(pair, both[0], where) < 1.02 * rms(pair, both[1], where)
    assert rms(pair, both[0], where) < 1.05 * rms(pair, deep, where)
    # Blurred as its stars are, the same nebula is changed by several times its noise.
    given = [
        replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(detail=detail)).final
        for detail in (True, False)
    ]
    moved = [np.std(((v[0] - v[1]) / pair.noise)[where]) for v in (both, given)]
    assert moved[0] < 0.25
    assert moved[1] > 1.5


def test_an_empty_sky_is_given_nothing():
    pair = make_blurred_pair("flat", seed=5, shape=SHAPE, stars=60)
    result = replace_stars(pair.deep, pair.sharp)
    assert np.mean((result.mask[calm(pair)] & 16) > 0) < 0.005


@pytest.fixture(scope="module", params=[3, 5])
def galaxy(request):
    return make_blurred_pair("spiral", seed=request.param, shape=SHAPE, stars=60)


@pytest.fixture(scope="module")
def sharpened(galaxy):
    return replace_stars(galaxy.deep, galaxy.sharp)


def test_a_blurred_galaxy_is_better_than_in_either_stack(galaxy, sharpened):
    where = structured(galaxy)
    final, deep, sharp = (
        rms(galaxy, image, where) for image in (sharpened.final, galaxy.deep, galaxy.sharp)
    )
    assert final < 0.5 * deep
    assert final < 0.95 * sharp
    plain = calm(galaxy) & (np.abs(galaxy.nebula - galaxy.deep_nebula) > 3 * galaxy.noise)
    assert np.mean((sharpened.mask[plain] & 16) > 0) > 0.9


def test_detail_ends_where_the_sharp_stack_ends(galaxy, sharpened):
    hole = np.zeros(SHAPE, bool)
    hole[100:160, 120:200] = True  # through the galaxy's arms
    sharp = np.where(hole, np.float32(np.nan), galaxy.sharp)
    result = replace_stars(galaxy.deep, sharp)
    assert not np.any(result.mask[hole] & 16)
    assert np.isfinite(result.final).all()
    untouched = hole & (result.mask == 0)
    assert untouched.sum() > 0.5 * hole.sum()
    np.testing.assert_array_equal(result.final[untouched], galaxy.deep[untouched])
    # Beside it the sky is told by half as many pixels: no worse than the deep stack. Further away
    # all is as without it.
    near = ndimage.binary_dilation(hole, iterations=12)
    rim, rest = near & ~hole & structured(galaxy), ~near & structured(galaxy)
    assert rms(galaxy, result.final, rim) < rms(galaxy, galaxy.deep, rim)
    assert rms(galaxy, result.final, rest) < 1.1 * rms(galaxy, sharpened.final, rest)
