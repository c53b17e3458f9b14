"""A package of one's own, installed by pip, found by name, used for every step."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from astropy.time import Time

from framesort.cli import main
from framesort.plugins import STEPS, list_plugins

pytestmark = pytest.mark.slow

EXAMPLE = Path(__file__).parents[1] / "plugin_example"


@pytest.fixture(scope="session")
def installed(tmp_path_factory):
    """The example package, built and installed into a folder of its own."""
    folder = tmp_path_factory.mktemp("plugin")
    shutil.copytree(EXAMPLE, folder / "source")  # building leaves files beside the source
    done = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index"),
            *("--no-build-isolation", "--disable-pip-version-check", "--no-warn-script-location"),
            *("--target", str(folder / "site"), str(folder / "source")),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return folder / "site"


@pytest.fixture
def plugins(installed, monkeypatch):
    monkeypatch.syspath_prepend(str(installed))
    monkeypatch.delitem(sys.modules, "my_steps", raising=False)


@pytest.fixture(scope="session")
def ring_box(small_night, tmp_path_factory):
    """The night's log as the example's own box writes it."""
    path = tmp_path_factory.mktemp("box") / "ring.box"
    start = Time("2026-02-11T20:00:00").unix
    path.write_text(f"@{start - 600:.0f} P000\n@{start + 6.6 * 60:.0f} P100\n")
    return path


def test_it_is_found_beside_the_built_in_steps(plugins):
    for step in STEPS:
        assert {"builtin", "broken"} < set(list_plugins(step))


def test_every_step_by_the_package(plugins, small_night, ring_box, tmp_path, capsys):
    words = ["night", str(small_night.frames), "--heater", str(ring_box), "--workers", "1"]
    words += ["--heater-reader", "ring-box", "--star-measurer", "sep"]
    words += ["--registration", "astroalign", "--stacker", "ccdproc"]
    code = main([*words, "--out", str(tmp_path / "out")])
    told = capsys.readouterr()
    assert code == 0, told.err
    table = Table.read(tmp_path / "out" / "frames.ecsv")
    assert list(table["heater_state"]) == list(small_night.truth["heater_state"])
    assert np.sum(table["sharp_set"]) >= 5
    # Dithers as astroalign finds them are those that were drawn. It takes pairs of stars up to
    # 2 pixels apart, so a frame with few good pairs may be off by some of that.
    centre = np.array([(300 - 1) / 2, (240 - 1) / 2, 1.0])
    drawn = np.array([matrix @ centre for matrix in small_night.truth["matrix"]])[:, :2]
    got = np.column_stack([table["shift_x"], table["shift_y"]])
    error = (got - got.mean(axis=0)) - (drawn - drawn.mean(axis=0))
    assert np.median(np.abs(error)) < 0.05 and np.abs(error).max() < 0.5 < np.ptp(drawn) / 5
    header = fits.getheader(tmp_path / "out" / "L" / "final.fits")
    assert header["FSSTARS"] > 30


@pytest.mark.parametrize(
    ("step", "option"),
    [
        ("heater_log", "--heater-reader"),
        ("star_measurer", "--star-measurer"),
        ("registration", "--registration"),
        ("stacker", "--stacker"),
    ],
)
def test_a_failing_step_is_named_in_one_line(
    step, option, plugins, small_night, sorted_night, tmp_path, capsys
):
    if step in ("registration", "stacker"):
        shutil.copytree(sorted_night, tmp_path / "out")
        words = ["merge", str(tmp_path / "out")]
    else:
        words = ["sort", str(small_night.frames), "--heater", str(small_night.log)]
        words += ["--out", str(tmp_path / "out")]
    code = main([*words, "--workers", "1", option, "broken"])
    lines = [line for line in capsys.readouterr().err.splitlines() if "note:" not in line]
    assert code in (2, 3)
    assert len(lines) == 1
    assert f"plug-in 'broken' ({step}) failed: KeyError: 'power'" in lines[0]


def test_a_file_that_the_reader_refuses(plugins, small_night, tmp_path, capsys):
    words = ["sort", str(small_night.frames), "--heater", str(small_night.log)]
    words += ["--heater-reader", "ring-box", "--out", str(tmp_path / "out")]
    assert main(words) == 2
    assert "line 1 is no sample of a ring box" in capsys.readouterr().err
