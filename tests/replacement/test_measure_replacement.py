import dataclasses
import warnings

import numpy as np
import pytest
from astropy.io.fits import Header
from astropy.table import Table
from scenes_for_replacement import make_pair
from scipy.ndimage import gaussian_filter

from framesort.records import CHECK_LIMITS, Replacement, Stack, judge_check
from framesort.replacement import measure_replacement, replace_stars
from framesort.stars import measure_image

pytestmark = pytest.mark.slow

ANGLE = 25.0


def ideal_result(pair, final=None, background=None):
    """The truth with the deep stack's own noise: what a replacement without fault would give."""
    if final is None:
        final = pair.deep - pair.deep_light + pair.sharp_light
    n = len(pair.x)
    table = Table({"x": pair.x, "y": pair.y, "flux_deep": pair.flux, "flux_sharp": pair.flux})
    table["flux_applied"] = pair.flux
    table["reason"] = np.full(n, "", dtype=object)
    table.meta["flux_scale"] = 1.0
    changed = np.abs(pair.deep_light - pair.sharp_light) > pair.sigma
    return Replacement(
        final=final.astype(np.float32),
        stars=pair.sharp_light.astype(np.float32),
        background=(final - pair.sharp_light).astype(np.float32),
        mask=changed.astype(np.uint8),
        table=table,
    )


def failed(check):
    return {line.name for line in judge_check(vars(check)) if line.passed is False}


def filaments(shape, seed):
    """Threads some pixels wide, 0 to about 1."""
    rng = np.random.default_rng(seed)
    field = gaussian_filter(rng.normal(size=shape), 12)
    return np.exp(-((field / field.std() / 0.12) ** 2))


@pytest.fixture(scope="module")
def ideal(pair):
    return ideal_result(pair)


@pytest.fixture(scope="module")
def saturated_pair():
    return make_pair(seed=8, top=3e6, full=60000.0)


def altered(pair, ideal, change):
    return measure_replacement(
        dataclasses.replace(ideal, final=(ideal.final + change).astype(np.float32)),
        pair.deep,
        pair.sharp,
    )


def beside_the_brightest(pair, number=12):
    """Pixels on the spike of the brightest stars, outside their cores."""
    yy, xx = np.mgrid[: pair.deep.shape[0], : pair.deep.shape[1]]
    c, s = np.cos(np.radians(ANGLE)), np.sin(np.radians(ANGLE))
    out = np.zeros(pair.deep.shape, bool)
    for k in np.argsort(-pair.flux)[:number]:
        along = (xx - pair.x[k]) * c + (yy - pair.y[k]) * s
        across = (yy - pair.y[k]) * c - (xx - pair.x[k]) * s
        out |= (np.abs(across) < 5) & (np.abs(along) > 6) & (np.abs(along) < 60)
    return out


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_good_result_is_judged_good(seed):
    pair = make_pair(seed=seed)
    check = measure_replacement(ideal_result(pair), pair.deep, pair.sharp)
    assert failed(check) == set() and check.notes == ()
    # The pictures were drawn with stars of 3.0 px; 3 % is what the instrument is good for here.
    assert check.fwhm_sharp == pytest.approx(3.0, rel=0.03)
    assert check.fwhm_deep > 1.2 * check.fwhm_final
    assert check.flux_ratio == pytest.approx(1.0, abs=0.015)
    assert check.noise_ratio == pytest.approx(1.0, abs=0.1)
    assert len(check.blemishes) == 0
    assert np.max(np.abs(check.spikes["sigma"])) < CHECK_LIMITS.spike_sigma
    # Noise of the two was drawn as 2.5 and 6 ADU.
    assert check.gain == pytest.approx(2.5 / 6, abs=0.1)
    assert check.better_share == 1


def test_numbers_of_stars_add_up(pair, result):
    check = measure_replacement(result, pair.deep, pair.sharp)
    assert check.replaced == np.sum(result.table["reason"] == "")
    assert check.replaced + check.not_replaced == len(result.table)
    assert len(check.worst) == 10


def test_measurements_made_elsewhere_are_taken(pair, ideal):
    pictures = (pair.deep, pair.sharp, ideal.final)
    known = [measure_image(picture) for picture in pictures]
    check = measure_replacement(ideal, pair.deep, pair.sharp, quality=lambda: known)
    own = measure_replacement(ideal, pair.deep, pair.sharp)
    assert (check.fwhm_final, check.spike_deep) == (own.fwhm_final, own.spike_deep)
    assert (check.flux_ratio, check.notes) == (own.flux_ratio, own.notes)


