"""`framesort plan --experiment` as a user types it."""

import csv
import json

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time

from framesort.cli import main
from framesort.files import write_table


def test_the_checklist_on_the_screen(capsys):
    assert main(["plan", "--experiment", "--temperature", "10", "--humidity", "40"]) == 0
    shown = capsys.readouterr().out
    assert "TEST NIGHT" in shown and "[ ]" in shown and "Dew margin" in shown
    assert "Mains voltage" in shown and "inspect it at every heater-off step" in shown


def test_options_reach_the_plan(capsys):
    call = ["plan", "--experiment", "--powers", "0,40,80", "--exposures", "30,120", "--json"]
    call += ["--precision", "3", "--drift", "4", "--scatter", "1.5", "--spike-precision", "0.5"]
    assert main(call) == 0
    shown = json.loads(capsys.readouterr().out)
    assert {row["power"] for row in shown["steps"]} == {0, 40, 80}
    assert {row["exposure"] for row in shown["steps"]} == {30, 120}
    names = ["step", "configuration", "begin_minute", "power", "share", "exposure", "frames"]
    assert list(shown["steps"][0]) == [*names, "wait_minutes", "purpose"]
    assert shown["reached"] and max(row["fwhm_error"] for row in shown["precision"]) <= 3
    assert max(row["spike_error"] for row in shown["precision"]) <= 0.5
    assert shown["scatter"] == pytest.approx(0.015) and shown["drift"] == pytest.approx(0.04)


def test_files_in_a_folder(capsys, tmp_path):
    call = ["plan", "--experiment", "--onset", "--out", str(tmp_path / "test")]
    assert main(call) == 0
    assert "checklist.txt" in capsys.readouterr().out
    with open(tmp_path / "test" / "experiment.csv") as stream:
        rows = list(csv.DictReader(stream))
    assert any("on 48 s after" in row["purpose"] for row in rows)
    assert main(call) == 2
    shown = capsys.readouterr()
    assert "give --overwrite" in shown.err and shown.err.count("\n") == 1 and shown.out == ""
    assert main([*call, "--overwrite", "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["files"]) == 4


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (["--precision", "-1"], "--precision must be above 0"),
        (["--powers", "0,120"], "--powers must be from 0 to 100 percent, got 120"),
        (["--powers", "25,50"], "--powers must contain 0"),
        (["--powers", "0;50"], "--powers must be numbers with commas between"),
        (["--exposures", "0"], "--exposures must be above 0"),
        (["--minutes", "10"], "--minutes must be at least 19"),
        (["--minutes", "25", "--onset"], "got 25"),
        (["--drift", "-3"], "--drift must be at least 0, got -3"),
        (["--scatter", "0"], "--scatter must be above 0"),
        (["--spike-precision", "0"], "--spike-precision must be above 0"),
        (["--pause", "5"], "--pause is for two configurations"),
        (["--exposure", "60"], "--exposure is not for --experiment; use --exposures"),
        (["--flux", "60"], "--flux is not for --experiment"),
        (["--overwrite"], "--overwrite needs --out"),
        (["--temperature", "5"], "needed together"),
    ],
)
def test_wrong_calls_are_one_line(capsys, call, message):
    assert main(["plan", "--experiment", *call]) == 2
    shown = capsys.readouterr()
    assert message in shown.err and shown.err.count("\n") == 1 and shown.out == ""


@pytest.mark.parametrize("call", [["--powers", "0,50"], ["--onset"], ["--out", "x"]])
def test_options_of_a_test_night_need_it(capsys, call):
    assert main(["plan", *call]) == 2
    assert f"{call[0]} needs --experiment" in capsys.readouterr().err


def write_night(folder, frames):
    rng = np.random.default_rng(5)
    power = np.where(np.arange(frames) % 20 < 10, 0.0, 50.0)
    walk = np.cumsum(rng.normal(0, 0.1 * np.sqrt(110 / 3600), frames))
    table = Table({"file": [f"/night/{k}.fits" for k in range(frames)]})
    table["start"] = Time(1.7e9 + 110 * np.arange(frames), format="unix", precision=3)
    table["exposure"], table["filter"], table["group"] = 90.0, "L", "L"
    table["heater_share"], table["heater_power"] = (power > 0).astype(float), power
    table["fwhm"] = 3 * np.exp(walk + rng.normal(0, 0.04, frames) + 0.1 * power / 50)
    table["sharp_set"], table["deep_set"] = True, True
    table["weight_sharp"], table["weight_deep"] = 1.0, 1.0
    folder.mkdir()
    write_table(folder / "frames.ecsv", table)
    (folder / "night.json").write_text("{}")


def test_scatter_drift_and_exposure_of_an_earlier_night(capsys, tmp_path):
    write_night(tmp_path / "night", 160)
    assert main(["plan", str(tmp_path / "night"), "--experiment", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["scatter"] == pytest.approx(0.04, rel=0.2)  # 160 frames: 6 %
    assert shown["drift"] == pytest.approx(0.1, rel=0.5)  # 4.9 h of a walk, half as large scatter
    assert {row["exposure"] for row in shown["steps"]} == {90}
    assert any("160 frames" in note for note in shown["notes"])
    call = ["plan", str(tmp_path / "night"), "--experiment", "--scatter", "2", "--json"]
    assert main(call) == 0
    assert json.loads(capsys.readouterr().out)["scatter"] == pytest.approx(0.02)


def test_too_few_frames_of_an_earlier_night_are_reported(capsys, tmp_path):
    write_night(tmp_path / "night", 4)
    assert main(["plan", str(tmp_path / "night"), "--experiment", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["scatter"] == 0.02 and any("Typical scatter" in note for note in shown["notes"])
