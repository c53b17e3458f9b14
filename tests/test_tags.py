"""Grades on tables whose right answer is known by construction."""

import numpy as np
import pytest
from astropy.table import Table

from framesort.records import REASONS, add_column
from framesort.tags import KEEP_OUT, GradeLimits, find_dew, measure_reference_quality, tag_frames


def night(n_off=10, n_on=10, **columns):
    """A table of unheated frames followed by heated ones, all else equal but small scatter."""
    n = n_off + n_on
    rng = np.random.default_rng(5)
    table = Table()
    values = {
        "file": [f"f{i:03d}.fits" for i in range(n)],
        "exposure": np.full(n, 60.0),
        "filter": ["L"] * n,
        "group": ["L"] * n,
        "binning": np.ones(n, dtype=int),
        "heater_share": np.r_[np.zeros(n_off), np.ones(n_on)],
        "fwhm": np.r_[np.full(n_off, 3.0), np.full(n_on, 4.2)] + rng.normal(0, 0.03, n),
        "half_flux_radius": np.r_[np.full(n_off, 1.8), np.full(n_on, 2.5)],
        "eccentricity": 0.30 + rng.normal(0, 0.01, n),
        "spike_strength": np.r_[np.zeros(n_off), np.full(n_on, 0.05)],
        "spike_strength_err": np.full(n, 0.004),
        "noise": np.full(n, 10.0),
        "transparency": np.ones(n),
        "reason": [""] * n,
    }
    for name, value in {**values, **columns}.items():
        add_column(table, name, value)
    return table


def test_unheated_are_sharp_and_heated_are_usable():
    table = night()
    tag_frames(table)
    assert set(table["grade"][:10]) == {"sharp"}
    assert set(table["grade"][10:]) == {"usable"}
    assert table["reason"][12] == "heated; spike; wide stars"


def test_a_fifth_of_heating_is_never_sharp():
    # Common practice: a frame heated for a fifth of its time is spoiled nearly like a whole one.
    table = night()
    table["heater_share"][3] = 0.2
    tag_frames(table)
    assert table["grade"][3] == "usable"
    assert table["reason"][3] == "part heated"
    tag_frames(table, limits=GradeLimits(max_share=0.25))
    assert table["grade"][3] == "sharp"


@pytest.mark.parametrize(
    ("column", "value", "grade", "code"),
    [
        ("fwhm", 3.6, "usable", "poor focus"),
        ("fwhm", 6.0, "poor", "poor focus"),
        ("eccentricity", 0.55, "usable", "trailed"),
        ("eccentricity", 0.85, "poor", "trailed"),
        ("transparency", 0.7, "usable", "cloud"),
        ("transparency", 0.3, "poor", "cloud"),
        ("noise", 20.0, "usable", "bright sky"),
        ("spike_strength", 0.05, "usable", "spike"),
        ("heater_share", np.nan, "usable", "state unknown"),
    ],
)
def test_each_fault_has_its_reason(column, value, grade, code):
    table = night()
    table[column][4] = value
    tag_frames(table)
    assert table["grade"][4] == grade
    assert code in table["reason"][4].split("; ")
    others = np.delete(np.arange(10), 4)
    assert set(table["grade"][others]) == {"sharp"}


def test_frames_that_were_not_measured_have_no_grade():
    table = night()
    table["reason"][0], table["fwhm"][0] = "unreadable", np.nan
    tag_frames(table)
    assert table["grade"][0] == "" and table["reason"][0] == "unreadable"


def test_reference_frames_of_another_exposure_when_there_is_none():
    table = night()
    table["group"][10:], table["exposure"][10:] = "L-300s", 300.0
    reference = measure_reference_quality(table, "L-300s")
    assert reference.source == "nearest"
    assert reference.fwhm == pytest.approx(3.0, abs=0.05)
    tag_frames(table)
    assert all("no heater-off reference" in reason for reason in table["reason"][10:])


def test_without_log_the_best_frames_are_the_reference_frames():
    table = night(heater_share=np.full(20, np.nan))
    tag_frames(table)
    assert set(table["grade"][:10]) == {"sharp"}
    assert "sharp" not in set(table["grade"][10:])


def fading(rng, *, halos, n=14):
    fade = np.r_[np.ones(6), np.linspace(1, 0.75, n - 6)]
    halo = np.r_[np.full(6, 0.60), np.linspace(0.60, 0.68, n - 6)] if halos else np.full(n, 0.60)
    return fade + rng.normal(0, 0.005, n), 3.0 * (halo + rng.normal(0, 0.002, n))


@pytest.mark.parametrize("halos", [True, False])
def test_dew_is_fading_with_growing_halos(halos):
    rng = np.random.default_rng(8)
    clear, radius = fading(rng, halos=halos)
    table = night(14, 0, transparency=clear, half_flux_radius=radius, fwhm=np.full(14, 3.0))
    found = find_dew(table)
    assert found[-4:].all() == halos
    assert not found[:4].any()
    if not halos:
        assert not found.any()


def test_steady_frames_are_not_dewing():
    # 200 nights of pure scatter: less than 2 in a hundred may be taken for dew.
    rng = np.random.default_rng(11)
    false = 0
    for _ in range(200):
        table = night(
            12,
            0,
            transparency=1 + rng.normal(0, 0.03, 12),
            half_flux_radius=3 * (0.6 + rng.normal(0, 0.01, 12)),
            fwhm=np.full(12, 3.0),
        )
        false += find_dew(table).any()
    assert false <= 4


def test_reasons_that_bar_are_in_the_registry():
    assert set(REASONS) >= KEEP_OUT


def test_noise_of_another_exposure_is_scaled():
    """Frames of 240 s have twice the sky noise of 60 s: that is no bright sky."""
    table = night()
    table["group"][10:], table["exposure"][10:] = "L-240s", 240.0
    table["noise"][10:] = 20.0
    assert measure_reference_quality(table, "L-240s").noise == pytest.approx(20.0)
    tag_frames(table)
    assert not any("bright sky" in reason for reason in table["reason"])


def test_stars_wide_on_one_side_only_are_not_the_heater_s():
    tilt = {
        "fwhm_centre": np.full(20, 3.0),
        "fwhm_tilt": np.full(20, 0.1),
        "fwhm_tilt_err": np.full(20, 0.05),
    }
    table = night(20, 0, **tilt)
    # A plane: 3.0 in the middle, 2.2 and 3.8 at its ends; its median is wider by curvature.
    for row, width, centre, slope in ((4, 3.5, 3.05, 1.6), (5, 3.5, 3.5, 0.2), (6, 3.5, 3.5, 1.6)):
        table["fwhm"][row], table["fwhm_centre"][row] = width, centre
        table["fwhm_tilt"][row] = slope
    tag_frames(table)
    assert table["reason"][4] == "tilted field" and table["grade"][4] == "usable"
    assert table["reason"][5] == table["reason"][6] == "poor focus"
    assert not any(table["reason"][:4])


def test_dew_of_a_night_whose_heater_is_not_known():
    rng = np.random.default_rng(8)
    clear, radius = fading(rng, halos=True)
    table = night(
        14,
        0,
        transparency=clear,
        half_flux_radius=radius,
        fwhm=np.full(14, 3.0),
        heater_share=np.full(14, np.nan),
    )
    assert find_dew(table)[-4:].all()