def test_an_untouched_deep_stack_is_judged_bad(pair, ideal):
    check = altered(pair, ideal, pair.deep - ideal.final)
    assert {"star width", "spike", "structure"} <= failed(check)
    assert any(line.gross for line in judge_check(vars(check)))
    assert check.spike_angle == pytest.approx(ANGLE, abs=3)
    assert check.spike_left == pytest.approx(1.0, abs=0.05)
    assert any("of the sharp stack's width" in note for note in check.notes)


@pytest.mark.parametrize("share", [0.3, -0.3])
def test_a_spike_left_or_taken_twice_is_seen(pair, ideal, share):
    left = share * np.where(beside_the_brightest(pair), pair.deep_light - pair.sharp_light, 0)
    check = altered(pair, ideal, left)
    assert "spike" in failed(check)
    # What is altered is the spike within 60 px; the profile's wings count to it there.
    assert check.spike_left == pytest.approx(share, abs=0.1)


@pytest.mark.parametrize("share", [0.3, -0.3])
def test_a_spike_beside_saturated_stars_is_seen(saturated_pair, share):
    pair = saturated_pair
    good = ideal_result(pair, np.minimum(pair.truth, 60000.0) + pair.deep
                        - np.minimum(pair.nebula + pair.deep_light, 60000.0))  # fmt: skip
    assert failed(measure_replacement(good, pair.deep, pair.sharp)) == set()
    one = np.argmax(pair.flux)
    assert pair.deep[round(pair.y[one]), round(pair.x[one])] > 59000
    beside = beside_the_brightest(pair, number=1)
    check = altered(pair, good, share * np.where(beside, pair.deep_light - pair.sharp_light, 0))
    assert "spike" in failed(check)
    first = check.spikes[np.argmax(np.abs(check.spikes["sigma"]))]
    assert (first["x"], first["y"]) == pytest.approx((pair.x[one], pair.y[one]))
    assert np.sign(first["sigma"]) == np.sign(share)


@pytest.mark.parametrize("sign", [-1, 1])
def test_a_hole_is_found_where_it_is(pair, ideal, sign):
    yy, xx = np.mgrid[: pair.deep.shape[0], : pair.deep.shape[1]]
    far = np.hypot(xx[..., None] - pair.x, yy[..., None] - pair.y).min(axis=-1)
    far[:30] = far[-30:] = far[:, :30] = far[:, -30:] = 0
    y, x = np.unravel_index(np.argmax(far), far.shape)
    spot = np.exp(-((xx - x) ** 2 + (yy - y) ** 2) / 2 / 1.27**2)
    # Noise of the difference is 6.5 ADU; through a matched filter of this width (sum of squares
    # pi 1.27^2 = 5.1) a peak of 9 * 6.5 / 5.1^0.5 is nine standard deviations.
    size = 6.5 / np.sqrt(np.pi * 1.27**2)
    check = altered(pair, ideal, sign * 10 * size * spot)
    assert len(check.blemishes) == 1
    found = check.blemishes[0]
    assert (found["x"], found["y"]) == pytest.approx((x, y), abs=2)
    assert sign * found["sigma"] == pytest.approx(10, abs=3)
    assert len(altered(pair, ideal, sign * 4 * size * spot).blemishes) == 0


def test_star_fluxes_off_by_three_per_cent_are_seen(pair, ideal):
    check = altered(pair, ideal, 0.03 * pair.sharp_light)
    assert "star flux" in failed(check)
    assert check.flux_ratio == pytest.approx(1.03, abs=0.005)


def test_stars_wider_by_four_per_cent_are_seen(pair, ideal):
    wide = make_pair(widths=(4.2, 3.12))
    check = altered(pair, ideal, wide.sharp_light - pair.sharp_light)
    assert "star width" in failed(check)
    assert check.star_bins["width_ratio"][0] == pytest.approx(1.04, abs=0.005)


def test_structure_that_stays_blurred_is_seen():
    sharp_threads = 260 * gaussian_filter(filaments((320, 400), 5), 1.2)
    blurred = 260 * gaussian_filter(filaments((320, 400), 5), 2.2)
    pair = make_pair(seed=5, extra=sharp_threads)
    good = ideal_result(pair)
    assert failed(measure_replacement(good, pair.deep, pair.sharp)) == set()
    check = altered(pair, good, blurred - sharp_threads)
    assert "structure" in failed(check)
    assert check.structure_error > 1 and len(check.worse) > 0
    lost = np.abs(gaussian_filter(sharp_threads - blurred, 4))
    at = check.worse[0]
    box = np.s_[int(at["y"]) - 16 : int(at["y"]) + 16, int(at["x"]) - 16 : int(at["x"]) + 16]
    assert lost[box].mean() > np.median(lost)


