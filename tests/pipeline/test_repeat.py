"""Settings handed back repeat a run to the last bit."""

import json
import os
import tomllib
from pathlib import Path

import pytest

from framesort.cli import main
from framesort.settings import Settings

pytestmark = pytest.mark.slow


def contents(folder):
    """What every file of a result holds but for dates, the call and the folder's own name."""
    found = {}
    for path in sorted(Path(folder).rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_dir() or name.startswith("cache/") or name in (".lock", "report.html"):
            continue  # the report draws what is compared here
        data = path.read_bytes()
        if name == "night.json":
            told = json.loads(data)
            del told["created"], told["command"]
            data = json.dumps(told).encode()
        found[name] = data
    return found


@pytest.fixture(scope="module")
def first(small_night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("first")
    before = Path.cwd()
    os.chdir(folder)
    try:
        words = f"night {small_night.frames} --heater {small_night.log} --out first --workers 1"
        assert main([*words.split(), "--clip", "2.5", "--max-share", "0.05", "--link"]) == 0
    finally:
        os.chdir(before)
    return folder


def test_night_json_repeats_the_run(first, small_night, monkeypatch, capsys):
    monkeypatch.chdir(first)
    words = f"night {small_night.frames} --settings first/night.json --out again --workers 1"
    assert main(words.split()) == 0
    assert f"heater log {small_night.log}, as given by first/night.json" in capsys.readouterr().err
    one, two = contents("first"), contents("again")
    assert sorted(one) == sorted(two) and len(one) > 12
    assert {name for name in one if one[name] != two[name]} == set()


def test_a_toml_file_sets_the_same(first):
    used = json.loads((first / "first" / "night.json").read_text())["settings"]
    lines = [f"{name} = {json.dumps(value)}" for name, value in used.items() if value is not None]
    assert Settings.from_mapping(tomllib.loads("\n".join(lines))).as_dict() == used


def test_an_earlier_log_that_is_gone_is_one_clear_line(first, small_night, tmp_path, capsys):
    told = json.loads((first / "first" / "night.json").read_text())
    told["heater"]["log"] = "moved.csv"
    (tmp_path / "night.json").write_text(json.dumps(told))
    words = f"sort {small_night.frames} --settings {tmp_path}/night.json --out {tmp_path}/out"
    assert main(words.split()) == 2
    assert "moved.csv: no such heater log" in capsys.readouterr().err
