"""Heated frames in the sharp-star set: by what their stars show, and never at others' cost."""

import numpy as np
import pytest
from astropy.table import Table

from framesort.records import add_column
from framesort.selection import SetLimits, choose_sets, report_selection
from framesort.selection._blur import find_too_blurred
from framesort.tags import tag_frames


def night(powers, growth, spike, *, scatter=0.05, seed=1, off=12):
    """Twelve heater-off frames, then some at each power, wider and with a spike by so much."""
    rng = np.random.default_rng(seed)
    power = np.r_[np.zeros(off), np.repeat(np.asarray(powers, dtype=float), 6)]
    wider = np.r_[np.zeros(off), np.repeat(growth, 6)]
    light = np.r_[np.zeros(off), np.repeat(spike, 6)]
    n = len(power)
    # Widths of one night at quantiles of a normal distribution: no luck of the draw in them.
    quiet = scatter * np.array([-1.5, -1.1, -0.8, -0.5, -0.3, -0.1, 0.1, 0.3, 0.5, 0.8, 1.1, 1.5])
    seeing = np.r_[np.resize(quiet, off), rng.normal(0, scatter, n - off)]
    table = Table()
    for name, value in {
        "file": [f"f{i:03d}.fits" for i in range(n)],
        "exposure": np.full(n, 60.0),
        "filter": ["L"] * n,
        "group": ["L"] * n,
        "binning": np.ones(n, dtype=int),
        "heater_share": (power > 0).astype(float),
        "heater_power": power,
        "heater_state": np.where(power > 0, "on", "off").tolist(),
        "fwhm": 3.0 * (1 + wider) * (1 + seeing),
        "half_flux_radius": np.full(n, 1.8),
        "eccentricity": np.full(n, 0.3),
        "spike_strength": light + rng.normal(0, 0.0005, n),
        "spike_strength_err": np.full(n, 0.001),
        "noise": np.full(n, 10.0),
        "transparency": np.ones(n),
        "reason": [""] * n,
    }.items():
        add_column(table, name, value)
    tag_frames(table)
    return table


def sharp_by_power(table, **limits):
    choose_sets(table, limits=SetLimits(**limits))
    power, sharp = np.asarray(table["heater_power"]), np.asarray(table["sharp_set"])
    return {float(level): int(sharp[power == level].sum()) for level in np.unique(power)}


def test_heat_without_measurable_effect_is_let_in_and_reported():
    table = night([30], [-0.02], [0.0])
    found = sharp_by_power(table)
    assert found[0.0] == 12 and found[30.0] >= 4
    reasons = set(table["reason"][table["sharp_set"] & (table["heater_power"] > 0)])
    assert reasons == {"heated but sharp"}
    told = " ".join(report_selection(table, "L").sentences)
    assert f"{found[30.0]} heated frames are in the sharp-star set" in told
    assert sharp_by_power(table, max_power=20)[30.0] == 0
    assert sharp_by_power(table, max_power=30)[30.0] == found[30.0]
    assert sharp_by_power(table, max_share=0.5)[30.0] == 0
    told = " ".join(report_selection(table, "L").sentences)
    assert "heated frames are in the sharp-star set" not in told


@pytest.mark.parametrize(("growth", "spike"), [(0.12, 0.0), (0.0, 0.006), (0.3, 0.03)])
@pytest.mark.parametrize("seed", range(6))
def test_heat_that_widens_or_streaks_is_not(growth, spike, seed):
    # Widening of 12 % at a scatter of 5 % is 4 standard errors of six frames' median; single
    # frames in good seeing are as narrow as heater-off ones and are refused with the others.
    table = night([30, 60], [0.0, growth], [0.0, spike], seed=seed)
    assert sharp_by_power(table)[60.0] == 0


def test_more_power_is_not_less_heat():
    """Frames at 90 % that happen to look good are refused where those at 60 % are wider."""
    assert sharp_by_power(night([60, 90], [0.3, -0.02], [0.02, 0.0]))[90.0] == 0