def test_a_string_of_false_stars_is_seen():
    # Knots twice as wide as a star, on a line 14 px apart.
    x, y = 60 + 13.0 * np.arange(20), 80 + 6.0 * np.arange(20)
    yy, xx = np.mgrid[:320, :400]
    away = [(xx - a) ** 2 + (yy - b) ** 2 for a, b in zip(x, y, strict=True)]
    knots = sum(200 * np.exp(-d / 2 / 2.6**2) for d in away)
    pair = make_pair(seed=6, extra=knots)
    good = ideal_result(pair)
    assert failed(measure_replacement(good, pair.deep, pair.sharp)) == set()
    more = Table({name: np.r_[good.table[name], np.full(20, 8000.0)]
                  for name in ("flux_deep", "flux_sharp", "flux_applied")})  # fmt: skip
    more["x"], more["y"] = np.r_[pair.x, x], np.r_[pair.y, y]
    more["reason"] = np.full(len(more), "", dtype=object)
    more.meta = dict(good.table.meta)
    check = measure_replacement(dataclasses.replace(good, table=more), pair.deep, pair.sharp)
    assert failed(check) == {"false stars"}
    assert check.chains >= 1
    spots = np.column_stack([check.false_stars["x"], check.false_stars["y"]])
    knot = (spots[:, None] == np.column_stack([x, y])).all(axis=-1).any(axis=1)
    assert knot.sum() >= 10 and knot.mean() > 0.8


def test_another_flux_scale_is_seen():
    pair = make_pair(seed=7)
    good = ideal_result(pair)
    table = good.table.copy()
    table.meta["flux_scale"] = 1.2
    check = measure_replacement(dataclasses.replace(good, table=table), pair.deep, pair.sharp)
    assert check.scale_ratio == pytest.approx(1 / 1.2, abs=0.04)
    assert "flux scale" in failed(check)


def test_another_nebula_in_the_sharp_stack_is_not_condemned():
    shape = 512, 640
    own, other = (400 * gaussian_filter(filaments(shape, seed), 6) for seed in (3, 4))
    pair = make_pair(seed=9, shape=shape, extra=own, sharp_extra=other - own)
    check = measure_replacement(ideal_result(pair), pair.deep, pair.sharp)
    assert not check.one_sky
    assert not {"structure", "holes and lumps", "flux scale"} & failed(check)
    lines = {line.name: line.sentence for line in judge_check(vars(check))}
    assert "different nebulae" in lines["structure"]


def test_gaps_and_thin_edges_are_left_out(pair, ideal):
    deep, sharp, final = pair.deep.copy(), pair.sharp.copy(), ideal.final.copy()
    for image in (deep, sharp, final):
        image[100:140, 200:260] = np.nan
    final[:40] += 300  # a step where few frames contribute
    weight = np.ones(deep.shape, np.float32)
    weight[:40] = 0.2
    stack = Stack(data=sharp, weight=weight, coverage=weight.astype(np.int16), header=Header())
    gone = dataclasses.replace(ideal, final=final)
    assert len(measure_replacement(gone, deep, stack).blemishes) == 0
    assert len(measure_replacement(gone, deep, sharp).blemishes) > 0


def test_colour_is_judged_on_the_mean_of_the_planes(pair, ideal):
    three = {
        name: np.stack([getattr(ideal, name)] * 3) for name in ("final", "stars", "background")
    }
    colour = dataclasses.replace(ideal, **three)
    check = measure_replacement(colour, np.stack([pair.deep] * 3), np.stack([pair.sharp] * 3))
    one = measure_replacement(ideal, pair.deep, pair.sharp)
    assert check.structure_error == pytest.approx(one.structure_error, abs=1e-3)
    assert failed(check) == set()


def test_a_picture_without_stars_gives_little_and_fails_nothing():
    rng = np.random.default_rng(3)
    deep, sharp = (rng.normal(300, s, (200, 240)).astype(np.float32) for s in (2, 5))
    table = Table(
        {name: np.empty(0) for name in ("x", "y", "flux_deep", "flux_sharp", "flux_applied")}
    )
    table["reason"] = np.empty(0, dtype=object)
    empty = Replacement(
        final=deep,
        stars=0 * deep,
        background=deep,
        mask=np.zeros(deep.shape, np.uint8),
        table=table,
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        check = measure_replacement(empty, deep, sharp)
    assert failed(check) == set() and check.replaced == 0


def test_a_sharp_stack_that_is_not_sharper_is_reported():
    pair = make_pair(widths=(3.1, 3.1), line=0.0, seed=4)
    result = replace_stars(pair.deep, pair.sharp)
    assert any("hardly sharper" in note for note in result.notes)
    check = measure_replacement(result, pair.deep, pair.sharp)
    assert any("hardly sharper" in note for note in check.notes)
