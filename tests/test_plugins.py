"""Own steps by entry points, as an installed package offers them."""

import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import framesort
from framesort.errors import HeaterLogError, InputError
from framesort.plugins import STEPS, find_plugin, list_plugins

MODULE = """
import numpy as np
from framesort.errors import HeaterLogError
from framesort.records import FrameQuality, HeaterTrace, Stack, Transform
def read_ring_log(path, *, zone=None):
    if path == "wrong":
        raise HeaterLogError("wrong: line 3 is no sample")
    if path == "broken":
        return {}["power"]
    return HeaterTrace(edges=np.array([0.0, 1.0]), power=np.array([5.0]), notes=(path, str(zone)))
def give_nothing(*args, **options):
    return None
def give_one(star_lists):
    return [Transform()]
def give_small(paths, transforms, *, sets):
    one = Stack(data=np.zeros((2, 3)), weight=None, coverage=None, header=None)
    return {name: one for name in sets if name != "deep"}
not_a_function = 7
"""
ENTRIES = """
[framesort.heater_log]
ring-logger = ring_logger_example:read_ring_log
missing = ring_logger_example:no_such_name
number = ring_logger_example:not_a_function
nothing = ring_logger_example:give_nothing
[framesort.star_measurer]
nothing = ring_logger_example:give_nothing
[framesort.registration]
nothing = ring_logger_example:give_nothing
one = ring_logger_example:give_one
[framesort.stacker]
nothing = ring_logger_example:give_nothing
small = ring_logger_example:give_small
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
def test_built_in_steps_are_found(step):
    assert "builtin" in list_plugins(step)
    assert callable(find_plugin(step))


def test_built_in_steps_need_no_installed_metadata(tmp_path):
    """A bare copy of the sources on PYTHONPATH, and no package of that name installed."""
    shutil.copytree(
        Path(framesort.__file__).parent,
        tmp_path / "framesort",
        ignore=shutil.ignore_patterns("__pycache__"),
    )
    code = (
        "import importlib.metadata as metadata\n"
        "real = metadata.distributions\n"
        "metadata.distributions = lambda **kw: (\n"
        "    d for d in real(**kw) if d.metadata['Name'] != 'framesort')\n"
        "import framesort\n"
        "from framesort.plugins import STEPS, find_plugin, list_plugins\n"
        "print(framesort.__file__)\n"
        "assert not [d for d in metadata.distributions() if d.metadata['Name'] == 'framesort']\n"
        "for step in STEPS:\n"
        "    for name in list_plugins(step):\n"
        "        find_plugin(step, name)\n"
        "print(list_plugins('registration'))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr
    where, names = done.stdout.splitlines()
    assert where.startswith(str(tmp_path))
    assert names == "('aligned', 'builtin', 'wcs')"


def test_a_package_cannot_take_a_built_in_name(tmp_path, monkeypatch, installed):
    info = tmp_path / "ring_logger_example-1.0.dist-info" / "entry_points.txt"
    info.write_text(ENTRIES.replace("ring-logger =", "builtin ="))
    with pytest.raises(InputError, match=r"stale\.csv"):
        find_plugin("heater_log")("stale.csv")


def test_a_step_of_the_user_is_found_and_called(installed):
    assert {"builtin", "ring-logger", "missing", "number"} < set(list_plugins("heater_log"))
    plugin = find_plugin("heater_log", "ring-logger")
    # Options that it does not name are not handed to it.
    assert plugin("log.csv", zone="-07:00", max_gap=3).notes == ("log.csv", "-07:00")
    assert pickle.loads(pickle.dumps(plugin))("log.csv").notes == ("log.csv", "None")


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


@pytest.mark.parametrize(
    ("step", "name", "args", "options", "message"),
    [
        ("heater_log", "nothing", ["a"], {}, "gave NoneType, a HeaterTrace is needed"),
        ("star_measurer", "nothing", [0], {}, "gave NoneType, a FrameQuality is needed"),
        ("registration", "nothing", [[]], {}, "gave NoneType, a list of Transform is needed"),
        ("registration", "one", [[1, 2]], {}, "gave 1 transforms for 2 frames"),
        ("stacker", "nothing", [[], []], {"sets": {}}, "gave NoneType, a dict of Stack is needed"),
        ("stacker", "small", [[], []], {"sets": {"deep": 1}}, "gave no stack of the set 'deep'"),
        (
            "stacker", "small", [[], []], {"sets": {"sharp": 1}, "shape": (4, 5)},
            r"gave a stack 'sharp' of \(2, 3\) pixels where the grid has \(4, 5\)",
        ),
    ],
)  # fmt: skip
def test_a_result_of_another_kind_is_named(installed, step, name, args, options, message):
    with pytest.raises(InputError, match=rf"plug-in '{name}' \({step}\) {message}"):
        find_plugin(step, name)(*args, **options)


def test_unknown_step():
    with pytest.raises(InputError, match="step must be one of heater_log"):
        list_plugins("stretching")