def test_without_an_error_of_the_spike_nothing_is_known():
    table = night([30], [-0.02], [0.0])
    table["spike_strength"][12:] = np.nan
    table["spike_strength_err"][12:] = np.nan
    table["reason"] = np.full(len(table), "", dtype="U60")
    tag_frames(table)
    assert sharp_by_power(table)[30.0] == 0


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("heated", ["good", "bad", "none"])
def test_heater_off_frames_never_depend_on_heated_ones(seed, heated):
    """Whatever heated frames there are and whatever limits: the same heater-off frames."""
    powers = {"good": ([30], [-0.05], [0.0]), "bad": ([80], [0.4], [0.03]), "none": ([], [], [])}
    alone = night([], [], [], seed=seed, off=12)
    alone["fwhm"][:8] *= 1.5  # few sharp ones: the set is filled up
    table = night(*powers[heated], seed=seed)
    table["fwhm"][:8] *= 1.5
    for one in (alone, table):
        one["reason"] = np.full(len(one), "", dtype="U60")
        tag_frames(one)
    for limits in ({}, {"max_share": 1.0}, {"max_power": 0.0}):
        sharp_by_power(alone, **limits)
        sharp_by_power(table, **limits)
        np.testing.assert_array_equal(table["sharp_set"][:12], alone["sharp_set"][:12])


def snr(fwhm, weight):
    """Of a faint star in the stack, by drawing the profiles: matched filter, sums over pixels."""
    y, x = np.mgrid[-60:61, -60:61]
    total = 0.0
    for width, w in zip(fwhm, weight, strict=True):
        variance = (width / 2.354820) ** 2 + 1 / 12
        total += w * np.exp(-(x**2 + y**2) / (2 * variance)) / (2 * np.pi * variance)
    return np.sqrt(np.sum(total**2) / np.sum(weight))


def test_a_frame_pays_for_its_blur_up_to_the_root_of_three():
    width = np.r_[np.full(400, 6.0), 6.0 * 1.70]
    assert not find_too_blurred(width, np.ones(401)).any()
    width[-1] = 6.0 * 1.76
    assert list(np.flatnonzero(find_too_blurred(width, np.ones(401)))) == [400]


def test_what_is_left_out_raises_the_signal_to_noise():
    rng = np.random.default_rng(3)
    width, weight = rng.uniform(3, 5, 24), rng.uniform(0.3, 1.5, 24)
    width[:5] = [9.0, 12.0, 7.0, 15.0, 6.0]
    out = find_too_blurred(width, weight)
    assert out[:5].tolist()[3] and not out[5:].any()
    best = snr(width[~out], weight[~out])
    assert best > snr(width, weight)
    for k in range(24):  # one more or one less is no better
        other = ~out
        other[k] = not other[k]
        assert snr(width[other], weight[other]) <= best * (1 + 1e-9)
    assert not find_too_blurred(np.array([3.0, np.nan]), np.ones(2)).any()


def test_limit_of_the_deep_set():
    table = night([60, 100], [0.2, 2.0], [0.02, 0.05])
    choose_sets(table)
    hot = np.asarray(table["heater_power"]) == 100
    assert not table["deep_set"][hot].any() and table["deep_set"][~hot].all()
    assert all("too blurred" in reason for reason in table["reason"][hot])
    assert "6 frames are not in the deep-signal set" in " ".join(
        report_selection(table, "L").sentences
    )
    table["reason"] = np.full(len(table), "", dtype="U60")
    choose_sets(table, limits=SetLimits(deep_max_fwhm=1000))
    assert table["deep_set"].all()
    choose_sets(table, limits=SetLimits(deep_max_fwhm=1.0))  # the sharp set is always in it
    np.testing.assert_array_equal(table["deep_set"], table["sharp_set"])
    assert table["sharp_set"].sum() >= 12
