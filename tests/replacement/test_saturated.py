"""Saturated stars: bleeding at any angle, widths that cannot be measured, the level by itself."""

import numpy as np
import pytest
from scenes_for_replacement import make_pair
from scipy.ndimage import binary_dilation

from framesort.replacement import ReplacementOptions, replace_stars
from framesort.replacement._candidates import core_radii, label_patches, saturated_rims
from framesort.replacement._fit import solve_fluxes
from framesort.replacement._profile import moffat_profile
from framesort.replacement._side import Places, Side

pytestmark = pytest.mark.slow

LEVEL = 15000.0


def bleeding(angle, half=20, thick=2.0, shape=(80, 90), centre=(41, 44)):
    """A star's round core of radius 4 with a straight band through it."""
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    y, x = y - centre[0], x - centre[1]
    turn = np.deg2rad(angle)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    return (np.hypot(x, y) <= 4) | ((np.abs(along) <= half) & (np.abs(across) <= thick))


def rim(saturated, x, y):
    """How far the patch of saturated pixels at a place reaches."""
    return saturated_rims(label_patches(saturated), np.array([x]), np.array([y]))[0]


@pytest.mark.parametrize("angle", [0, 20, 45, 70, 90, 135])
def test_bleeding_is_seen_at_every_angle(angle):
    full = bleeding(angle)
    # Half the band's length and at most half its thickness more, at its corners.
    assert rim(full, 44.0, 41.0) == pytest.approx(20.5, abs=0.8)


@pytest.mark.parametrize("radius", [2.3, 4, 7.6, 12])
def test_a_round_core_does_not_bleed(radius):
    y, x = np.mgrid[:40, :40]
    for dx, dy in ((0, 0), (0.5, 0.3), (0.25, 0.5)):
        # As `replace_stars` takes saturated pixels: with their neighbours.
        full = binary_dilation(np.hypot(x - 20 - dx, y - 19 - dy) <= radius, np.ones((3, 3)))
        assert rim(full, 20.0, 19.0) == 0
    assert rim(full, 2.0, 2.0) == 0  # no patch there


@pytest.mark.parametrize("flux", [1e4, 3e5, 6.3e6, 2e7])
def test_the_light_of_a_saturated_star_is_found_from_nothing(flux):
    # Moffat 1969, A&A 3, 455; the steeper true wings are as far off as a first guess may be.
    width, beta, noise = 3.2, 3.5, 5.0
    alpha = width / (2 * np.sqrt(2 ** (1 / beta) - 1))
    y, x = np.indices((121, 121)) - 60.0
    image = flux * (beta - 1) / (np.pi * alpha**2) * (1 + (x**2 + y**2) / alpha**2) ** -beta
    image = (image + np.random.default_rng(3).normal(0, noise, image.shape)).astype(np.float32)
    saturated = binary_dilation(image > 3e4, np.ones((3, 3)))
    image[saturated] = np.nan
    middle = np.array([60.0])
    radii = core_radii(label_patches(saturated), middle, middle)
    places = Places.new(middle, middle, np.zeros(1), radii)
    side = Side(
        image,
        np.zeros_like(image),
        noise,
        moffat_profile(width, 3.0),
        False,
        np.zeros(1),
        np.zeros(1),
    )
    side.eps = 0.1
    solve_fluxes(side, places, rounds=4)
    # Only a ring beyond the core is compared, where these wings fall more steeply.
    assert side.flux[0] == pytest.approx(flux, rel=0.25)


@pytest.fixture(scope="module")
def saturated_pair():
    return make_pair(seed=3, full=LEVEL)


@pytest.fixture(scope="module")
def table(saturated_pair):
    given = 0.98 * LEVEL
    return replace_stars(
        saturated_pair.deep,
        saturated_pair.sharp,
        options=ReplacementOptions(saturation_deep=given, saturation_sharp=given),
    ).table


def test_a_saturated_star_has_no_width(table):
    saturated, width = np.asarray(table["saturated_sharp"]), table["fwhm_after"].value
    assert saturated.sum() >= 2
    assert np.isnan(width[saturated]).all()
    # All others have the width they were drawn with; 3 % is asked of star widths everywhere.
    clear = ~saturated & (table["flux_sharp"].value > 5000) & (table["reason"] == "")
    assert np.isfinite(width[clear]).mean() > 0.9
    assert np.nanmedian(width[clear]) == pytest.approx(3.0, rel=0.03)


def test_the_level_is_found_as_where_it_is_given(saturated_pair, table):
    found = replace_stars(saturated_pair.deep, saturated_pair.sharp).table
    for name in ("saturated_deep", "saturated_sharp"):
        one, other = (t[np.asarray(t[name])] for t in (table, found))
        assert len(one) == len(other) >= 2
        assert np.allclose(np.sort(one["x"]), np.sort(other["x"]), atol=0.1)
