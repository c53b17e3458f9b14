"""A simulated heater whose effect is slow, saturates with the share, or changes at night."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.table import Table
from scipy.integrate import solve_ivp

from framesort.errors import InputError
from framesort.records import HeaterTrace
from framesort.simulation import read_scenario, simulate_night
from framesort.simulation._heater import Heater
from framesort.simulation._onset import follow_power, split_power, weigh_parts
from framesort.simulation._timeline import plan_exposures

TRACE = HeaterTrace(
    edges=np.array([-np.inf, 600.0, 1500.0, 1620.0, np.inf]),
    power=np.array([0.0, 100.0, 30.0, 0.0]),
)


@pytest.mark.parametrize(("warming", "cooling"), [(2.0, 5.0), (8.0, 1.0)])
def test_the_effect_solves_its_differential_equation(warming, cooling):
    def slope(t, x):
        power = TRACE.power[np.searchsorted(TRACE.edges, t, side="right") - 1]
        return (power - x) / (60 * (warming if power > x[0] else cooling))

    effect = follow_power(TRACE, warming=warming, cooling=cooling)
    seen = solve_ivp(slope, (0, 3000), [0.0], max_step=1.0, dense_output=True, rtol=1e-6).sol
    for start in np.arange(0, 2900, 75.0):
        parts = effect.split(start, start + 60)
        assert sum(share for share, _ in parts) == pytest.approx(1, abs=1e-12)
        mean = seen(np.linspace(start, start + 60, 601))[0].mean()
        # The integrator's steps of a second across a switch; effects below 0.05 % count as none.
        assert sum(share * level for share, level in parts) == pytest.approx(mean, abs=0.2)


def test_at_once_by_default():
    for start in (590.0, 1480.0, 1600.0, 5000.0):
        low, high = np.maximum(TRACE.edges[:-1], start), np.minimum(TRACE.edges[1:], start + 60)
        known = [((b - a) / 60, p) for a, b, p in zip(low, high, TRACE.power, strict=True) if b > a]
        assert split_power(TRACE, start, start + 60) == tuple(known)
        assert weigh_parts(Heater(), tuple(known)) == tuple(known)


def test_a_fifth_of_the_exposure_counts_nearly_as_a_whole():
    whole = Heater(share_law="whole")
    for share, least, most in ((0.0, 0, 0), (0.05, 0.4, 0.7), (0.2, 0.9, 1), (1.0, 1, 1)):
        parts = weigh_parts(whole, ((1 - share, 0.0), (share, 100.0)))
        assert sum(part for part, _ in parts) == pytest.approx(1)
        assert least <= sum(part for part, level in parts if level == 100) <= most
    # Two heated powers: the share above a level counts, however it is cut.
    cut = weigh_parts(whole, ((0.4, 30.0), (0.1, 100.0), (0.5, 0.0), (0.0, 100.0)))
    high = sum(part for part, level in cut if level == 100)
    low = sum(part for part, level in cut if level >= 30)
    expected = [-np.expm1(-share / 0.07) / -np.expm1(-1 / 0.07) for share in (0.1, 0.5)]
    assert [high, low] == pytest.approx(expected)


def test_configurations_change_the_truth(scenario, tmp_path):
    plain = replace(
        scenario,
        heater=replace(scenario.heater, events=((0.5, 100.0),)),
        calibration=replace(scenario.calibration, darks=0, flats=0),
    )
    taped = read_text(tmp_path, CONFIGURATIONS).configuration
    two = replace(plain, configuration=taped)
    before, after = (
        simulate_night(one, tmp_path / name) for one, name in ((plain, "a"), (two, "b"))
    )
    assert "configuration" not in before.colnames
    assert list(after["configuration"]) == ["", "open", "open", "taped", "taped", "open"]
    factor = np.where(after["configuration"] == "taped", 0.3, 1.0)
    assert np.asarray(after["spike_share"]) == pytest.approx(factor * before["spike_share"])
    narrower = np.asarray(after["fwhm"] < before["fwhm"])
    assert (narrower == (after["configuration"] == "taped")).all()
    assert (np.asarray(after["fwhm_unheated"]) == np.asarray(before["fwhm_unheated"])).all()
    written = Table.read(tmp_path / "b" / "truth.ecsv")["configuration"]
    assert list(written.mask[:2]) == [True, False] and written[1] == "open"  # masked: none
    assert [shot.configuration for shot in plan_exposures(two)][3] == "taped"


CONFIGURATIONS = """
[[configuration]]
minute = 1.0
name = "open"

[[configuration]]
minute = 3.0
name = "taped"
spike = 0.3
spike_length = 0.5
blur = 0.6

[[configuration]]
minute = 6.0
name = "open"
"""

BASE = """
start = 2024-10-14T20:12:00Z
filter = [{name = "L"}]
run = [{filter = "L", exposure = 60.0, count = 3}]
"""


def read_text(folder, text):
    path = folder / "scenario.toml"
    path.write_text(BASE + text)
    return read_scenario(path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("minute = 6.0", "minute = 2.0", "configuration must be in order of time"),
        ('name = "taped"', 'name = "open"', "must have the factors of the earlier 'open'"),
        ("spike = 0.3", "spike = 1.9", "at most 0.9 of the light"),
        ('name = "taped"', "", "name must be given"),
    ],
)
def test_configurations_that_contradict_are_refused(tmp_path, old, new, message):
    with pytest.raises(InputError, match=message):
        read_text(tmp_path, "[heater]\nspike = 0.5\n" + CONFIGURATIONS.replace(old, new))
