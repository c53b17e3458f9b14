"""Onset and decay of the heater's effect, on tables with known truth."""

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from scipy.optimize import brentq

from framesort.evidence import fit_onset
from framesort.evidence._onset_model import divide_exposures, find_knots, mix_widths, weigh_knots
from framesort.records import HeaterTrace, column_values

T0 = 1773522000.0
MINUTES = (31.0, 68.5, 97.3, 131.8, 164.1, 203.7, 236.2)
"""Changes of power: at some share of an exposure of five minutes."""
POWERS = (0.0, 100.0, 0.0, 60.0, 0.0, 100.0, 60.0, 0.0)
EDGES = np.r_[-np.inf, T0 + 60 * np.array(MINUTES), np.inf]
TRACE = HeaterTrace(edges=EDGES, power=np.array(POWERS))


def moffat_fwhm(shares, widths, beta=3.0):
    """FWHM of a sum of Moffat profiles, by root finding."""
    cores = np.asarray(widths) / (2 * np.sqrt(2 ** (1 / beta) - 1))

    def light(r):
        return np.sum(shares / cores**2 * (1 + (r / cores) ** 2) ** -beta)

    return 2 * brentq(lambda r: light(r) - 0.5 * light(0), 0.01, 20)


def follow(times, trace, warming, cooling):
    """The effect at dense times by small steps of its differential equation."""
    effect, out, step = trace.power[0], [], times[1] - times[0]
    for power in trace.power[np.searchsorted(trace.edges, times, side="right") - 1]:
        tau = 60 * (warming if power > effect else cooling)
        effect = power if tau == 0 else effect + (power - effect) * -np.expm1(-step / tau)
        out.append(effect)
    return np.array(out)


def make_table(
    *, trace=TRACE, exposure=292.0, cadence=300.0, frames=60, warming=0.0, cooling=0.0,
    whole=False, spike=0.03, growth=0.3, seed=1, first=0.0, exponent=0.0,
):  # fmt: skip
    """Frames with spike errors of 0.004, FWHM scatter of 2 %, seeing that walks 6 % an hour."""
    rng = np.random.default_rng(seed)
    exposure = np.broadcast_to(np.asarray(exposure, dtype=float), (frames,))
    start = T0 + first + cadence * np.arange(frames)
    times = np.arange(T0 - 600, start[-1] + 2 * cadence, 4.0)
    effect = follow(times, trace, warming, cooling)
    fwhm, strength = np.empty(frames), np.empty(frames)
    for i, begin in enumerate(start):
        level = effect[(times >= begin) & (times < begin + exposure[i])]
        level = np.sort(level)[::-1]
        share = np.arange(len(level) + 1) / len(level)
        if whole:
            share = -np.expm1(-share / 0.05) / -np.expm1(-1 / 0.05)
        share = np.diff(share)
        size = (exposure[i] / 120) ** exponent
        strength[i] = spike * size * np.sum(share * np.clip((level - 33) / 67, 0, None))
        wide = ((1 + growth) ** 2 - 1) * size**2
        fwhm[i] = moffat_fwhm(share, 2.6 * np.sqrt(1 + wide * (level / 100) ** 1.6))
    walk = np.cumsum(rng.normal(0, 0.06 * np.sqrt(cadence / 3600), frames))
    fwhm *= np.exp(walk + rng.normal(0, 0.02, frames))
    vector = strength * np.exp(2j * np.radians(62))
    vector = vector + rng.normal(0, 0.004, frames) + 1j * rng.normal(0, 0.004, frames)
    return Table(
        {
            "start": Time(start, format="unix", scale="utc"),
            "exposure": exposure,
            "filter": np.full(frames, "L"),
            "fwhm": fwhm,
            "spike_strength": np.abs(vector),
            "spike_angle": np.degrees(np.angle(vector)) / 2 % 180,
            "spike_strength_err": np.full(frames, 0.004),
        }
    )


def test_fwhm_of_a_mixture_is_not_linear_in_share():
    growth = np.log([1.0, 1.5])
    shares = np.array([[1 - s, s] for s in (0.0, 0.2, 0.5, 0.8, 1.0)])
    found, slope = mix_widths(shares, np.broadcast_to(growth, shares.shape))
    direct = [np.log(moffat_fwhm(share, 2 * np.exp(growth)) / 2) for share in shares]
    np.testing.assert_allclose(found, direct, atol=1e-6)
    # Half of the light in profiles half as wide again: far less than half of the growth.
    assert found[2] < 0.38 * growth[1]
    moved = mix_widths(shares, np.broadcast_to(growth + np.array([0, 1e-5]), shares.shape))[0]
    np.testing.assert_allclose(slope[:, 1], (moved - found) / 1e-5, atol=1e-4)


def test_weights_follow_the_differential_equation_and_the_law():
    begin = T0 + 60 * np.array([30.0, 66.0, 90.0])
    exposures = divide_exposures(begin, begin + 292, TRACE)
    assert list(exposures.holds) == [True, True, False]
    knots = find_knots(exposures)
    np.testing.assert_allclose(knots, [0, 100])
    at_once = weigh_knots(exposures, exposures.follow(0, 0), knots, (np.inf, 0.05), ((1, 0),))
    heated = np.array([232 / 292, 150 / 292, 0.0])
    np.testing.assert_allclose(at_once[0, 0, :, 1], heated, atol=1e-6)
    law = np.expm1(-heated / 0.05) / np.expm1(-1 / 0.05)
    np.testing.assert_allclose(at_once[1, 0, :, 1], law, atol=1e-6)
    times = np.arange(T0, begin[-1] + 300, 0.5)
    effect = follow(times, TRACE, 3.0, 6.0)
    slow = weigh_knots(exposures, exposures.follow(3, 6), knots, (np.inf,), ((1, 0),))[0, 0, :, 1]
    direct = [effect[(times >= b) & (times < b + 292)].mean() / 100 for b in begin]
    np.testing.assert_allclose(slow, direct, atol=0.003)  # steps of half a second


