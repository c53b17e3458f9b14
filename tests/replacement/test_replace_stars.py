import numpy as np
import pytest
from astropy import units as u
from astropy.nddata import CCDData
from astropy.table import Table
from scenes_for_replacement import make_pair

from framesort.errors import InputError, NotEnoughFramesError
from framesort.replacement import MASK_BITS, STAR_REASONS, ReplacementOptions, replace_stars

pytestmark = pytest.mark.slow


def near(table, x, y, distance=1.0):
    return np.hypot(table["x"].value - x, table["y"].value - y) < distance


def test_layers_add_up_and_the_rest_is_the_deep_stack(pair, result):
    # One rounding of a float32 of the size of the brightest pixel.
    np.testing.assert_allclose(result.stars + result.background, result.final, rtol=3e-7)
    free = result.mask == 0
    assert 0.05 < free.mean() < 0.95
    assert np.array_equal(result.final[free], pair.deep[free])
    assert np.array_equal(result.background[free], pair.deep[free])
    assert not result.stars[free].any()
    for layer in (result.final, result.stars, result.background):
        assert layer.dtype == np.float32
    assert not result.mask[~free].size or int(result.mask.max()) < 2 * max(MASK_BITS)


def test_error_under_heated_light_is_the_deep_stacks_noise(pair, result):
    error = result.final - pair.truth
    under = (np.abs(pair.deep_light - pair.sharp_light) > 0.5 * pair.sigma) & (
        pair.sharp_light < 4 * pair.sigma
    )
    # 1.0 is the noise alone; an error of half a sigma on top of it would make 1.12.
    assert np.sqrt(np.mean(error[under] ** 2)) < 1.12 * pair.sigma
    # Thousands of pixels: the mean of noise alone is below 0.02 sigma.
    assert abs(error[under].mean()) < 0.1 * pair.sigma
    before = (pair.deep - pair.truth)[under]
    assert np.sqrt(np.mean(before**2)) > 3 * pair.sigma


def test_fluxes_and_places(pair, result):
    bright = np.nonzero(pair.flux > 2e4)[0]
    apart = [i for i in bright if np.sort(np.hypot(pair.x - pair.x[i], pair.y - pair.y[i]))[1] > 14]
    assert len(apart) >= 5
    for i in apart:
        row = result.table[near(result.table, pair.x[i], pair.y[i], 0.5)]
        assert len(row) == 1
        # The wings beyond the picture's edge are a share of the flux; 2 % is the demand.
        assert row["flux_applied"][0] == pytest.approx(pair.flux[i], rel=0.02)
        assert np.hypot(row["x"][0] - pair.x[i], row["y"][0] - pair.y[i]) < 0.05


def test_other_flux_scale(pair):
    other = make_pair(scale=0.4)
    result = replace_stars(other.deep, other.sharp)
    error = result.final - other.truth
    core = other.sharp_light > 100 * other.sigma
    # The sum over all cores: the scale is known from dozens of stars to better than 1 %.
    assert abs(error[core].sum() / other.sharp_light[core].sum()) < 0.01


def test_amount_blends(pair, result):
    half = replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(amount=0.5))
    np.testing.assert_allclose(half.final, 0.5 * (pair.deep + result.final), rtol=2e-6)
    none = replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(amount=0.0))
    np.testing.assert_array_equal(none.final, pair.deep)


def test_keep_and_limits_leave_stars_unchanged(pair):
    k = int(np.argmax(pair.flux))
    spots = Table({"x": [pair.x[k]], "y": [pair.y[k]], "radius": [4.0]})
    kept = replace_stars(
        pair.deep, pair.sharp, keep=spots, options=ReplacementOptions(faintest=5e3)
    )
    row = kept.table[near(kept.table, pair.x[k], pair.y[k])]
    assert list(row["reason"]) == ["kept by user"]
    assert list(row["method"]) == ["none"]
    y, x = round(pair.y[k]), round(pair.x[k])
    assert kept.final[y, x] == pytest.approx(pair.deep[y, x], rel=0.01)
    assert set(kept.table["reason"][kept.table["flux_deep"].value < 5e3]) <= {
        "too faint",
        "not stellar",
        "no light",
    }
    assert set(kept.table["reason"]) <= set(STAR_REASONS)


def test_uncovered_stars_stay(pair):
    sharp = pair.sharp.copy()
    sharp[:, :100] = np.nan
    result = replace_stars(pair.deep, sharp)
    inside = result.table["x"].value < 95
    assert inside.sum() > 10
    assert set(result.table["reason"][inside]) <= {"no sharp data"}
    # Stars further right may reach in; the cores on the left are the deep stack's.
    bright = result.table[inside & (result.table["flux_deep"].value > 5e3)]
    for row in bright:
        y, x = round(row["y"]), round(row["x"])
        assert result.final[y, x] == pytest.approx(pair.deep[y, x], rel=0.02)
    assert np.isfinite(result.final).all()


def test_missing_deep_pixels_stay_missing(pair):
    deep = pair.deep.copy()
    deep[100:110, 150:170] = np.nan
    result = replace_stars(deep, pair.sharp)
    assert np.array_equal(np.isnan(result.final), np.isnan(deep))


def test_kinds_of_input_agree(pair, result):
    ccd = replace_stars(CCDData(pair.deep, unit=u.adu), CCDData(pair.sharp, unit=u.adu))
    np.testing.assert_array_equal(ccd.final, result.final)


def test_colour_keeps_each_planes_flux():
    pair = make_pair(seed=3, shape=(220, 240), stars=80)
    gains = np.array([1.0, 0.7, 0.5], np.float32)[:, None, None]
    result = replace_stars(pair.deep * gains, pair.sharp * gains)
    assert result.final.shape == (3, *pair.deep.shape)
    assert result.mask.shape == pair.deep.shape
    error = result.final - pair.truth * gains
    core = pair.sharp_light > 200
    for k in range(3):
        share = error[k][core].sum() / (pair.sharp_light[core].sum() * gains[k, 0, 0])
        assert abs(share) < 0.01


def test_wrong_calls_say_what_is_wrong(pair):
    with pytest.raises(InputError, match="one shape"):
        replace_stars(pair.deep, pair.sharp[:-1])
    with pytest.raises(InputError, match="amount must be from 0 to 1"):
        replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(amount=2))
    with pytest.raises(InputError, match="flux_scale"):
        replace_stars(pair.deep, pair.sharp, options=ReplacementOptions(flux_scale="mean"))
    with pytest.raises(NotEnoughFramesError, match="no stars"):
        empty = np.random.default_rng(0).normal(100, 3, (2, 80, 90)).astype(np.float32)
        replace_stars(empty[0], empty[1])
