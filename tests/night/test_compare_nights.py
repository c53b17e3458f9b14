"""Nights compared from folders of results: simulated frames with known truth, to the page."""

import json

import numpy as np
import pytest
from astropy.io import fits

from framesort.cli import main
from framesort.errors import InputError, NotEnoughFramesError, OutputError
from framesort.files import read_table
from framesort.night import CompareOptions, compare_nights, sort_night
from framesort.records import Comparison

# Two configurations in one night: from minute 30 on the heater blurs a third as much.
SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = 31
[camera]
width = 420
height = 340
hot_pixels = 20
[stars]
count = 260
faintest = 10.0
brightest = 6e4
[nebula]
arcs = 0
galaxies = 0
[seeing]
fwhm = 3.0
jitter = 0.01
trail = 0.1
[heater]
events = [
    [4.6, 100], [9.2, 0], [16.0, 100], [20.6, 0],
    [34.2, 100], [38.8, 0], [45.6, 100], [50.2, 0],
]
[[configuration]]
minute = 30
name = "taped"
blur = 0.33
spike = 0.3
[[filter]]
name = "L"
sky = 4.0
diffuse = 0.2
filaments = 0.1
[[run]]
filter = "L"
exposure = 60.0
count = 50
"""
SPLIT = "2026-02-11T20:29:50"


@pytest.fixture(scope="module")
def sorted_night(draw_night, tmp_path_factory):
    night = draw_night(SCENARIO)
    out = tmp_path_factory.mktemp("sorted") / "night"
    sort_night([night.folder / "frames"], heater=night.folder / "heater_power.csv", out=out)
    return out


@pytest.fixture(scope="module")
def compared(sorted_night, tmp_path_factory):
    options = CompareOptions(split=(SPLIT,), names=("bare", "taped"))
    return compare_nights([sorted_night], out=tmp_path_factory.mktemp("out") / "c", options=options)


def combined(comparison, quantity):
    return next(
        one for one in comparison.differences if one.quantity == quantity and np.isnan(one.power)
    )


def test_change_is_found(compared):
    verdict = compared.comparison.verdicts[0]
    assert verdict.call == "better"
    assert "taped is better" in verdict.sentence
    # A third of the blur, added in quadrature: truth of the scenario.
    ratio = combined(compared.comparison, "blur").ratio
    assert ratio.low95 < 0.33 < ratio.high95
    assert ratio.high95 < 1


def test_pixels_agree_with_the_table(compared):
    profiles = combined(compared.comparison, "kernel_blur").ratio
    assert profiles.high95 < 0.7
    assert combined(compared.comparison, "halo").difference.high95 < 0


def test_files(compared):
    folder = compared.folder
    kept = Comparison.from_json((folder / "comparison.json").read_text())
    assert kept.verdicts == compared.comparison.verdicts
    assert len(read_table(folder / "effects.ecsv")) == len(kept.effects)
    assert len(read_table(folder / "differences.ecsv")) == len(kept.differences)
    with fits.open(folder / "stars.fits") as hdus:
        assert hdus[0].data.shape == compared.images.shape
        assert len(kept.stars) == 4  # off and 100 %, twice
        for star in kept.stars:
            assert star.configuration in hdus[0].header[f"PLANE{star.image + 1}"]
    assert compared.status == 0
    assert "Better." in (folder / "report.html").read_text()


def test_mean_star_of_heated_frames_is_wider(compared):
    width = {(s.configuration, s.power > 0): s.fwhm for s in compared.comparison.stars}
    assert width["bare", True] > 1.15 * width["bare", False]
    assert width["bare", True] > width["taped", True]


def test_comparison_is_not_replaced_unasked(compared, sorted_night):
    options = CompareOptions(split=(SPLIT,))
    with pytest.raises(OutputError, match="give --overwrite"):
        compare_nights([sorted_night], out=compared.folder, options=options)
    with pytest.raises(OutputError, match="holds a sorted night"):
        compare_nights([sorted_night], out=sorted_night, options=options)


def test_one_night_twice_is_refused(sorted_night, tmp_path):
    with pytest.raises(InputError, match=r"frames in common|twice"):
        compare_nights([sorted_night, sorted_night], out=tmp_path / "c")
    assert not (tmp_path / "c").exists()


def test_part_without_heater_off_frames_is_refused(sorted_night, tmp_path):
    # From 20:50 on there are two minutes of frames, all with the heater off.
    options = CompareOptions(split=("2026-02-11T20:52:00",))
    with pytest.raises(NotEnoughFramesError):
        compare_nights([sorted_night], out=tmp_path / "c", options=options)
    assert not (tmp_path / "c").exists()


def test_command(sorted_night, tmp_path, capsys):
    out = tmp_path / "c"
    call = ["compare", str(sorted_night), "--split", SPLIT, "--out", str(out), "--no-pixels"]
    assert main([*call, "--workers", "1"]) == 0
    shown = capsys.readouterr().out
    assert "from 20:29 is better" in shown
    assert str(out / "report.html") in shown
    assert main([*call, "--workers", "1"]) == 2
    assert "give --overwrite" in capsys.readouterr().err
    assert main([*call, "--workers", "1", "--overwrite", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["verdicts"][0]["call"] == "better"
    assert not (out / "stars.fits").exists()


def test_frames_that_are_gone_are_named(sorted_night, draw_night, tmp_path):
    """The comparison of the table goes on without their pixels."""
    table = (sorted_night / "frames.ecsv").read_text()
    moved = tmp_path / "moved"
    moved.mkdir()
    (moved / "frames.ecsv").write_text(table.replace("/frames/", "/gone/"))
    (moved / "night.json").write_text((sorted_night / "night.json").read_text())
    options = CompareOptions(split=(SPLIT,))
    found = compare_nights([moved], out=tmp_path / "c", options=options)
    assert found.status == 1
    assert any("could not be averaged" in note for note in found.comparison.notes)
    assert found.comparison.verdicts[0].call == "better"


def test_pixel_scale_given(sorted_night, tmp_path, capsys):
    call = ["compare", str(sorted_night), "--split", SPLIT, "--no-pixels", "--workers", "1"]
    scaled = [*call, "--out", str(tmp_path / "c"), "--pixel-scale", "2"]
    assert main([*scaled, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["unit"] == "arcsec"
    assert {one["pixel_scale"] for one in answer["configurations"]} == {2.0}
    three = [*call, "--out", str(tmp_path / "d"), *["--pixel-scale", "1"] * 3]
    assert main(three) == 2
    assert "3 given for 2 configurations" in capsys.readouterr().err
    assert main([*call, "--out", str(tmp_path / "d"), "--pixel-scale", "0"]) == 2
    assert "--pixel-scale must be above 0" in capsys.readouterr().err
