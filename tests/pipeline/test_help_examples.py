"""The examples in each command's help are real: they run as they stand there."""

import glob
import io
import shlex
import shutil
import sys
from pathlib import Path

import pytest
import tifffile
from astropy.io import fits

from framesort.cli import main
from framesort.simulation import simulate_stacks

pytestmark = pytest.mark.slow

FORECAST = "time,temperature,humidity\n2024-10-14T20:00,9,75\n2024-10-15T05:00,5,92\n"


@pytest.fixture(scope="module")
def desk(small_night, sorted_night, tmp_path_factory):
    """A folder with everything that the examples name."""
    place = tmp_path_factory.mktemp("desk")
    (place / "lights").symlink_to(small_night.frames)
    shutil.copy(small_night.log, place / "ring.csv")
    (place / "tonight.csv").write_text(FORECAST)
    (place / "comet.csv").write_text("x,y,radius\n100,80,9\n")
    (place / "demo").mkdir()
    text = (small_night.folder / "night.toml").read_text()
    (place / "demo" / "night.toml").write_text(text.replace("count = 11", "count = 1"))
    pair = simulate_stacks(rng=2, shape=(170, 210), count=60)
    for name in ("deep", "sharp"):
        fits.PrimaryHDU(getattr(pair, name)).writeto(place / f"{name}.fits")
        tifffile.imwrite(place / f"{name}.tif", getattr(pair, name)[::-1])
    shutil.copy(place / "deep.fits", place / "luminance.fits")
    for name in ("red", "green", "blue"):
        shutil.copy(place / "sharp.fits", place / f"{name}.fits")
    return place


def examples(command, capsys):
    with pytest.raises(SystemExit):
        main([*command, "--help"])
    told = capsys.readouterr().out.split("example:\n")[1].split("\n\n")[0]
    return told.replace("\\\n", " ").splitlines()


@pytest.mark.parametrize(
    "command", ["", "night", "sort", "merge", "swap", "log", "plan", "simulate"]
)
def test_examples_run(command, desk, sorted_night, monkeypatch, capsys):
    monkeypatch.chdir(desk)
    lines = examples(command.split(), capsys)
    assert lines
    if command == "":
        lines = []  # that of `night` once more
    for line in lines:
        shutil.rmtree("result", ignore_errors=True)
        for old in Path().glob("final*"):
            old.unlink()
        if command in ("merge", "plan"):
            shutil.copytree(sorted_night, "result")
        if "|" in line:  # `find -print0` by other means
            finder, line = line.split("|")
            pattern = shlex.split(finder)[3]
            names = [str(path) for path in Path("lights").glob(pattern)]
            raw = "\0".join(names).encode() + b"\0"
            monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(raw)))
        words = [
            name
            for word in shlex.split(line)[1:]
            for name in (sorted(glob.glob(word)) if "*" in word else [word])
        ]
        if command in ("night", "sort", "merge"):
            words += ["--workers", "1"]
        code = main(words)
        told = capsys.readouterr()
        assert code == 0, f"{line}: {told.err}"
        assert told.out
