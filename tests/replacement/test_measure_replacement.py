import dataclasses

import numpy as np
import pytest
from scenes_for_replacement import make_pair

from framesort.replacement import measure_replacement, replace_stars
from framesort.stars import measure_image


def test_a_good_result_is_told_to_be_good(pair, result):
    check = measure_replacement(result, pair.deep, pair.sharp)
    assert check.replaced == np.sum(result.table["reason"] == "")
    assert check.replaced + check.left_alone == len(result.table)
    # The pictures were drawn with stars of 3.0 px; 3 % is what the instrument is good for here.
    assert check.fwhm_sharp == pytest.approx(3.0, rel=0.03)
    assert check.fwhm_final == pytest.approx(check.fwhm_sharp, rel=0.02)
    assert check.fwhm_deep > 1.2 * check.fwhm_final
    assert check.flux_ratio == pytest.approx(1.0, abs=0.015)
    assert check.noise_ratio == pytest.approx(1.0, abs=0.1)
    assert len(check.worst) == 10
    assert check.notes == ()


def test_measurements_made_elsewhere_are_taken(pair, result):
    pictures = (pair.deep, pair.sharp, result.final)
    known = [measure_image(picture) for picture in pictures]
    check = measure_replacement(result, pair.deep, pair.sharp, quality=lambda: known)
    own = measure_replacement(result, pair.deep, pair.sharp)
    assert (check.fwhm_final, check.line_deep) == (own.fwhm_final, own.line_deep)
    assert (check.flux_ratio, check.notes) == (own.flux_ratio, own.notes)


def test_the_line_is_measured_before_and_after(pair, result):
    check = measure_replacement(result, pair.deep, pair.sharp)
    # Drawn at 25 degrees; the angles are binned by two degrees.
    assert check.line_angle == pytest.approx(25, abs=3)
    assert check.line_deep[0] > 5 * check.line_deep[1]
    assert abs(check.line_final[0]) < 0.2 * check.line_deep[0]


def test_a_bad_result_is_told_to_be_bad(pair, result):
    undone = dataclasses.replace(result, final=pair.deep)
    check = measure_replacement(undone, pair.deep, pair.sharp)
    assert any("px wide" in note for note in check.notes)
    assert any("line of light is left" in note for note in check.notes)


def test_a_sharp_stack_that_is_not_sharper_is_reported():
    pair = make_pair(widths=(3.1, 3.1), line=0.0, seed=4)
    result = replace_stars(pair.deep, pair.sharp)
    assert any("hardly sharper" in note for note in result.notes)
    check = measure_replacement(result, pair.deep, pair.sharp)
    assert any("hardly sharper" in note for note in check.notes)
