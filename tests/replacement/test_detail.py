"""The option `detail`: what is no star is sharpened too, or is left exactly as it is."""

import numpy as np
import pytest
from scenes_for_replacement import make_blurred_pair

from framesort.replacement import ReplacementOptions, replace_stars

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=["cloud", "filaments"])
def pair(request):
    return make_blurred_pair(request.param, seed=3, shape=(260, 300), stars=60)


@pytest.fixture(scope="module")
def given(pair):
    return replace_stars(pair.deep, pair.sharp)


@pytest.fixture(scope="module")
def stars_only(pair):
    return replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(detail=False))


def without_starlight(pair):
    return np.maximum(pair.sharp_light, pair.deep_light) < 0.3 * pair.sigma


def rms_on_nebula(pair, image):
    """Error where blur changed the nebula, star light apart, in noise of the deep stack."""
    blurred = np.abs(pair.nebula - pair.deep_nebula) > 0.5 * pair.noise
    where = blurred & without_starlight(pair)
    assert where.sum() > 10_000
    return np.sqrt(np.mean(((image - pair.truth) / pair.noise)[where] ** 2))


def test_off_leaves_what_is_no_star_to_the_bit(pair, given, stars_only):
    calm = without_starlight(pair)
    untouched = stars_only.mask == 0
    for layer in (stars_only.final, stars_only.background):
        np.testing.assert_array_equal(layer[untouched], pair.deep[untouched])
    assert not stars_only.stars[untouched].any()
    # Short pieces of filaments are taken for stars now and then.
    assert np.mean(untouched[calm]) > 0.9
    assert np.mean(stars_only.final[calm] == pair.deep[calm]) > 0.9
    assert np.mean(given.final[calm] == pair.deep[calm]) < 0.5


def test_the_mask_marks_detail_only_where_it_was_requested(given, stars_only):
    assert not np.any(stars_only.mask & 16)
    assert np.mean((given.mask & 16) > 0) > 0.5
    # Both replace the same stars.
    np.testing.assert_array_equal(given.table["reason"], stars_only.table["reason"])


def test_on_is_nearer_the_truth_than_off_and_than_either_stack(pair, given, stars_only):
    on, off = (rms_on_nebula(pair, result.final) for result in (given, stars_only))
    stacks = [rms_on_nebula(pair, image) for image in (pair.deep, pair.sharp)]
    # Off has the deep stack's nebula; on has more depth than the sharp stack alone.
    assert off == pytest.approx(stacks[0], rel=0.1)
    assert on < 0.6 * off
    assert on < 0.9 * min(stacks)


def test_layers_add_up(given, stars_only):
    for result in (given, stars_only):
        np.testing.assert_allclose(result.stars + result.background, result.final, rtol=3e-7)


def test_kept_places_are_given_no_detail(pair):
    spot = (150.0, 130.0, 40.0)
    result = replace_stars(pair.deep, pair.sharp, keep=[spot])
    y, x = np.ogrid[: pair.deep.shape[0], : pair.deep.shape[1]]
    inside = np.hypot(x - spot[0], y - spot[1]) <= spot[2]
    assert not np.any(result.mask[inside] & 16)
    assert np.any(result.mask[~inside] & 16)


def test_planes_are_reported_the_same():
    pair = make_blurred_pair("cloud", seed=5, shape=(200, 220), stars=40)
    planes = np.stack([pair.deep] * 2), np.stack([pair.sharp] * 2)
    masks = [
        replace_stars(*planes, options=ReplacementOptions(detail=detail)).mask & 16
        for detail in (True, False)
    ]
    assert masks[0].any()
    assert not masks[1].any()
