import json
import re
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from nights import draw_night

from framesort.evidence import describe_switches, estimate_clock_offset, sort_states
from framesort.files import read_image
from framesort.heater import read_heater_log
from framesort.stars import measure_image

pytestmark = pytest.mark.slow

NIGHT = Path(__file__).parents[2] / "../shared/nights/real"
SWITCHES = [(0.6, 30), (1.0, 100), (1.4, 0), (1.8, 60), (2.2, 0)]


def rates(table):
    """Share of right states (off, or heated at 50 % and more), and of unheated called heated."""
    state = sort_states(table).state
    share, power = np.array(table["heater_share"]), np.array(table["heater_power"])
    on = np.isin(state, ["on", "part"])
    clear = (power >= 50) | (share < 0.005)
    right = np.mean(on[clear] == (share[clear] > 0.005))
    false = np.mean(on[share < 0.005]) if np.any(share < 0.005) else 0.0
    return right, false, np.mean(state == "unknown")


@pytest.mark.parametrize("changes", [{}, {"focus": 0.6}, {"trailed": 0.25}])
def test_states_of_twenty_nights(changes):
    found = np.array([
        rates(draw_night(np.random.default_rng(seed), SWITCHES, **changes)) for seed in range(20)
    ])  # fmt: skip
    # 0.95 is asked; false heated frames, the costly error, stay below 2 %.
    assert found[:, 0].mean() >= 0.95
    assert found[:, 0].min() > 0.80
    assert found[:, 1].mean() < 0.02


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"seeing_jump": [(1.0, 1.4)]},
        {"seeing_jump": [(0.8, 1.3), (1.9, 0.8)]},
        {"focus": 0.8},
        {"walk": 0.2},
    ],
    ids=["calm", "seeing", "seeing twice", "focus", "restless"],
)
def test_silent_without_a_heater(changes):
    """Seeing, focus and wind explain it as well: not one night may have heated frames."""
    for seed in range(8):
        found = sort_states(draw_night(np.random.default_rng(seed), [], **changes))
        state, probability = found.state, found.probability
        assert set(state) == {"unknown"}
        assert np.isnan(probability).all()


def test_trailing_by_wind_is_no_heater():
    for seed in range(8):
        rng = np.random.default_rng(seed)
        table = draw_night(rng, [])
        windy = slice(40, 80)
        trail = np.abs(rng.normal(2.0, 0.5, 40))
        table["fwhm"][windy] = np.hypot(table["fwhm"][windy], 0.8 * trail)
        table["spike_raw"][windy] += 0.02 * trail
        table["spike_raw_angle"][windy] = 0.0
        flat = 1 - np.clip(0.08 + 0.12 * trail, 0, 0.7)
        table["eccentricity"][windy] = np.sqrt(1 - flat**2)
        assert set(sort_states(table).state) == {"unknown"}


def test_cloud_leaves_widths_and_states_alone():
    table = draw_night(np.random.default_rng(1), SWITCHES)
    table["fwhm"][30:40] = np.nan  # too few stars through the cloud
    found = sort_states(table)
    state, probability = found.state, found.probability
    assert set(state[30:40]) == {"unknown"} and np.isnan(probability[30:40]).all()
    assert (state[:20] == "off").all()


def test_always_on_is_not_called_off():
    state = sort_states(draw_night(np.random.default_rng(2), [(-1, 100)])).state
    assert set(state) == {"unknown"}


def test_probability_agrees_with_state_and_order_does_not_matter():
    rng = np.random.default_rng(3)
    table = draw_night(rng, SWITCHES)
    found = sort_states(table)
    state, probability = found.state, found.probability
    assert (probability[state == "on"] > 0.9).all()
    assert (probability[state == "off"] < 0.1).all()
    order = rng.permutation(len(table))
    mixed = sort_states(table[order]).state
    assert list(mixed) == list(state[order])


