"""Matching star lists: known transforms, a second library, and no match where there is none."""

import time

import astroalign
import numpy as np
import pytest
from astropy.table import Table

from framesort.records import Transform
from framesort.stars import match_star_lists


def make_pair(
    rng,
    *,
    stars=150,
    size=(1500.0, 1000.0),
    shift=(0.0, 0.0),
    rotation=0.0,
    scale=1.0,
    false=1 / 3,
    noise=0.1,
):
    """Two frames of one sky, brightest first, and the true matrix; `shift` is that of the centre.

    Centroid errors of `noise` pixels an axis, fluxes of 10 %; a share `false` of each list
    are entries of their own, of the same brightness distribution.
    """
    size = np.asarray(size)
    turn = np.deg2rad(rotation)
    m = np.eye(3)
    m[:2, :2] = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    m[:2, 2] = size / 2 + shift - m[:2, :2] @ (size / 2)
    reach = 2 * size.max() + np.hypot(*shift)
    sky = rng.uniform(-reach, reach, (int(stars * (2 * reach) ** 2 / size.prod()), 2)) + size / 2
    flux = rng.uniform(0, 1, len(sky)) ** -1.0
    back = (sky - m[:2, 2]) @ np.linalg.inv(m[:2, :2]).T
    lists = []
    for xy in (back, sky):
        inside = ((xy >= 0) & (xy < size)).all(axis=1)
        places = xy[inside] + rng.normal(0, noise, (inside.sum(), 2))
        light = flux[inside] * rng.lognormal(0, 0.1, inside.sum())
        n = round(len(places) * false / (1 - false))
        places = np.concatenate([places, rng.uniform(0, 1, (n, 2)) * size])
        light = np.concatenate([light, rng.uniform(0, 1, n) ** -1.0])
        lists.append(places[np.argsort(-light)])
    common = back[(((back >= 0) & (back < size)) & ((sky >= 0) & (sky < size))).all(axis=1)]
    return lists[0], lists[1], m, common


def worst(transform, matrix, xy):
    """Largest distance between two transforms over some places."""
    x, y = transform.map_points(*xy.T)
    true = xy @ matrix[:2, :2].T + matrix[:2, 2]
    return np.hypot(x - true[:, 0], y - true[:, 1]).max()


@pytest.mark.parametrize("rotation", [0.0, 0.3, 33.0, 90.0, 180.0, -121.0])
@pytest.mark.parametrize("scale", [0.92, 1.0, 1.07])
def test_known_transforms(rotation, scale):
    rng = np.random.default_rng(int(rotation * 7) + 5000)
    source, target, matrix, common = make_pair(
        rng, rotation=rotation, scale=scale, shift=(230.0, -140.0)
    )
    transform = match_star_lists(source, target)
    assert transform
    # About n = 60 pairs, 0.14 px per axis and pair: an affine is known to 0.14 sqrt(6 / 2n) =
    # 0.03 px on average and to three times that at a corner; 5 sigma there is 0.4 px.
    assert worst(transform, matrix, common) < 0.4
    assert transform.scale == pytest.approx(scale, abs=5e-4)
    assert np.angle(np.exp(1j * np.deg2rad(transform.rotation - rotation))) == pytest.approx(
        0, abs=5e-4
    )
    # Two coordinates, two lists, 0.1 px each: 0.2 px rms. It is made of 20 pairs, so one standard
    # deviation is 11 %; three of them.
    assert transform.residual == pytest.approx(0.2, rel=0.33)


def random_pair(rng):
    """30 % common area in any direction, any rotation, a third of both lists false."""
    size = rng.uniform(600, 6000, 2)
    direction = rng.uniform(0, 2 * np.pi)
    unit = np.array([np.cos(direction), np.sin(direction)])
    rotation, scale = rng.uniform(-180, 180), rng.uniform(0.92, 1.08)
    # The common area by counting a lattice, halving the interval of the shift.
    lattice = np.stack(np.meshgrid(*[np.linspace(-0.5, 0.5, 41)] * 2), -1).reshape(-1, 2) * size
    turn = np.deg2rad(rotation)
    r = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    low, high = 0.0, 2 * size.max()
    for _ in range(20):
        middle = (low + high) / 2
        share = (np.abs(lattice @ r.T + unit * middle) < size / 2).all(axis=1).mean()
        low, high = (middle, high) if share > 0.3 else (low, middle)
    return make_pair(
        rng,
        stars=int(np.exp(rng.uniform(np.log(80), np.log(1500)))),
        size=size,
        shift=unit * low,
        rotation=rotation,
        scale=scale,
    )


