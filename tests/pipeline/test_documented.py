"""The scripts of the pages run as they stand there, in a folder with a small night."""

import json
import re
import runpy
import shutil
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

pytestmark = pytest.mark.slow

DOCS = Path(__file__).parents[2] / "docs"


def blocks(page, kind):
    """Fenced blocks of a page, by the heading above them; those of doctest are run elsewhere."""
    found, heading, inside = {}, "", None
    for line in (DOCS / page).read_text(encoding="utf-8").splitlines():
        if inside is not None:
            if line.startswith("```"):
                if inside[0] == kind and not inside[1].startswith(">>>"):
                    found.setdefault(heading, []).append("\n".join(inside[1:]) + "\n")
                inside = None
            else:
                inside.append(line)
        elif line.startswith("```"):
            inside = [line[3:].strip()]
        elif line.startswith("#"):
            heading = line.strip("# ")
    return found


def run(words, folder, *, code=0, **options):
    done = subprocess.run(
        words, cwd=folder, capture_output=True, text=True, timeout=300, check=False, **options
    )
    assert done.returncode == code, done.stderr[-3000:]
    return done


@pytest.fixture
def place(small_night, tmp_path):
    """A folder as the pages say: frames and log."""
    (tmp_path / "frames").symlink_to(small_night.frames)
    shutil.copy(small_night.log, tmp_path / "heater_power.csv")
    return tmp_path


def python(page, heading, place, monkeypatch, capsys):
    [script] = blocks(page, "python")[heading]
    (place / "script.py").write_text(script)
    monkeypatch.chdir(place)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # astropy's on headers that lack MJD-OBS
        runpy.run_path("script.py", run_name="__main__")
    return capsys.readouterr().out


def test_inside_a_ccdproc_script(place, monkeypatch, capsys):
    told = python("pipeline.md", "Inside a ccdproc script", place, monkeypatch, capsys)
    before, after = (float(value) for value in re.findall(r"(\d\.\d\d) px", told))
    # The heater's share of the width is 10 to 20 %; what is left are the sharp frames' stars.
    assert after < 0.96 * before
    with fits.open(place / "final.fits") as hdus:
        assert "MASK" in hdus and hdus[0].header["BUNIT"] == "adu"


def test_star_lists_measured_elsewhere(place, monkeypatch, capsys):
    told = python("pipeline.md", "Star lists measured elsewhere", place, monkeypatch, capsys)
    sharp, whole = (int(value) for value in re.findall(r"\d+", told))
    assert whole == 11 and 5 <= sharp <= 6  # six frames had the heater off


def test_frames_registered_elsewhere(place, monkeypatch, capsys):
    told = python("pipeline.md", "Frames registered elsewhere", place, monkeypatch, capsys)
    assert re.match(r"L \(240, 300\) \d\.\d\d px", told)
    assert np.isfinite(float(told.split()[-2]))


def test_the_settings_of_the_page_are_settings(tmp_path):
    from framesort.settings import read_settings

    [text] = blocks("pipeline.md", "toml")["A run repeated exactly"]
    (tmp_path / "s.toml").write_text(text)
    settings = read_settings(tmp_path / "s.toml")
    assert settings.clip == 2.5 and settings.link


@pytest.fixture
def tools(tmp_path_factory, monkeypatch):
    """`framesort` and `python` as a shell finds them, whatever environment the tests run in."""
    folder = tmp_path_factory.mktemp("bin")
    (folder / "python").write_text(f'#!/bin/sh\nexec "{sys.executable}" "$@"\n')
    # Another process for so few small frames would take longer to start than to work.
    (folder / "framesort").write_text(
        '#!/bin/sh\n[ "$1" = sort ] && set -- "$@" --workers 1\n'
        f'exec "{sys.executable}" -m framesort "$@"\n'
    )
    for name in ("python", "framesort"):
        (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", str(folder), prepend=":")


def test_split_a_night_from_a_shell(place, tools):
    scripts = blocks("shell.md", "sh")["Split a night for another stacker"]
    done = run(["sh", "-c", scripts[0]], place)
    assert "\x1b" not in done.stdout + done.stderr and "\r" not in done.stderr
    summary = json.loads((place / "summary.json").read_text())
    sharp = (place / "result/sets/L-sharp.txt").read_text().splitlines()
    assert summary["groups"][0]["sharp"]["frames"] == len(sharp) >= 5
    assert f"{len(sharp)} result/sets/L-sharp.txt" in done.stdout
    assert summary["sets"]["L"]["sharp"] == "result/sets/L-sharp.txt"
    linked = sorted(path.name for path in (place / "result/sets/L-sharp").iterdir())
    assert linked == sorted(Path(name).name for name in sharp)
    shutil.rmtree(place / "result")
    run(["sh", "-c", scripts[1]], place)
    assert sorted(path.name for path in (place / "picked").iterdir()) == linked
    assert not (place / "result/sets/L-sharp").exists()


@pytest.mark.skipif(shutil.which("make") is None, reason="needs make")
def test_the_makefile(place, tools):
    [makefile] = blocks("shell.md", "make")["A Makefile"]
    [stacker] = blocks("shell.md", "python")["A Makefile"]
    (place / "Makefile").write_text(makefile)
    (place / "stack.py").write_text(stacker)
    run(["make"], place)
    assert fits.getheader(place / "final.fits")["FSSTARS"] > 30
    assert "framesort" not in run(["make"], place).stdout  # nothing to be done
    assert "nothing" in run(["make", "-n"], place).stdout.lower()
