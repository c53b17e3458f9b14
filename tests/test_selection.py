"""Sets and weights against closed forms."""

import numpy as np
import pytest
from astropy.table import Table
from scipy.optimize import brentq

from framesort.errors import InputError
from framesort.records import add_column
from framesort.selection import (
    SetLimits,
    choose_sets,
    report_selection,
    summarise_sets,
    trace_trade_off,
)
from framesort.settings import Settings


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
        "heater_state": ["off" if grade == "sharp" else "on" for grade in grades],
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
    assert table["reason"][0] == "excluded by user" and table["reason"][3] == "added by user"
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


def ccd_equation(signal, pixels, sky, read_noise):
    """Signal to noise of a star, electrons, sky well known (Howell, Handbook of CCD Astronomy)."""
    return signal / np.sqrt(signal + pixels * (sky + read_noise**2))


def test_the_faintest_star_by_the_ccd_equation():
    # Own example of the equation, without the term for the sky's own error.
    assert ccd_equation(1e4, 29, 100.0, 3.0) == pytest.approx(87.17, abs=0.005)
    # One frame of 2 electrons per ADU on a sky of 100 e/px with 3 e of read noise.
    noise = np.sqrt(100 + 9) / 2
    table = graded(["sharp"], noise=np.array([noise]), gain=np.array([2.0]))
    choose_sets(table)
    found = summarise_sets(table, "L")[0].limit_flux
    pixels = 4 * np.pi * ((3 / 2.354820) ** 2 + 1 / 12)
    wanted = brentq(lambda flux: ccd_equation(2 * flux, pixels, 100.0, 3.0) - 10, 1, 1e5)
    assert found == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize(("gain", "times"), [(1e9, 10**0.8), (1e-6, 10**0.4)])
def test_exposure_for_one_magnitude_fainter(gain, times):
    """2.512 squared where the sky's noise decides, 2.512 where the star's own photons do."""
    table = graded(["sharp"] * 6, gain=np.full(6, gain))
    choose_sets(table)
    summary = summarise_sets(table, "L")[0]
    assert summary.fainter_minutes == pytest.approx((times - 1) * 12, rel=1e-3)
    # Six times as many frames as that asks for, and the limit is there: closed loop.
    more = graded(["sharp"] * round(6 * times), gain=np.full(round(6 * times), gain))
    choose_sets(more)
    fainter = summarise_sets(more, "L")[0].limit_flux
    # The number of frames is whole: half a frame of 15 is 3 %.
    assert fainter == pytest.approx(summary.limit_flux / 10**0.4, rel=0.03)


def test_magnitudes_with_a_zero_point():
    table = graded(["sharp"] * 6)
    choose_sets(table)
    told = report_selection(table, "L", zero_point=21.0)
    flux = told.sharp.limit_flux
    # Pogson: a star of 1 ADU per second has magnitude 21; 120 s frames.
    assert told.sharp.limit_magnitude == pytest.approx(21 - 2.5 * np.log10(flux / 120))
    assert f"magnitude {told.sharp.limit_magnitude:.1f}" in " ".join(told.sentences)
    assert np.isnan(report_selection(table, "L").sharp.limit_magnitude)
    assert "magnitude 2" not in " ".join(report_selection(table, "L").sentences)


def test_curve_says_how_many_heated_frames_are_in():
    table = graded(["sharp"] * 4 + ["usable"] * 3)
    choose_sets(table)
    curve = report_selection(table, "L").curve
    assert list(curve["heated"]) == [0, 0, 0, 0, 1, 2, 3]
    assert curve["hours"][-1] == pytest.approx(7 * 120 / 3600)


def test_a_limit_on_the_spike():
    table = graded(["sharp"] * 6, spike_strength=np.array([0, 0.001, 0.002, 0.006, 0.01, 0.02]))
    choose_sets(table, limits=SetLimits(max_spike=0.005, min_frames=1))
    assert list(table["sharp_set"]) == [True] * 3 + [False] * 3


def test_sentences_of_a_night_whose_heater_is_not_known():
    table = graded(["sharp"] * 6)
    choose_sets(table)
    add_column(table, "heater_state", ["unknown"] * 6)
    assert "is unknown" in report_selection(table, "L").sentences[0]


def test_zero_points_by_filter():
    settings = Settings(zero_point=("21.5", "Ha=19.25"))
    assert settings.zero_points() == {"": 21.5, "Ha": 19.25}
    with pytest.raises(InputError, match="FILTER=MAGNITUDE, got 'Ha=faint'"):
        Settings(zero_point=("Ha=faint",))
