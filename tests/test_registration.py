"""Registration: drifts, half-turns, chains of frames, WCS, the columns of the table."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import MaskedColumn, Table
from astropy.wcs import WCS

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Transform
from framesort.registration import (
    add_registration_columns,
    choose_reference,
    make_grid,
    register_frames,
    transform_from_wcs,
)
from framesort.stars import match_star_lists
from framesort.stars._proposals import Search, _Raster

pytestmark = pytest.mark.slow

SIZE = np.array([800.0, 600.0])


def make_night(rng, poses, *, density=200, noise=0.05):
    """Star lists of frames at (shift x, shift y, rotation, scale), and the true matrices to 0."""
    reach = 4000.0
    sky = rng.uniform(-reach, reach, (int(density * (2 * reach) ** 2 / SIZE.prod()), 2)) + SIZE / 2
    flux = rng.uniform(0, 1, len(sky)) ** -1.0 * 100
    lists, matrices = [], []
    for dx, dy, rotation, scale in poses:
        turn = np.deg2rad(rotation)
        m = np.eye(3)
        m[:2, :2] = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        m[:2, 2] = SIZE / 2 + (dx, dy) - m[:2, :2] @ (SIZE / 2)
        xy = (sky - m[:2, 2]) @ np.linalg.inv(m[:2, :2]).T
        xy += rng.normal(0, noise, xy.shape)
        inside = ((xy >= 0) & (xy < SIZE)).all(axis=1)
        table = Table({"x": xy[inside, 0], "y": xy[inside, 1], "flux": flux[inside]})
        lists.append(table[rng.permutation(len(table))])  # registration sorts by itself
        matrices.append(m)
    first = np.linalg.inv(matrices[0])
    return lists, [first @ m for m in matrices]


def worst(transform, matrix):
    corners = np.array([[0, 0], [799, 0], [0, 599], [799, 599], [400, 300.0]])
    true = corners @ matrix[:2, :2].T + matrix[:2, 2]
    return np.hypot(*(np.stack(transform.map_points(*corners.T), axis=1) - true).T).max()


def test_drift_dither_half_turn_and_scale():
    rng = np.random.default_rng(1)
    poses = [
        (0, 0, 0, 1),
        (9, -6, 0.1, 1),
        (140, -80, 0.4, 1),
        (20, 15, 180.2, 1),
        (5, 5, 33, 1.03),
    ]
    lists, matrices = make_night(rng, poses)
    transforms = register_frames(lists, reference=0)
    assert transforms[0].residual == 0
    np.testing.assert_array_equal(transforms[0].matrix, np.eye(3))
    for transform, matrix in zip(transforms, matrices, strict=True):
        assert transform
        assert transform.residual < 0.15
        # 0.07 px a pair and axis, some 130 pairs, six parameters: 0.01 px on average,
        # three times that at a corner; 4 sigma.
        assert worst(transform, matrix) < 0.12


def test_frames_beyond_the_reference_are_chained():
    rng = np.random.default_rng(2)
    poses = [(500 * k, 120 * k, 0.5 * k, 1) for k in range(6)]  # 3 and more share nothing with 0
    lists, matrices = make_night(rng, poses)
    transforms = register_frames(lists, reference=0)
    for transform, matrix in zip(transforms, matrices, strict=True):
        assert transform
        assert transform.residual < 0.15
        # A common area of 3/8 and five steps; the first guess alone would be much worse.
        assert worst(transform, matrix) < 1.0


def test_order_groups_and_workers_change_nothing():
    rng = np.random.default_rng(3)
    lists, _ = make_night(rng, [(60 * k, -20 * k, 30 * k, 1) for k in range(8)])
    plain = register_frames(lists, reference=2)
    with ThreadPoolExecutor(2) as pool:
        pooled = register_frames(lists, reference=2, executor=pool, groups=["a", "b"] * 4)
    for one, two in zip(plain, pooled, strict=True):
        np.testing.assert_array_equal(one.matrix, two.matrix)
    turned = register_frames(lists[::-1], reference=5)[::-1]
    for one, two in zip(plain, turned, strict=True):
        np.testing.assert_array_equal(one.matrix, two.matrix)


def test_bad_frames_keep_their_reason():
    rng = np.random.default_rng(4)
    lists, _ = make_night(rng, [(0, 0, 0, 1), (10, 5, 0, 1), (8, 3, 1, 1)])
    other_sky, _ = make_night(np.random.default_rng(99), [(0, 0, 0, 1)])
    seen = []
    transforms = register_frames(
        [*lists, other_sky[0], lists[0][:2], None],
        reference=1,
        progress=lambda results: (seen.append(len(results)), results)[1],
    )
    assert [t.reason for t in transforms] == ["", "", "", "not matched", "few stars", "few stars"]
    assert seen == [5]


def turn_over(stars, *, swap=False):
    """A star list as a mirror shows it: left for right, or x for y."""
    table = stars.copy()
    table["x"] = stars["y"] if swap else SIZE[0] - 1 - stars["x"]
    table["y"] = stars["x"] if swap else stars["y"]
    return table


def test_mirrored_frames_are_placed_and_reported():
    rng = np.random.default_rng(21)
    lists, matrices = make_night(rng, [(0, 0, 0, 1), (12, -7, 0, 1), (5, 9, 30, 1), (-8, 2, 0, 1)])
    lists[1], lists[2] = turn_over(lists[1]), turn_over(lists[2], swap=True)
    flip = np.array([[-1.0, 0, SIZE[0] - 1], [0, 1, 0], [0, 0, 1]])
    swap = np.array([[0.0, 1, 0], [1, 0, 0], [0, 0, 1]])
    transforms = register_frames(lists, reference=0)
    assert [t.mirrored for t in transforms] == [False, True, True, False]
    for transform, matrix in zip(
        transforms, [matrices[0], matrices[1] @ flip, matrices[2] @ swap, matrices[3]], strict=True
    ):
        assert worst(transform, matrix) < 0.12  # as in the first test
    # Upside down a left-right mirror image is turned by half a turn.
    assert abs(transforms[1].rotation) == pytest.approx(180, abs=0.1)
    table = Table({"width": [800] * 4, "height": [600] * 4, "reason": [""] * 4})
    add_registration_columns(table, transforms)
    assert list(table["reason"]) == ["", "mirrored", "mirrored", ""]
    plain = register_frames(lists, reference=0, options={"mirror": False})
    assert [t.reason for t in plain] == ["", "not matched", "not matched", ""]


def test_frames_of_other_fields_are_given_up_after_two_searches(monkeypatch):
    """Searches are what costs: counted, not timed. A drift still has more of them."""
    rng = np.random.default_rng(22)
    lists, _ = make_night(rng, [(9 * k, -4 * k, 0, 1) for k in range(8)])
    others = [make_night(np.random.default_rng(90 + k), [(0, 0, 0, 1)])[0][0] for k in range(4)]
    searches = []

    def count(source, target, **options):
        searches.append(len(source))
        return match_star_lists(source, target, **options)

    monkeypatch.setattr("framesort.registration._register.match_star_lists", count)
    transforms = register_frames([*lists, *others], reference=0)
    assert [t.reason for t in transforms] == [""] * 8 + ["not matched"] * 4
    # Seven frames at once, each other one with the reference and with one more frame.
    assert len(searches) == 7 + 2 * 4


def test_a_search_in_vain_tries_a_bounded_number_of_proposals(monkeypatch):
    one = make_night(np.random.default_rng(23), [(0, 0, 0, 1)], density=1500)[0][0]
    two = make_night(np.random.default_rng(24), [(0, 0, 0, 1)], density=1500)[0][0]
    counted, grown = [], []
    log_improbability, grow = _Raster.log_improbability, Search._grow

    def count(self, matrices, src):
        counted.append(len(matrices) * len(src))
        return log_improbability(self, matrices, src)

    def count_grown(self, *arguments):
        grown.append(1)
        return grow(self, *arguments)

    monkeypatch.setattr(_Raster, "log_improbability", count)
    monkeypatch.setattr(Search, "_grow", count_grown)
    assert match_star_lists(one, two, mirror=True).reason == "not matched"
    # Three steps (50, 150, 400 stars), both hands: two million places each, 40 refined a step.
    assert sum(counted) <= 3 * 2 * 2_000_000
    assert len(grown) <= 3 * 40


def test_reference_by_quality_or_as_a_list():
    rng = np.random.default_rng(5)
    lists, _ = make_night(rng, [(0, 0, 0, 1), (10, 5, 0, 1), (8, 3, 1, 1)])
    by_quality = register_frames(lists, quality=[1.0, np.nan, 3.0])
    np.testing.assert_array_equal(by_quality[2].matrix, np.eye(3))
    given = register_frames(lists[:2], reference=lists[2])
    for i in (0, 1):
        np.testing.assert_array_equal(given[i].matrix, by_quality[i].matrix)
    assert register_frames([]) == []
    with pytest.raises(ValueError, match="reference must be below 3"):
        register_frames(lists, reference=7)
    with pytest.raises(ValueError, match="quality must have 3 values"):
        register_frames(lists, quality=[1.0])


def test_choose_reference():
    table = Table(
        {
            "fwhm": [3.0, 3.1, 3.0, 2.9, 3.05, 2.0, np.nan],
            "stars": [100, 98, 101, 20, 99, 97, 0],
            "heater_share": [0, 0, 0, 0, 0, 1.0, 0],
            "eccentricity": [0.3, 0.3, 0.9, 0.3, 0.3, 0.3, np.nan],
        }
    )
    # 5 is heated, 3 has few stars, 2 is trailed, 6 not measured: 0, 1, 4 remain; 4 is nearest
    # to the middle of the sequence (3).
    assert choose_reference(table) == 4
    table["shift_x"] = [-10.0, 50.0, 0, 0, 30.0, 0, np.nan]
    table["shift_y"] = [-2.0, 0, 0, 0, 0, 0, np.nan]
    assert choose_reference(table) == 0
    table["heater_share"] = MaskedColumn(np.ones(7), mask=np.ones(7, dtype=bool))
    assert choose_reference(table) == 5  # nothing known of the heater: the sharpest counts
    with pytest.raises(NotEnoughFramesError, match="no frame has measured stars"):
        choose_reference(table[6:])


def test_columns():
    table = Table(
        {"width": [800, 800], "height": [600, 600], "reason": ["wide stars", ""]}, masked=True
    )
    m = np.array([[-1.0, 0, 820], [0, -1, 590], [0, 0, 1]])
    add_registration_columns(
        table, [Transform(reason="not matched"), Transform(matrix=m, matched=50, residual=0.1)]
    )
    assert list(table["reason"]) == ["wide stars; not matched", ""]
    assert list(table["matched"]) == [0, 50]
    assert np.isnan(table["shift_x"][0])
    # The centre (399.5, 299.5) lands on (420.5, 290.5).
    assert table["shift_x"][1] == pytest.approx(21.0)
    assert table["shift_y"][1] == pytest.approx(-9.0)
    assert abs(table["rotation"][1]) == pytest.approx(180.0)
    assert table["scale"][1] == pytest.approx(1.0)
    assert table["residual"].unit == "pix"
    with pytest.raises(ValueError, match="transforms must have 2"):
        add_registration_columns(table, [])


def make_header(ra, dec, rotation, *, scale=2.0, shape=(600, 800)):
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [ra, dec]
    wcs.wcs.crpix = [shape[1] / 2 + 0.5, shape[0] / 2 + 0.5]
    turn = np.deg2rad(rotation)
    wcs.wcs.cd = (
        scale / 3600 * np.array([[-np.cos(turn), np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    )
    header = wcs.to_header()
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, shape[1], shape[0]
    return header


def test_transform_from_wcs():
    frame, grid = make_header(30.0, 46.0, 178.0), make_header(30.05, 46.02, 3.0, scale=2.02)
    transform = transform_from_wcs(frame, grid)
    # Two gnomonic planes of one sky: a homography is exact, so float precision is what is left.
    assert transform.residual < 1e-6
    assert transform.scale == pytest.approx(2.0 / 2.02, rel=1e-4)
    sky = WCS(frame).pixel_to_world([0, 700, 333], [0, 10, 512])
    x, y = WCS(grid).world_to_pixel(sky)
    got = transform.map_points([0, 700, 333], [0, 10, 512])
    np.testing.assert_allclose(got, [x, y], atol=1e-5)
    assert transform_from_wcs(fits.Header(), grid, shape=(9, 9)).reason == "not matched"
    assert transform_from_wcs(frame, fits.Header()).reason == "not matched"
    behind = make_header(210.0, -46.0, 0.0)
    assert transform_from_wcs(frame, behind).reason == "not matched"


def test_date_that_astropy_cannot_read_does_not_cost_the_wcs():
    frame = make_header(30.0, 46.0, 0.0)
    frame["DATE-OBS"] = "2024-03-14T15:09:26+02:00"
    transform = transform_from_wcs(frame, make_header(30.0, 46.0, 0.0))
    np.testing.assert_allclose(transform.matrix, np.eye(3), atol=1e-6)


def test_distortion_is_followed():
    frame = make_header(30.0, 46.0, 0.0)
    frame["CTYPE1"], frame["CTYPE2"] = "RA---TAN-SIP", "DEC--TAN-SIP"
    frame["A_ORDER"] = frame["B_ORDER"] = 3
    frame["A_3_0"], frame["B_0_3"] = 5e-8, 5e-8
    grid = make_header(30.0, 46.0, 0.0)
    transform = transform_from_wcs(frame, grid)
    assert transform.pixel_map is not None
    sky = WCS(frame).pixel_to_world([0, 700, 333], [0, 10, 512])
    got = transform.map_points([0, 700, 333], [0, 10, 512])
    np.testing.assert_allclose(got, WCS(grid).world_to_pixel(sky), atol=1e-6)
    straight = Transform(matrix=transform.matrix).map_points([0, 700, 333], [0, 10, 512])
    assert np.hypot(*np.subtract(straight, got)).max() > 0.1


def test_make_grid(tmp_path):
    header = make_header(30.0, 46.0, 10.0)
    grid = make_grid(header)
    assert grid.shape == (600, 800)
    assert grid.has_wcs
    path = tmp_path / "grid.fits"
    fits.writeto(path, np.zeros((30, 40), np.float32))
    assert make_grid(path).shape == (30, 40)
    assert not make_grid(path).has_wcs
    path.write_bytes(b"no image")
    with pytest.raises(InputError, match=r"grid\.fits"):
        make_grid(path)
    with pytest.raises(InputError, match="NAXIS1"):
        make_grid(fits.Header())
