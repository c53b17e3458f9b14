"""Colour: one set of star places and masks, every star in its own colour."""

import numpy as np
import pytest
from scenes_for_replacement import make_pair

from framesort.errors import InputError
from framesort.replacement import ReplacementOptions, replace_stars

pytestmark = pytest.mark.slow

SHAPE = (230, 260)


@pytest.fixture(scope="module")
def coloured():
    """Three planes in which every star has a colour of its own; nebula 1 : 0.7 : 0.5."""
    first = make_pair(seed=3, shape=SHAPE, stars=70, line=0.04)
    dice = np.random.default_rng(12)
    share = 10 ** dice.normal(0, 0.1, (3, len(first.flux)))  # 0.25 mag of scatter
    share[:, 0] = 1.0, 0.8, 0.6
    planes = [
        make_pair(
            seed=3 + k,
            shape=SHAPE,
            line=0.04,
            places=np.column_stack([first.x, first.y]),
            fluxes=first.flux * share[k],
            noise=(2.0, 5.0),
        )
        for k in range(3)
    ]
    deep = np.stack([p.deep for p in planes])
    sharp = np.stack([p.sharp for p in planes])
    return planes, share, deep, sharp


def put_and_true(result, planes, share, *, least=1e4):
    """Light given to each plane over the true light of the first, for bright isolated stars."""
    one = planes[0]
    flux = one.flux / share[0]
    rows = []
    for i in np.nonzero(flux > least)[0]:
        away = np.sort(np.hypot(one.x - one.x[i], one.y - one.y[i]))[1]
        inside = 15 < one.x[i] < SHAPE[1] - 15 and 15 < one.y[i] < SHAPE[0] - 15
        near = np.hypot(result.table["x"].value - one.x[i], result.table["y"].value - one.y[i])
        if away > 8 and inside and near.min() < 0.5:
            rows.append((i, result.table["flux_applied_planes"].value[near.argmin()]))
    assert len(rows) >= 6
    index = np.array([i for i, _ in rows])
    put = np.array([v for _, v in rows])
    return put, (flux * share).T[index]


def test_three_planes_keep_every_stars_colour(coloured):
    planes, share, deep, sharp = coloured
    result = replace_stars(deep, sharp)
    put, true = put_and_true(result, planes, share)
    # 2 % is what is asked of fluxes; a colour is the ratio of two of them.
    np.testing.assert_allclose(
        put / put.mean(axis=1, keepdims=True), true / true.mean(axis=1, keepdims=True), rtol=0.02
    )
    assert result.mask.shape == SHAPE
    free = result.mask == 0
    assert free.any()
    np.testing.assert_array_equal(result.final[:, free], deep[:, free])
    np.testing.assert_allclose(result.stars + result.background, result.final, rtol=3e-7)
    for k, one in enumerate(planes):
        error = result.final[k] - one.truth
        under = (np.abs(one.deep_light - one.sharp_light) > 0.5 * one.sigma) & (
            one.sharp_light < 4 * one.sigma
        )
        # 1.35 is the bar for a single plane; 1.0 is noise alone.
        assert np.sqrt(np.mean(error[under] ** 2)) < 1.15 * one.sigma


def test_luminance_below_stars_of_three_colours(coloured):
    planes, share, deep, sharp = coloured
    lum = deep.mean(axis=0)
    result = replace_stars(lum, sharp)
    assert result.final.shape == (3, *SHAPE)
    put, true = put_and_true(result, planes, share)
    np.testing.assert_allclose(
        put / put.mean(axis=1, keepdims=True), true / true.mean(axis=1, keepdims=True), rtol=0.02
    )
    # The mean of the planes has the light of the deep picture.
    np.testing.assert_allclose(np.median(put.mean(axis=1) / true.mean(axis=1)), 1, atol=0.02)
    # Where there is no star all planes are the deep picture, so it is without colour there.
    free = result.mask == 0
    for plane in result.final:
        np.testing.assert_array_equal(plane[free], lum[free])


def test_each_star_at_its_deep_light_in_the_sharp_colour(coloured):
    planes, share, _, sharp = coloured
    # The deep picture is the first plane alone, as through another filter.
    result = replace_stars(planes[0].deep, sharp, options=ReplacementOptions(flux_scale="star"))
    put, true = put_and_true(result, planes, share)
    np.testing.assert_allclose(
        put / put.mean(axis=1, keepdims=True), true / true.mean(axis=1, keepdims=True), rtol=0.02
    )
    np.testing.assert_allclose(put.mean(axis=1), true[:, 0], rtol=0.03)


def test_colour_below_stars_of_one_plane(coloured):
    planes, share, deep, sharp = coloured
    result = replace_stars(deep, sharp.mean(axis=0))
    put, true = put_and_true(result, planes, share)
    # Each star keeps the light it has in each deep plane. The wings of a picture of 230 pixels are
    # known to a few percent of the light, the same for all stars of a plane; one star against
    # another must be right to the 2 % asked of fluxes.
    ratio = put / true
    np.testing.assert_allclose(np.median(ratio, axis=0), 1, atol=0.04)
    np.testing.assert_allclose(ratio / np.median(ratio, axis=0), 1, atol=0.02)
    painted = replace_stars(
        deep, sharp.mean(axis=0), options=ReplacementOptions(flux_scale="picture")
    )
    put, true = put_and_true(painted, planes, share)
    # One scale for each plane: all stars in one colour.
    colour = put / put.mean(axis=1, keepdims=True)
    assert np.all(
        np.ptp(colour, axis=0) < 0.1 * np.ptp(true / true.mean(axis=1, keepdims=True), axis=0)
    )


def test_planes_that_do_not_fit():
    two, three = np.ones((2, 40, 40), "f4"), np.ones((3, 40, 40), "f4")
    with pytest.raises(InputError, match="as many planes"):
        replace_stars(two, three)
