"""Own steps by entry points, as an installed package offers them."""

import pickle

import pytest

from framesort.errors import HeaterLogError, InputError
from framesort.plugins import STEPS, find_plugin, list_plugins

MODULE = """
from framesort.errors import HeaterLogError
def read_ring_log(path, **options):
    if path == "wrong":
        raise HeaterLogError("wrong: line 3 is no sample")
    if path == "broken":
        return {}["power"]
    return ("trace of", path)
not_a_function = 7
"""
ENTRIES = """
[framesort.heater_log]
ring-logger = ring_logger_example:read_ring_log
missing = ring_logger_example:no_such_name
number = ring_logger_example:not_a_function
"""


@pytest.fixture
def installed(tmp_path, monkeypatch):
    """A package on the path with the metadata that pip would write."""
    (tmp_path / "ring_logger_example.py").write_text(MODULE)
    info = tmp_path / "ring_logger_example-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        "Metadata-Version: 2.1\nName: ring-logger-example\nVersion: 1.0\n"
    )
    (info / "entry_points.txt").write_text(ENTRIES)
    monkeypatch.syspath_prepend(str(tmp_path))


@pytest.mark.parametrize("step", STEPS)
def test_built_in_steps_use_the_same_door(step):
    assert "builtin" in list_plugins(step)
    assert callable(find_plugin(step))


def test_a_step_of_ones_own_is_found_and_called(installed):
    assert set(list_plugins("heater_log")) == {"builtin", "ring-logger", "missing", "number"}
    plugin = find_plugin("heater_log", "ring-logger")
    assert plugin("log.csv", zone=None) == ("trace of", "log.csv")
    assert pickle.loads(pickle.dumps(plugin))("log.csv") == ("trace of", "log.csv")


def test_a_plugin_that_fails_names_itself(installed):
    plugin = find_plugin("heater_log", "ring-logger")
    with pytest.raises(InputError, match=r"plug-in 'ring-logger' \(heater_log\) failed: KeyError"):
        plugin("broken")
    with pytest.raises(HeaterLogError, match="line 3 is no sample"):
        plugin("wrong")


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("nobody", "no plug-in 'nobody' for heater_log; installed: builtin"),
        ("missing", "'missing' .*cannot be loaded: AttributeError"),
        ("number", "'number' .*is not a function"),
    ],
)
def test_names_that_cannot_be_used(installed, name, message):
    with pytest.raises(InputError, match=message):
        find_plugin("heater_log", name)


def test_unknown_step():
    with pytest.raises(InputError, match="step must be one of heater_log"):
        list_plugins("stretching")