def test_random_pairs_with_small_common_area():
    # tests/bench/bench_match.py runs a thousand of these, with astroalign beside.
    rng = np.random.default_rng(20)
    for _ in range(60):
        source, target, matrix, common = random_pair(rng)
        transform = match_star_lists(source, target)
        assert transform
        assert worst(transform, matrix, common) < 1.0  # a wrong match is off by hundreds


def test_second_opinion_astroalign():
    """Both libraries put the same grid on the same place; 0.05 px as for its published use."""
    rng = np.random.default_rng(4)
    for rotation in (0.5, 12.0, 180.0):
        source, target, _, _ = make_pair(
            rng,
            stars=60,
            size=(400.0, 400.0),
            rotation=rotation,
            shift=(15.0, -9.0),
            false=0.0,
            noise=0.01,
        )
        other, _ = astroalign.find_transform(source, target)
        transform = match_star_lists(source, target)
        grid = np.stack(np.meshgrid(*[np.linspace(50, 350, 7)] * 2), -1).reshape(-1, 2)
        assert worst(transform, np.asarray(other.params), grid) < 0.05


def test_no_match_between_different_skies():
    rng = np.random.default_rng(8)
    for count in (5, 12, 40, 300, 1000):
        for spread in (300.0, 60.0):  # evenly dense, and a cluster
            one, two = rng.normal(500, spread, (2, count, 2))
            transform = match_star_lists(one, two)
            assert not transform
            assert transform.reason == "not matched"
            assert np.isnan(transform.residual)


def test_few_stars():
    assert match_star_lists(np.zeros((3, 2)), np.zeros((50, 2))).reason == "few stars"
    assert match_star_lists(np.empty((0, 2)), []).reason == "few stars"
    same = np.zeros((9, 2))  # all in one place: nothing to turn
    assert match_star_lists(same, same).reason == "not matched"


def test_mirror_only_on_request():
    rng = np.random.default_rng(2)
    source, target, _, _ = make_pair(rng, rotation=40.0, false=0.1)
    source = source * [-1, 1] + [1500, 0]
    assert not match_star_lists(source, target)
    transform = match_star_lists(source, target, mirror=True)
    assert transform
    assert np.linalg.det(transform.matrix[:2, :2]) < 0


def test_scale_outside_the_range_is_not_matched():
    rng = np.random.default_rng(3)
    source, target, _, _ = make_pair(rng, scale=1.3)
    assert not match_star_lists(source, target)
    assert match_star_lists(source, target, scale_range=(1.2, 1.4))


def test_order_nan_and_tables():
    rng = np.random.default_rng(6)
    source, target, _, _ = make_pair(rng, rotation=10.0)
    plain = match_star_lists(source, target)
    mixed = rng.permutation(len(source))
    table = Table(
        {
            "x": source[mixed, 0],
            "y": source[mixed, 1],
            "flux": np.linspace(100, 1, len(source))[mixed],
        },
        masked=True,
    )
    table.add_row((np.nan, 5.0, 1e6))
    table.add_row((3.0, 5.0, 1e6))
    table["y"].mask[-1] = True
    again = match_star_lists(table, target)
    # Places are the same bit for bit, so is the result.
    np.testing.assert_array_equal(again.matrix, plain.matrix)


def test_hot_pixels_do_not_win():
    """A third of each list stays on the same pixels while the sky moves by 30 px."""
    rng = np.random.default_rng(12)
    source, target, matrix, common = make_pair(rng, stars=200, shift=(30.0, 12.0), false=0.0)
    hot = rng.uniform(0, 1000, (100, 2))
    lists = [np.concatenate([xy, hot]) for xy in (source, target)]
    lists = [xy[rng.permutation(len(xy))] for xy in lists]
    transform = match_star_lists(*lists)
    assert worst(transform, matrix, common) < 0.4


def test_wide_field_is_projective():
    """Two pointings 1 degree apart: planes of one sky, which a homography joins exactly."""
    rng = np.random.default_rng(13)
    focal = 6000 / np.deg2rad(3.0)
    tilt = np.deg2rad(1.0)
    xy = rng.uniform(-3000, 3000, (800, 2))
    ray = np.column_stack([xy / focal, np.ones(len(xy))])
    turn = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    ray = ray @ turn.T
    other = ray[:, :2] / ray[:, 2:] * focal
    noise = rng.normal(0, 0.05, (2, *xy.shape))
    transform = match_star_lists(xy + noise[0], other + noise[1])
    # Made of the 50 brightest pairs: one standard deviation is 1 / (2 sqrt(50)) = 7 %.
    assert transform.residual == pytest.approx(0.1, rel=0.21)
    x, y = transform.map_points(*xy.T)
    assert np.hypot(x - other[:, 0], y - other[:, 1]).max() < 0.05
    flat = match_star_lists(xy + noise[0], other + noise[1], model="affine")
    assert flat.residual > 0.2


