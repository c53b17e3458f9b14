"""Sets and weights against closed forms."""

import numpy as np
import pytest
from astropy.table import Table

from framesort.errors import InputError
from framesort.records import add_column
from framesort.selection import SetLimits, choose_sets, summarise_sets, trace_trade_off


def graded(grades, **columns):
    n = len(grades)
    table = Table()
    values = {
        "file": [f"night/f{i}.fits" for i in range(n)],
        "exposure": np.full(n, 120.0),
        "group": ["L"] * n,
        "heater_share": np.where(np.array(grades) == "sharp", 0.0, 1.0),
        "fwhm": np.where(np.array(grades) == "sharp", 3.0, 4.0),
        "eccentricity": np.full(n, 0.3),
        "noise": np.full(n, 10.0),
        "transparency": np.ones(n),
        "grade": list(grades),
        "reason": [""] * n,
    }
    for name, value in {**values, **columns}.items():
        add_column(table, name, value)
    return table


def test_sets_follow_grades():
    table = graded(["sharp"] * 5 + ["usable"] * 4 + ["poor", ""])
    choose_sets(table)
    assert list(table["sharp_set"]) == [True] * 5 + [False] * 6
    assert list(table["deep_set"]) == [True] * 9 + [False] * 2


def test_deep_weights_are_inverse_variance():
    # Inverse-variance weights for sigma 1, 2, 4: 0.761905, 0.190476, 0.047619; sd 0.872872
    # (closed form).
    table = graded(["sharp"] * 3, noise=np.array([1.0, 2.0, 4.0]))
    choose_sets(table)
    weights = np.array(table["weight_deep"])
    assert weights / weights.sum() == pytest.approx([0.761905, 0.190476, 0.047619], abs=1e-6)
    assert summarise_sets(table, "L")[1].depth == pytest.approx(0.872872, abs=1e-6)


def test_half_transparent_frame_counts_a_quarter():
    table = graded(["sharp"] * 3, transparency=np.array([1.0, 1.0, 0.5]))
    choose_sets(table)
    assert table["weight_deep"][2] / table["weight_deep"][0] == pytest.approx(0.25)


def test_too_few_sharp_frames_are_filled_with_the_best_unheated():
    grades = ["sharp", "sharp", "usable", "usable", "usable", "usable"]
    table = graded(
        grades,
        heater_share=np.array([0, 0, 0, 0, 0, 1.0]),
        fwhm=np.array([3.0, 3.0, 3.9, 3.3, 3.5, 3.1]),
    )
    choose_sets(table, limits=SetLimits(min_frames=4))
    assert list(table["sharp_set"]) == [True, True, False, True, True, False]


def test_user_has_the_last_word():
    table = graded(["sharp"] * 3 + ["poor"])
    choose_sets(table, keep_in=["f3.fits"], leave_out=["night/f0.fits"])
    assert list(table["sharp_set"]) == [False, True, True, True]
    assert list(table["deep_set"]) == [False, True, True, True]
    assert table["reason"][0] == "left out by hand" and table["reason"][3] == "added by hand"
    with pytest.raises(InputError, match="no frame of the night has this name"):
        choose_sets(table, keep_in=["f9.fits"])
    with pytest.raises(InputError, match="at once"):
        choose_sets(table, keep_in=["f1.fits"], leave_out=["f1.fits"])


def test_limits_of_the_set():
    table = graded(["sharp"] * 6, fwhm=np.array([3.0, 3.1, 3.2, 3.3, 3.4, 3.5]))
    choose_sets(table, limits=SetLimits(max_fwhm=3.25))
    assert list(table["sharp_set"]) == [True] * 3 + [False] * 3


def test_limit_flux_is_ten_sigma_over_the_noise_equivalent_area():
    # Noise-equivalent area of a Gaussian sampled by pixels, FWHM 3: 21.451 px (King 1983);
    # the rule 4 pi (sigma^2 + 1/12) that is used is 0.04 % below the exact sum, its root 0.02 %.
    table = graded(["sharp"] * 4)
    choose_sets(table)
    summary = summarise_sets(table, "L")[0]
    assert summary.depth == pytest.approx(5.0)
    assert summary.limit_flux == pytest.approx(10 * 5.0 * np.sqrt(21.451), rel=5e-4)


def test_trade_off_gets_deeper_and_wider():
    table = graded(["sharp"] * 4 + ["usable"] * 12)
    choose_sets(table)
    curve = trace_trade_off(table, "L")
    assert list(curve["frames"]) == list(range(1, 17))
    assert np.all(np.diff(curve["depth"]) < 0) and np.all(np.diff(curve["fwhm"]) >= 0)
    assert curve["depth"][-1] == pytest.approx(10 / 4)
    assert len(trace_trade_off(table, "Ha")) == 0
