"""What the stacker is told of the heater."""

import numpy as np
import pytest
from astropy.table import MaskedColumn, Table

from framesort.night._stacks import _heater_effect


@pytest.fixture
def rows():
    return Table(
        {
            "heater_state": ["off", "on", "part", "unknown", "unknown"],
            "heater_power": [0.0, 60.0, 20.0, np.nan, np.nan],
            "spike_strength": [0.0, 0.012, 0.004, 0.011, 0.001],
            "spike_strength_err": [0.001] * 5,
        }
    )


def test_unknown_states_go_by_their_spike(rows):
    told = _heater_effect(rows)
    assert told["groups"] == ["off", "heated", "heated", "heated", "off"]
    # One heated frame has no power: the spike speaks for all.
    np.testing.assert_array_equal(told["similarity"], rows["spike_strength"])


def test_power_counts_where_it_is_known(rows):
    told = _heater_effect(rows[:3])
    np.testing.assert_array_equal(told["similarity"], [0.0, 60.0, 20.0])


def test_nothing_known_is_one_group(rows):
    rows["heater_state"] = "unknown"
    rows["heater_power"] = np.nan
    rows["spike_strength"] = MaskedColumn(np.zeros(5), mask=True)
    told = _heater_effect(rows)
    assert set(told["groups"]) == {"off"}
    assert np.isnan(told["similarity"]).all()
