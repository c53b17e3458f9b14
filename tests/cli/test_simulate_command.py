"""`framesort simulate --replay`: which night is replayed, where to, and what is refused."""

import json

import pytest

from framesort.cli import main

SCENARIO = """
start = 2024-10-14T20:12:00Z
seed = 3
camera = {width = 64, height = 48, hot_pixels = 0}
stars = {count = 4}
heater = {events = [[1.5, 100]]}
logger = {margin = 1.0, utc_offset = -3.5, clock_offset = 20.0}
filter = [{name = "L"}]
run = [{filter = "L", exposure = 60.0, count = 2}]
"""


@pytest.fixture
def call(tmp_path):
    (tmp_path / "night.toml").write_text(SCENARIO)

    def run(*words):
        scenario = str(tmp_path / "night.toml")
        return main(
            ["simulate", scenario, "--out", str(tmp_path / "out"), "--workers", "1", *words]
        )

    return run


def test_a_night_is_simulated_and_replayed(call, tmp_path, capsys):
    assert call("--replay", "inf", "--json") == 0
    out = tmp_path / "out"
    assert sorted(path.name for path in out.iterdir()) == ["live", "night"]
    answer = json.loads(capsys.readouterr().out)
    assert answer["folder"] == str(out / "live")
    assert answer["frames"] == [str(out / "live" / "frames" / f"00{k}-L.fits") for k in (1, 2)]
    for path in (out / "live").rglob("*.*"):
        assert path.read_bytes() == (out / "night" / path.relative_to(out / "live")).read_bytes()
    # Again: the same night, and only the copy is replaced.
    before = (out / "night" / "truth.ecsv").stat().st_mtime_ns
    assert call("--replay", "inf") == 2
    assert "--overwrite" in capsys.readouterr().err
    assert call("--replay", "inf", "--overwrite", "--rename") == 0
    assert "2 frames and 3 logs" in capsys.readouterr().out
    assert (out / "night" / "truth.ecsv").stat().st_mtime_ns == before


def test_a_night_that_is_there_is_replayed(call, tmp_path, capsys):
    assert call() == 0
    assert call("--replay", "inf") == 0
    out = tmp_path / "out"
    assert not (out / "night").exists()
    assert len(list((out / "live" / "frames").iterdir())) == 2
    assert call("--replay", "inf") == 2  # nothing is replaced


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--replay", "0"], "--replay must be above 0, got 0"),
        (["--replay", "-2"], "--replay must be above 0, got -2"),
        (["--replay", "nan"], "--replay must be above 0"),
        (["--rename"], "--rename needs --replay"),
    ],
)
def test_wrong_calls(call, tmp_path, capsys, words, said):
    assert call(*words) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
