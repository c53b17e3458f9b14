"""Brightness of pictures."""

import numpy as np
import pytest
from astropy.nddata import block_reduce
from astropy.visualization import AsinhStretch
from report_nights import make_scene

from framesort.errors import InputError
from framesort.report import measure_stretch, stretch_image
from framesort.report._stretch import Stretch, shrink_image


@pytest.fixture(scope="module")
def scene():
    nebula, _, sharp, _ = make_scene()
    rng = np.random.default_rng(1)
    return nebula, sharp, (400 + nebula + sharp + rng.normal(0, 2, nebula.shape))


def test_curve_is_the_asinh_of_astropy():
    curve = Stretch(sky=np.zeros((1, 3)), lift=0.0, softening=2.0, white=50.0)
    values = np.linspace(0, 50, 101).reshape(1, -1)
    expected = AsinhStretch(a=2.0 / 50.0)(values / 50.0)
    # float32 arithmetic against float64: a few units of the seventh digit.
    np.testing.assert_allclose(stretch_image(values, like=curve), expected, atol=2e-6)


def test_nebula_and_stars_both_show(scene):
    nebula, sharp, image = scene
    shown = stretch_image(image)
    assert shown.min() >= 0 and shown.max() <= 1 and shown.dtype == np.float32
    clean = sharp < 0.5
    sky = np.median(shown[clean & (nebula < 1)])
    bright = np.median(shown[clean & (nebula > 0.85 * nebula.max())])
    # Sky dark but not black, the nebula's bright parts in the middle, star centres near white.
    assert 0.02 < sky < 0.25 and 0.35 < bright < 0.65
    assert np.median(shown[sharp > 2000]) > 0.9


def test_a_gradient_of_the_sky_does_not_show(scene):
    _, _, image = scene
    x = np.linspace(0, 1, image.shape[1])
    tilted = image + 300 * x
    # The same picture but for the tilt, which is ten times the nebula: the plane that was taken
    # away may differ by a fraction of the noise (2 ADU, about 0.05 in brightness).
    difference = np.abs(stretch_image(tilted) - stretch_image(image))
    assert np.median(difference) < 0.02


def test_scale_and_offset_do_not_matter(scene):
    _, _, image = scene
    np.testing.assert_allclose(stretch_image(image), stretch_image(3 * image + 77), atol=2e-3)


def test_one_blinding_star_changes_little(scene):
    _, _, image = scene
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    star = 1e6 * np.exp(-((x - 40) ** 2 + (y - 40) ** 2) / 18)
    far = np.hypot(x - 40, y - 40) > 30
    # A star a thousand times brighter than any may shift white within its bounds (10 to 25
    # times the nebula) and no more.
    assert np.median(np.abs(stretch_image(image + star) - stretch_image(image))[far]) < 0.05


def test_missing_pixels_are_black(scene):
    image = scene[2].copy()
    image[:50, :80] = np.nan
    image[100, 100] = np.inf
    shown = stretch_image(image)
    assert np.all(shown[:50, :80] == 0) and np.isfinite(shown).all()
    assert np.all(stretch_image(np.full((40, 40), np.nan)) == 0)
    assert np.isfinite(stretch_image(np.full((40, 40), 7.0))).all()


def test_planes_share_a_curve_and_lose_their_own_sky(scene):
    _, _, image = scene
    colour = np.stack([image, image + 50, image + 200])
    shown = stretch_image(colour)
    assert shown.shape == colour.shape
    # Equal light over unequal sky is grey; float32 of values near 600 ADU.
    np.testing.assert_allclose(shown[0], shown[2], atol=1e-3)


def test_a_shared_curve_compares(scene):
    _, _, image = scene
    curve = measure_stretch(image)
    brighter = stretch_image(image + 20, like=curve)
    assert np.all(brighter >= stretch_image(image, like=curve))
    assert np.median(brighter) > np.median(stretch_image(image, like=curve)) + 0.1


def test_shrinking_is_a_mean_of_blocks(scene):
    image = scene[2][:180, :300].astype(np.float32)
    image[3:5, 7] = np.nan
    expected = block_reduce(image, 3, func=np.nanmean)
    np.testing.assert_allclose(shrink_image(image, longest=100), expected, rtol=1e-6)
    assert shrink_image(image, longest=300) is image
    assert shrink_image(np.stack([image] * 3), longest=100).shape == (3, 60, 100)


def test_wrong_axes_are_refused():
    with pytest.raises(InputError, match=r"got shape \(4,\)"):
        stretch_image(np.zeros(4))
