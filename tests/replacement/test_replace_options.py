from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scenes_for_replacement import make_pair

from framesort.errors import InputError
from framesort.replacement import (
    MASK_BITS,
    STAR_REASONS,
    ReplacementOptions,
    measure_replacement,
    replace_stars,
)

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def small():
    return make_pair(seed=14, shape=(220, 240), stars=70)


@pytest.fixture(scope="module")
def done(small):
    return replace_stars(small.deep, small.sharp)


def test_every_detection_is_in_the_table_with_what_was_done(done):
    table = done.table
    assert set(table["reason"]) <= set(STAR_REASONS)
    assert set(table["method"]) <= {"pixels", "profile", "none"}
    replaced = table["reason"] == ""
    assert np.all(table["method"][~replaced] == "none")
    assert np.isfinite(table["flux_applied"][replaced]).all()
    assert np.isnan(table["flux_applied"][~replaced]).all()
    for name in ("flux_deep", "flux_sharp", "fwhm_before", "fwhm_after", "x", "y"):
        assert table[name].unit is not None
    bright = table[replaced][:10]
    assert np.median(bright["fwhm_before"] / bright["fwhm_after"]) > 1.2
    # Drawn 3 px wide.
    assert np.median(bright["fwhm_after"]) == pytest.approx(3.0, rel=0.03)


def test_every_bit_of_the_mask_is_explained(done):
    used = np.bitwise_or.reduce(done.mask.ravel())
    assert used & ~np.bitwise_or.reduce(list(MASK_BITS)) == 0
    assert used & 1
    assert used & 2


def test_force_takes_what_was_not_replaced(small):
    y, x = np.mgrid[:220, :240].astype(float)
    blob = 500 * np.exp(-((x - 100) ** 2 + (y - 110) ** 2) / 2 / 2.6**2)
    deep, sharp = small.deep + blob.astype("f4"), small.sharp + blob.astype("f4")
    spot = [[100.0, 110.0, 4.0]]
    left = replace_stars(deep, sharp)
    forced = replace_stars(deep, sharp, force=spot)

    def row(result):
        away = np.hypot(result.table["x"].value - 100, result.table["y"].value - 110)
        return result.table[np.argmin(away)]

    assert row(left)["reason"] == "not stellar"
    assert row(forced)["reason"] == ""


def test_each_star_keeps_its_deep_light(small):
    # In another filter every star has another share: the deep stack's light is to stay.
    dice = np.random.default_rng(3)
    share = 10 ** dice.normal(0, 0.15, len(small.flux))
    other = make_pair(
        seed=14,
        shape=(220, 240),
        places=np.column_stack([small.x, small.y]),
        fluxes=small.flux * share,
    )
    result = replace_stars(small.deep, other.sharp, options=ReplacementOptions(flux_scale="star"))
    picture = replace_stars(
        small.deep, other.sharp, options=ReplacementOptions(flux_scale="picture")
    )
    own, one = [], []
    for i in np.nonzero(small.flux > 1.5e4)[0]:
        for found, out in ((result.table, own), (picture.table, one)):
            away = np.hypot(found["x"].value - small.x[i], found["y"].value - small.y[i])
            out.append(found["flux_applied"].value[np.argmin(away)] / small.flux[i])
    # 2 % is what is asked of fluxes; one scale for all leaves the scatter of the shares.
    assert np.median(np.abs(np.array(own) - 1)) < 0.02
    assert np.std(np.log(one)) > 0.1


def test_brightness_limits(small, done):
    limited = replace_stars(
        small.deep, small.sharp, options=ReplacementOptions(brightest=2e5, faintest=4e3)
    )
    flux = limited.table["flux_deep"].value
    reason = limited.table["reason"]
    assert set(reason[flux > 2e5]) == {"too bright"}
    assert "" not in set(reason[flux < 4e3])
    assert np.sum(reason == "") < np.sum(done.table["reason"] == "")


def test_results_do_not_depend_on_the_executor(small):
    deep, sharp = np.stack([small.deep] * 2), np.stack([small.sharp] * 2)
    alone = replace_stars(deep, sharp)
    with ThreadPoolExecutor(2) as pool:
        shared = replace_stars(deep, sharp, executor=pool)
    for name in ("final", "stars", "background", "mask"):
        np.testing.assert_array_equal(getattr(alone, name), getattr(shared, name))


def test_check_holds_residual_and_worst_stars(small, done):
    check = measure_replacement(done, small.deep, small.sharp)
    assert check.residual.shape == small.deep.shape
    assert check.cutouts.shape[:2] == (len(check.worst), 4)
    half = check.cutouts.shape[2] // 2
    first = check.worst[0]
    y, x = round(first["y"]), round(first["x"])
    if half < x < 240 - half and half < y < 220 - half:
        assert check.cutouts[0, 0, half, half] == small.deep[y, x]
    assert np.all(np.diff(check.worst["residual"]) <= 0)
    # In units of what may be expected, the residual of a good result is noise.
    assert 1.4826 * np.median(np.abs(check.residual)) == pytest.approx(1, abs=0.1)
    assert check.noise_ratio == pytest.approx(1, abs=0.1)
    assert check.eccentricity_final < 0.4


def test_a_bad_scale_is_an_input_error(small):
    with pytest.raises(InputError, match="flux_scale must be above 0"):
        replace_stars(small.deep, small.sharp, options=ReplacementOptions(flux_scale=-1.0))
