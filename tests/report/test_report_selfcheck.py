"""The self-check on the page, the map of widths, and what to do next time."""

import base64
import io

import numpy as np
import pytest
from astropy.table import Table
from matplotlib.figure import Figure
from matplotlib.image import imread

from framesort.errors import InputError
from framesort.report import draw_field, draw_residual, measure_residual, read_results
from framesort.report._field import median_widths
from framesort.report._groups import show_groups
from framesort.report._next import describe_next, minutes_fainter
from framesort.report._residual import LIMIT, residual_colours, shrink_residual
from framesort.report._trust import check_group, describe_trust

SHAPE = 240, 320


@pytest.fixture
def pair():
    """A sharp stack with nebula and a final picture that has it all at thrice the flux scale."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    sky = 300 + 80 * np.exp(-((x - 160) ** 2 + (y - 120) ** 2) / (2 * 40**2))
    sharp = sky + rng.normal(0, 4, SHAPE)
    final = 3 * sky + 50 + rng.normal(0, 5, SHAPE)
    return final.astype(np.float32), sharp.astype(np.float32)


def test_residual_of_equal_skies_is_noise_of_unit_width(pair):
    residual = measure_residual(*pair, scale=3.0)
    # Noise is hypot(5, 3 * 4) = 13 throughout; 76800 pixels tell their scatter to 0.3 %, the
    # noise map (boxes of 64 x 64 pixels) is good to about 1 %.
    assert np.std(residual) == pytest.approx(1.0, abs=0.03)
    assert abs(np.mean(residual)) < 0.03


def test_residual_shows_a_star_that_is_too_bright_and_keeps_gaps(pair):
    final, sharp = pair
    final[100:103, 50:53] += 13 * 8
    final[10, 10] = np.nan
    residual = measure_residual(final, sharp, scale=3.0)
    assert residual[101, 51] > LIMIT and np.isnan(residual[10, 10])
    colours = residual_colours(residual)
    # More light is red, no data black.
    assert colours[101, 51, 0] > 0.9 > colours[101, 51, 2] and not colours[10, 10].any()


def test_shrunken_residual_is_in_units_of_its_own_noise(pair):
    small = shrink_residual(measure_residual(*pair, scale=3.0), longest=80)
    assert small.shape == (60, 80)
    # 4800 blocks: 1 % from chance, as much from the noise map.
    assert np.std(small) == pytest.approx(1.0, abs=0.06)


def test_residual_needs_one_shape(pair):
    with pytest.raises(InputError, match="one shape"):
        measure_residual(pair[0], pair[1][1:])


def test_residual_is_drawn_with_y_up(pair):
    axes = Figure().subplots()
    draw_residual(axes, measure_residual(*pair, scale=3.0))
    (image,) = axes.images
    assert image.origin == "lower" and image.get_array().shape == (*SHAPE, 3)


def test_page_holds_residual_and_ten_worst_stars(merged_night):
    (page, _) = show_groups(read_results(merged_night))
    assert len(page.worst) == 10  # of twelve in the summary
    assert [name for name, _ in page.worst[0].pictures] == ["deep", "sharp", "final", "difference"]
    assert page.worst[0].caption == "x 40, y 60: 900 ADU, 3.0 sigma"
    data = page.worst[0].pictures[0][1].split(",")[1]
    assert imread(io.BytesIO(base64.b64decode(data)), format="jpg").shape[0] == page.worst[0].side
    assert (page.residual.width, page.residual.height) == (320, 200)
    assert [name for name, _ in page.stars[0].pictures] == ["deep", "sharp", "final"]


@pytest.mark.parametrize(("beyond", "passed"), [(0.0001, True), (0.02, False)])
def test_picture_that_differs_is_not_trusted_blindly(merged_night, beyond, passed):
    results = read_results(merged_night)
    checks = {group.label: check_group(group, beyond=beyond) for group in results.groups}
    trust = describe_trust(results, checks)
    found = [c for _, c in trust.shortcomings if c.name == "agreement with the sharp stack"]
    assert (not found) is passed
    if not passed:
        assert trust.verdict == "With care." and found[0].sentence.startswith("2.0 % of the")


def _star(**changes):
    good = {"width_ratio": 1.0, "width_error": 0.001, "flux_ratio": 1.0, "flux_error": 0.001}
    return {"star_bins": [good | changes]}


def _spike(sigma, share):
    return {"spikes": [{"x": 1.0, "y": 1.0, "sigma": sigma, "share": share, "sigma_deep": 99.0}]}


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        (_star(flux_ratio=1.015), "Yes."),
        (_star(flux_ratio=1.025), "With care."),
        (_star(flux_ratio=1.025, flux_error=0.01), "Yes."),  # not three errors
        (_star(flux_ratio=0.9), "No."),
        (_star(width_ratio=1.04), "With care."),
        (_star(width_ratio=1.2), "No."),
        ({"noise_ratio": 0.7}, "With care."),
        ({"noise_ratio": 1.5, "noise_ratio_deep": 1.45}, "Yes."),  # starlight's own
        (_spike(8.0, 0.1), "With care."),
        (_spike(-8.0, -0.1), "With care."),
        (_spike(8.0, 0.01), "With care."),
        (_spike(4.0, 0.1), "Yes."),
        ({"spike_left": 0.3}, "No."),
        ({"spike_left": -0.3}, "No."),
        ({"blemishes": [{"x": 9.0, "y": 9.0, "sigma": -9.0}]}, "With care."),
        ({"false_share": 0.2}, "With care."),
        ({"chains": 1}, "With care."),
        ({"structure_error": 0.8}, "With care."),
        ({"structure_error": 1.5}, "No."),
        ({"structure_error": 1.5, "one_sky": False}, "Yes."),
        ({"better_share": 0.8}, "With care."),
        ({"better_share": 0.3}, "No."),
        ({"scale_ratio": 1.07}, "With care."),
        ({"scale_ratio": 1.2}, "No."),
    ],
)
def test_self_check_counts(night_writer, tmp_path, change, verdict):
    def alter(table, told):
        told["groups"][0]["left"] = 2
        told["groups"][0]["check"] |= change

    trust = describe_trust(read_results(night_writer(tmp_path / "night", change=alter)))
    assert trust.verdict == verdict
    assert verdict == "Yes." or trust.shortcomings[0][1].advice


def test_page_shows_the_places_that_are_not_good(night_writer, tmp_path):
    def alter(table, told):
        told["groups"][0]["check"] |= _spike(-8.0, -0.1) | {
            "blemishes": [{"x": 60.0 + 9 * i, "y": 70.0, "sigma": -20.0 + i} for i in range(5)]
        }

    (page,) = show_groups(read_results(night_writer(tmp_path / "night", change=alter)))
    captions = [strip.caption for strip in page.failed_places]
    assert captions[:3] == [f"x {60 + 9 * i}, y 70: hole or lump, {i - 20} sigma" for i in range(3)]
    # The other lines passed: their places are not shown.
    assert captions[3:] == ["x 1, y 1: spike, -8.0 sigma"]


def test_widths_over_the_field_are_those_of_its_parts():
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 600, 3000), rng.uniform(0, 400, 3000)
    stars = Table({"x": x, "y": y, "fwhm_after": 2 + x / 600})
    widths = median_widths(stars, column="fwhm_after", shape=(400, 600))
    # Centres of six parts along x, the same in each of the four rows; the median of some 125
    # stars spread over a part of 0.17 px is good to 0.17 / sqrt(12) * 1.25 / sqrt(125) = 0.005.
    assert widths.shape == (4, 6)
    assert np.allclose(widths, 2 + (np.arange(6) + 0.5) / 6, atol=0.025)


def test_few_or_faint_stars_give_no_width():
    stars = Table({"x": [10.0] * 4, "y": [10.0] * 4, "fwhm_after": [2.0] * 4})
    assert np.isnan(median_widths(stars, column="fwhm_after", shape=(400, 600))).all()
    x = np.linspace(0, 599, 600)
    stars = Table({"x": x, "y": x / 1.5, "fwhm_after": np.where(x < 300, 9.0, 2.0)})
    stars["flux_deep"], stars["flux_deep_err"] = np.where(x < 300, 20.0, 900.0), 10.0
    axes = Figure().subplots()
    draw_field(axes, stars, shape=(400, 600))
    shown = {text.get_text() for text in axes.texts}
    assert shown == {"2.00", "–"}  # the noisy wide ones do not count


def test_no_widths_say_so():
    axes = Figure().subplots()
    draw_field(axes, Table({"x": [1.0], "y": [1.0]}), shape=(40, 60))
    assert axes.texts[0].get_text() == "not measured"


def test_a_magnitude_takes_six_times_the_time(merged_night):
    group = read_results(merged_night).groups[0]
    # 0.3 h of the fixture; S/N grows with the root of time, a magnitude is 10^0.4 in light.
    assert minutes_fainter(group) == pytest.approx(18 * (6.3096 - 1), rel=1e-4)


def test_next_time_begins_with_the_power_and_names_incidents(night_writer, tmp_path):
    def alter(table, told):
        table["reason"][-1] = "heated; dew"
        told["groups"][0]["advice"] += ["Stars fainter than 9 ADU are below the noise."]

    results = read_results(night_writer(tmp_path / "night", filters=("L", "Ha"), change=alter))
    sentences = describe_next(results)
    assert sentences[0].startswith("Highest acceptable power: about 12 %")
    told = " ".join(sentences)
    assert "96 min in L (120 s) and 96 min in Ha (120 s)" in told
    assert "in 1 frame the power changed" in told
    # The last of 60 frames, 150 s apart from 19:40.
    assert "Dew formed from about 22:07 UTC" in told
    assert "Stars fainter than" not in told  # a number of the table, no deed


def test_a_part_heated_frame_of_the_sharp_set_is_no_incident(night_writer, tmp_path):
    def alter(table, told):
        table["sharp_set"] |= np.asarray(table["heater_state"]) == "part"

    results = read_results(night_writer(tmp_path / "night", change=alter))
    assert "the power changed" not in " ".join(describe_next(results))