@pytest.mark.parametrize("whole", [False, True])
@pytest.mark.parametrize("seed", [1, 2])
def test_at_once_and_the_law_of_the_share(whole, seed):
    found = fit_onset(make_table(whole=whole, seed=seed), TRACE)
    assert (found.frames, found.switches, found.holding) == (60, 7, 7)
    assert found.both.law == ("whole" if whole else "mixture")
    assert found.both.warming.low95 == 0 and found.both.cooling.low95 == 0
    assert found.both.warming.high95 < 1.5
    assert "builds up at once" in found.sentences[0]
    assert ("nearly as a whole heated" if whole else "by its share of the light (") in (
        found.sentences[2]
    )


def test_warming_and_cooling_apart():
    found = fit_onset(make_table(warming=2.0, cooling=9.0, seed=3), TRACE)
    assert 1.0 < found.both.warming.value < 3.5
    assert 6.0 < found.both.cooling.value < 13.0
    assert found.both.warming.low95 <= 2.0 <= found.both.warming.high95 < found.both.cooling.low95
    assert found.both.cooling.low95 <= 9.0 <= found.both.cooling.high95
    assert "with a time constant of" in found.sentences[0]
    late = [p for p in found.points if not p.warming and 3 < p.minutes < 8 and np.isfinite(p.width)]
    # By hand: after 3 to 8 of 9 minutes a third to six tenths of the decay is reached.
    assert 0.1 < np.mean([p.width for p in late]) < 0.75


def test_frames_between_switches_only_do_not_decide():
    """Changes between exposures, ten minutes apart: neither law nor small time constants show."""
    between = HeaterTrace(
        edges=np.r_[-np.inf, T0 + 60 * np.array([55.0, 115.0, 175.0, 235.0]), np.inf],
        power=np.array([0.0, 100.0, 0.0, 100.0, 0.0]),
    )
    table = make_table(trace=between, exposure=60.0, cadence=600.0, frames=30)
    found = fit_onset(table, between)
    assert found.holding == 0
    assert found.both.law == ""
    assert abs(found.both.log_likelihood_difference) < 0.5
    assert "not decided by these frames, since no exposure holds a change" in found.sentences[2]
    assert "not decided" in found.sentences[0] or found.both.warming.high95 < 3


def test_a_heater_without_effect_decides_nothing():
    found = fit_onset(make_table(spike=0.0, growth=0.0, seed=5), TRACE)
    assert found.both is None and found.points == ()
    assert "show no clear effect of the heater" in found.sentences[0]


def test_a_weak_effect_does_not_decide():
    found = fit_onset(make_table(spike=0.006, growth=0.05, seed=7), TRACE)
    assert found.both.law == ""
    assert all("not decided" in line for line in found.sentences[1:3])


def test_outliers_and_missing_values():
    table = make_table(warming=8.0, cooling=8.0, seed=6)
    table["fwhm"][[5, 22, 41]] *= 1.7
    table["fwhm"][[7, 30]] = np.nan
    table["spike_strength"][[8, 31]] = np.nan
    table["exposure"][3] = np.nan
    found = fit_onset(table, TRACE)
    assert found.frames == 59
    for tau in (found.both.warming, found.both.cooling):
        assert tau.low95 <= 8 <= tau.high95
    del table["spike_strength"], table["spike_strength_err"], table["spike_angle"]
    alone = fit_onset(table, TRACE)
    assert alone.spike is None and alone.width is not None


def test_growth_with_exposure():
    exposure = np.where(np.arange(180) % 2, 20.0, 90.0)
    table = make_table(exposure=exposure, cadence=98.0, frames=180, exponent=0.5, growth=0.4)
    found = fit_onset(table, TRACE)
    for one in (found.spike_exponent, found.width_exponent):
        assert one.low95 <= 0.5 <= one.high95
        assert one.high95 - one.low95 < 0.6
    assert "grows with exposure time to the power of" in found.sentences[3]
    single = fit_onset(make_table(), TRACE)
    assert np.isnan(single.width_exponent.value) and len(single.sentences) == 3


def test_nights_that_cannot_show_it():
    table = make_table()
    constant = HeaterTrace(edges=np.array([-np.inf, np.inf]), power=np.array([60.0]))
    assert "did not change" in fit_onset(table, constant).sentences[0]
    assert "Too few frames" in fit_onset(table[:5], TRACE).sentences[0]
    elsewhere = HeaterTrace(edges=np.array([0.0, 10.0, 20.0]), power=np.array([0.0, 50.0]))
    assert fit_onset(table, elsewhere).frames == 0
    del table["spike_strength"]
    table["fwhm"] = np.nan
    found = fit_onset(table, TRACE)
    assert found.both is None and "not known" in found.sentences[0]
    assert np.isnan(column_values(table, "fwhm")).all()


def test_clock_offset_moves_the_log():
    ahead = HeaterTrace(edges=EDGES + 600, power=TRACE.power)
    table = make_table(seed=2)
    corrected = fit_onset(table, ahead, clock_offset=-600.0)
    expected = fit_onset(table, TRACE).both
    # Times of 1e9 seconds in double precision.
    assert corrected.both.whole == pytest.approx(expected.whole, abs=1e-6)
    assert corrected.both.cooling.high95 == pytest.approx(expected.cooling.high95, abs=1e-6)
