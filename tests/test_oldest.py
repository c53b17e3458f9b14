"""The constraints of the oldest versions are the lower bounds, and the runs name what they skip."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CI = ROOT / ".ci"
OURS, _, OTHERS = (
    (CI / "oldest.txt").read_text().partition("# Not asked for") if CI.is_dir() else ("", "", "")
)

pytestmark = pytest.mark.skipif(not CI.is_dir(), reason="no checks beside the package")


def pins(text):
    return dict(re.findall(r"^([\w-]+)==([\w.]+)$", text, re.MULTILINE))


def lower_bounds(project):
    """Lower bound by name of what the program and its tests need."""
    extras = project["optional-dependencies"]
    needs = [*project["dependencies"], *extras["test"], *extras["cluster"], *extras["tiff"]]
    return dict(re.findall(r"^([\w-]+)>=([\w.]+)$", "\n".join(needs), re.MULTILINE)), needs


def parts(version):
    numbers = [int(part) for part in version.split(".")]
    while numbers and numbers[-1] == 0:
        numbers.pop()
    return numbers


def wrong_pins(found, bounds):
    return sorted(
        name
        for name in found.keys() | bounds.keys()
        if name not in found or name not in bounds or parts(found[name]) != parts(bounds[name])
    )


def test_constraints_are_the_lower_bounds():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    bounds, needs = lower_bounds(project)
    assert wrong_pins(pins(OURS), bounds) == []
    # Every need has a lower bound; time zones come from the system but on one.
    assert [n for n in needs if ">=" not in n and not n.startswith("tzdata")] == []
    assert not set(pins(OTHERS)) & set(bounds)


def test_a_constraint_that_is_not_the_bound_is_found():
    bounds = {"numpy": "2.0", "scipy": "1.14"}
    assert wrong_pins({"numpy": "2.0.0", "scipy": "1.14.0"}, bounds) == []
    assert wrong_pins({"numpy": "2.0.1", "scipy": "1.14.0"}, bounds) == ["numpy"]
    assert wrong_pins({"numpy": "2.0.0"}, bounds) == ["scipy"]
    assert wrong_pins({"numpy": "2", "scipy": "1.14", "dask": "1"}, bounds) == ["dask"]


@pytest.mark.skipif(sys.platform == "win32", reason="a script for a Unix shell")
def test_an_interpreter_that_is_not_there_is_named():
    done = subprocess.run(
        [CI / "matrix", "3.99", "3.98-oldest"],
        capture_output=True, text=True, check=False, env={**os.environ, "HOME": "/nonexistent"},
    )  # fmt: skip
    assert done.returncode == 2
    assert "== 3.99: skipped, no Python 3.99 on this machine" in done.stdout
    assert "== 3.98-oldest: skipped, no Python 3.98 on this machine" in done.stdout