def test_knots_of_a_nebula_do_not_count_in_the_residual():
    """A third of the brightest entries are no stars: they lie a pixel beside, others do not."""
    rng = np.random.default_rng(17)
    xy = rng.uniform(0, 2000, (300, 2))
    source, target = xy + rng.normal(0, 0.05, xy.shape), xy + rng.normal(0, 0.05, xy.shape)
    target[:60:3] += rng.normal(0, 0.7, (20, 2))
    transform = match_star_lists(source, target)
    assert worst(transform, np.eye(3), xy) < 0.05
    # 0.1 px as above; of 34 stars 9 % a standard deviation, three of them.
    assert transform.residual == pytest.approx(0.1, rel=0.27)


def test_residual_follows_the_bright_stars():
    """Faint stars have ten times the error: a weighted fit is nearer to the truth than theirs."""
    rng = np.random.default_rng(14)
    xy = rng.uniform(0, 2000, (1000, 2))
    error = np.geomspace(0.02, 0.5, 1000)[:, None]
    transform = match_star_lists(xy + rng.normal(0, 1, xy.shape) * error, xy + 7.0)
    x, y = transform.map_points(*xy.T)
    # Plain least squares: rms error 0.2 px, sqrt(3 / 1000) of it is 0.011 px on average.
    # With weights the 300 best stars (0.05 px and less) decide: 0.003 px on average.
    assert np.hypot(x - xy[:, 0] - 7, y - xy[:, 1] - 7).mean() < 0.006


def test_long_lists_are_fast():
    rng = np.random.default_rng(15)
    source, target, _, _ = make_pair(rng, stars=2700, size=(6248.0, 4176.0), shift=(300.0, 200.0))
    assert len(source) > 3900
    match_star_lists(source, target)
    begin = time.perf_counter()
    transform = match_star_lists(source, target)
    # 15 ms on a 2-core machine; the bar allows for a busy one.
    assert time.perf_counter() - begin < 0.5
    assert transform.matched > 2000


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"scale_range": (1.1, 0.9)}, "scale_range"),
        ({"tolerance": 0.0}, "tolerance"),
        ({"max_stars": 3}, "max_stars"),
        ({"model": "cubic"}, "model"),
    ],
)
def test_wrong_options(options, words):
    with pytest.raises(ValueError, match=words):
        match_star_lists(np.zeros((9, 2)), np.zeros((9, 2)), **options)


def test_wrong_lists():
    with pytest.raises(ValueError, match="source must have the shape"):
        match_star_lists(np.zeros((9, 3)), np.zeros((9, 2)))
    with pytest.raises(ValueError, match="target must have columns"):
        match_star_lists(np.zeros((9, 2)), Table({"a": [1]}))


def test_guess_is_used_and_checked():
    """A guess must be beyond chance like any match; a wrong one does no harm."""
    rng = np.random.default_rng(17)
    size = np.array([6000.0, 4000.0])
    source, target = rng.uniform(0, 1, (2, 3000, 2)) * size
    rows = rng.choice(np.arange(2000), 12, replace=False)
    target[rows] = source[rows] + [40.0, 25.0]
    assert not match_star_lists(source, target)
    near = Transform(matrix=np.array([[1, 0, 33.0], [0, 1, 18.0], [0, 0, 1]]))
    assert not match_star_lists(source, target, guess=near)  # 12 of 3000 is chance
    source, target, matrix, common = make_pair(rng, shift=(1100.0, 300.0))
    off = Transform(matrix=matrix + np.array([[0, 0, 9.0], [0, 0, -7.0], [0, 0, 0]]))
    assert worst(match_star_lists(source, target, guess=off), matrix, common) < 0.4
    wrong = Transform(matrix=np.eye(3))
    assert worst(match_star_lists(source, target, guess=wrong), matrix, common) < 0.4


def test_narrow_strip_gives_no_squeezed_transform():
    """Stars nearly on a line: an affine fit has no hold across it, a similarity has."""
    rng = np.random.default_rng(18)
    strip = np.column_stack([rng.uniform(0, 2000, 60), rng.uniform(0, 3, 60)])
    transform = match_star_lists(
        strip + rng.normal(0, 0.2, strip.shape), np.add(strip, (500.0, 20.0))
    )
    large, small = np.linalg.svd(transform.matrix[:2, :2], compute_uv=False)
    assert small == pytest.approx(large, rel=1e-9)
    x, y = transform.map_points(1000.0, 1500.0)
    # 0.2 px over 2000 px along 60 stars: 4e-5 rad, 1500 px across: 0.07 px; 5 sigma.
    assert np.hypot(x - 1500.0, y - 1520.0) < 0.4