def test_few_frames_and_missing_columns():
    table = draw_night(np.random.default_rng(4), SWITCHES)
    assert set(sort_states(table[:5]).state) == {"unknown"}
    del table["spike_raw"]
    assert set(sort_states(table).state) == {"unknown"}


@pytest.fixture(scope="module")
def real_night():
    if not NIGHT.exists():
        pytest.skip("the night with known truth is not here")
    truth = json.loads((NIGHT / "truth.json").read_text())["frames"]
    rows = []
    for frame in truth:
        image, _ = read_image(NIGHT / "frames" / frame["file"])
        rows.append(measure_image(image))
    names = ("fwhm", "eccentricity", "elongation_angle", "spike_raw", "spike_raw_angle")
    table = Table({name: [getattr(row, name) for row in rows] for name in names})
    table["start"] = Time([frame["start"][:-6] for frame in truth], scale="utc")
    table["exposure"] = 60.0
    table["heater_share"] = [frame["share"] for frame in truth]
    table["heater_power"] = [frame["dose"] for frame in truth]
    return table


@pytest.mark.slow
def test_real_night_without_a_log(real_night):
    right, false, _ = rates(real_night)
    assert right >= 0.95  # asked
    assert false <= 0.03  # one frame of the 32


@pytest.mark.slow
@pytest.mark.parametrize("ahead", [0, 3600, -420])
def test_real_night_with_a_wrong_clock(real_night, ahead):
    trace = read_heater_log(NIGHT / "switches.csv")
    edges = trace.edges + ahead
    shifted = type(trace)(edges=edges, power=trace.power)
    clock = estimate_clock_offset(real_night, shifted)
    assert abs(clock.seconds + ahead) < 180  # one cadence, as asked
    assert clock.significant == (ahead != 0)


def test_weak_heat_is_found_once_the_heater_spike_is_known():
    """50 % with a spike of three sigma in the mean: told by its angle and the jump of the width."""
    right = []
    for seed in range(6):
        table = draw_night(
            np.random.default_rng(seed), [(0.6, 50), (1.1, 0), (1.6, 100), (2.2, 0)], spike=0.04
        )
        state = sort_states(table).state
        mild = (np.abs(table["heater_power"] - 50) < 1) & (table["heater_share"] == 1)
        right.append(np.mean(state[mild] == "on"))
        assert not np.any(state[mild] == "off")
    assert np.mean(right) > 0.8


def test_a_filter_that_was_never_switched_gives_no_evidence_by_itself():
    """Frames of one state have no other state to compare with: their filter may be out of focus."""
    table = draw_night(np.random.default_rng(1), [(0.8, 100), (1.6, 0)])
    names = np.full(120, "L", dtype=object)
    names[60:72] = "Ha"  # 1.33 to 1.6 h: all heated, with unheated frames of L after them
    names[100:110] = "OIII"  # all unheated, amid unheated frames of L
    table["filter"] = names
    table["fwhm"][60:72] *= 0.8
    found = sort_states(table)
    state, probability = found.state, found.probability
    assert set(state[62:70]) == {"unknown"} and np.isnan(probability[62:70]).all()
    assert set(state[101:109]) == {"off"}


def test_what_the_stars_do_not_show_is_reported():
    switched = draw_night(np.random.default_rng(2), SWITCHES)
    words = describe_switches(switched, sort_states(switched).state)
    assert re.search(r"heater state of 1\d\d of 120 frames", words)
    always = draw_night(np.random.default_rng(2), [(-1, 100)])
    told = describe_switches(always, sort_states(always).state)
    # The night's own spike stands at 62 degrees; short trails along 0 turn the sum a little.
    assert "on all night" in told and re.search(r"spike at (5[5-9]|6[0-5]) degrees", told)
    never = draw_night(np.random.default_rng(2), [], trailed=0.0)
    never["spike_raw_angle"] = np.random.default_rng(3).uniform(0, 180, 120)
    told = describe_switches(never, sort_states(never).state)
    assert "off all night" in told and "degrees" not in told
    assert "only 5 frames" in describe_switches(switched[:5], ["unknown"] * 5)
