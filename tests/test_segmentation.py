"""The segmentation measurer compared with the built-in one and with the truth."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from framesort.plugins import find_plugin, list_plugins
from framesort.quality import measure_frames, measure_segments
from framesort.simulation import simulate_stacks
from framesort.stars import measure_image

pytestmark = pytest.mark.slow

LEVEL = 6e4


@pytest.fixture(scope="module", params=[2.8, 4.0])
def frame(request):
    """A frame of Moffat stars on an even sky, and its truth."""
    return simulate_stacks(
        rng=5, shape=(600, 800), count=200, nebula=0.0, spike=0.0, sharp_fwhm=request.param
    )


@pytest.fixture(scope="module")
def both(frame):
    """Both measurements, and the rows of stars that both call clean."""
    one = measure_segments(frame.sharp, saturation=LEVEL)
    two = measure_image(frame.sharp, saturation=LEVEL)
    a, b = one.star_list, two.star_list
    apart, match = cKDTree(np.c_[b["x"], b["y"]]).query(np.c_[a["x"], a["y"]])
    here = np.flatnonzero((apart < 1) & a["clean"] & b["clean"][match])
    assert len(here) >= 30
    return one, two, a[here], b[match[here]]


def test_positions_agree(both):
    _, two, a, b = both
    # Cramer-Rao: FWHM / (2.355 S/N) per axis. A distance in two axes stays below 3.7 of it in
    # 99.9 % of cases (Rayleigh), and the two share the frame's noise.
    limit = 3.7 / 2.355 * two.fwhm * b["flux_err"] / b["flux"]
    assert np.all(np.hypot(a["x"] - b["x"], a["y"] - b["y"]) < limit + 0.005)


def test_fluxes_agree(both):
    *_, a, b = both
    ratio = np.asarray(a["flux"] / b["flux"])
    # A Kron aperture holds 94 % of the light and more (Bertin & Arnouts 1996, A&AS 117, 393,
    # section 7.1; Kron 1980).
    assert 0.94 < np.median(ratio) < 1.02
    bright = np.asarray(b["flux"] > 200 * b["flux_err"])
    assert bright.sum() >= 5
    # The aperture may take in a faint neighbour that the built-in fit separates.
    assert np.mean((ratio[bright] > 0.94) & (ratio[bright] < 1.02)) > 0.8


def test_widths_agree(both):
    one, two, _, _ = both
    # One definition, two ways: splines through pixels of 2.9 per FWHM and the noise of the top
    # (S/N 30 in the light, a tenth of it in one pixel) shift half maximum by a few percent.
    assert one.fwhm == pytest.approx(two.fwhm, rel=0.04)
    assert one.half_flux_radius == pytest.approx(two.half_flux_radius, rel=0.04)


def test_sky_and_noise_agree(frame, both):
    one, two, _, _ = both
    # Boxes of 64 x 64 pixels, 120 of them: the level is known to a hundredth of the noise.
    assert one.sky == pytest.approx(two.sky, abs=0.02 * two.noise)
    assert one.noise == pytest.approx(two.noise, rel=0.05)


def test_saturated_stars_are_flagged_and_not_clean(frame):
    stars = measure_segments(np.minimum(frame.sharp, 3000.0), saturation=3000.0).star_list
    assert 3 < stars["saturated"].sum() < len(stars) / 2
    assert not np.any(stars["saturated"] & stars["clean"])


def test_missing_pixels_are_left_out(frame):
    whole = measure_segments(frame.sharp, saturation=LEVEL)
    image = frame.sharp.copy()
    image[:, :120] = np.nan
    part = measure_segments(image, saturation=LEVEL)
    assert part.fwhm == pytest.approx(whole.fwhm, rel=0.03)
    assert part.star_list["x"].min() > 118


def test_an_empty_sky_has_few_stars():
    empty = np.random.default_rng(1).normal(100, 3, (200, 200))
    quality = measure_segments(empty)
    assert quality.reason == "few stars" and quality.stars == 0
    assert quality.sky == pytest.approx(100, abs=0.1)
    assert quality.noise == pytest.approx(3, rel=0.05)


def test_it_is_chosen_by_name(frame, tmp_path):
    from astropy.io import fits

    assert "segmentation" in list_plugins("star_measurer")
    fits.writeto(tmp_path / "a.fits", frame.sharp)
    measurer = find_plugin("star_measurer", "segmentation")
    (quality,) = measure_frames([tmp_path / "a.fits"], saturation=LEVEL, measurer=measurer)
    assert quality.fwhm == measure_segments(frame.sharp, saturation=LEVEL).fwhm
