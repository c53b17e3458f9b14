"""The thin door: parsing, exit statuses, one line an error."""

import json
import os
import subprocess
import sys

import pytest

from framesort.cli import main
from framesort.cli._parser import build_parser

pytestmark = pytest.mark.slow

LOG = "time_utc,heater_percent\n" + "".join(
    f"2026-02-11T20:{minute:02d}:{second:02d}Z,{0 if minute < 5 else 60}\n"
    for minute in range(10)
    for second in range(0, 60, 10)
)


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "ring.csv"
    path.write_text(LOG)
    return path


@pytest.mark.parametrize("command", ["night", "sort", "merge", "swap", "log", "plan", "simulate"])
def test_every_command_has_help_with_an_example(command, capsys):
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    text = capsys.readouterr().out
    assert f"framesort {command} " in text.split("example:")[1]


def test_log_shows_its_steps(log, capsys):
    assert main(["log", str(log)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 3
    # A switch lies midway between the samples at 20:04:50 and 20:05:00.
    assert "20:04:55" in lines[1] and lines[2].split()[-2] == "60"


def test_log_as_json(log, capsys):
    assert main(["log", str(log), "--json"]) == 0
    steps = json.loads(capsys.readouterr().out)["steps"]
    assert [step["power"] for step in steps] == [0, 60]


def test_log_as_a_picture(log, tmp_path, capsys):
    assert main(["log", str(log), "--plot", str(tmp_path / "ring.png")]) == 0
    assert (tmp_path / "ring.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (["night", "nowhere", "--out", "o"], 2, "nowhere: no such file or folder"),
        (["sort", ".", "--out", "o", "--heater", "0"], 2, "no FITS file in this folder"),
        (["sort", ".", "--out", "o", "--heater", "gone.csv"], 2, "gone.csv: no such heater log"),
        (["sort", ".", "--out", "o", "--heater", "0", "--clip", "1"], 2, "unrecognized"),
        (
            ["night", ".", "--out", "o", "--heater", "0", "--clip", "0.5"],
            2,
            "clip must be a number",
        ),
        (["sort", ".", "--out", "o", "--heater", "120"], 2, "0 to 100 percent, got 120"),
        (["sort", ".", "--out", "o", "--settings", "gone.toml"], 2, "gone.toml: settings cannot"),
        (["sort", ".", "--out", "o", "--workers", "0"], 2, "workers must be 1 or more"),
        (["merge", "nowhere"], 2, "nowhere: no such folder; run `framesort sort` first"),
        (["merge", "."], 2, "holds no frames.ecsv"),
        (["log", "gone.csv"], 2, "gone.csv"),
        (["swap", "a.fits", "b.fits", "--out", "c.fits"], 2, "a.fits"),
        (["plan", "nowhere"], 2, "no such folder"),
        (["plan", "--flux", "100"], 2, "--flux needs the folder"),
        (["simulate", "gone.toml", "--out", "o"], 2, "gone.toml"),
    ],
)
def test_wrong_calls_are_one_clear_line(arguments, status, message, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    try:
        code = main(arguments)
    except SystemExit as ended:  # argparse ends the process itself
        code = ended.code
    assert code == status
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error
    if "unrecognized" not in message:
        assert len(error.strip().splitlines()) == 1


def test_plan_without_a_night(capsys):
    assert main(["plan", "--temperature", "8", "--humidity", "75"]) == 0
    text = capsys.readouterr().out
    assert "dew" in text and "manufacturer's instructions" in text


@pytest.mark.parametrize("zone", ["-07:00", "+01:00", "Europe/Lisbon"])
def test_zone_as_a_word_of_its_own(zone, tmp_path, capsys):
    path = tmp_path / "local.csv"
    path.write_text(LOG.replace("Z,", ",").replace("time_utc", "local time"))
    assert main(["log", str(path), "--log-zone", zone, "--json"]) == 0
    start = json.loads(capsys.readouterr().out)["steps"][0]["start"]
    hours = {"-07:00": "03", "+01:00": "19", "Europe/Lisbon": "20"}[zone]
    assert start[11:13] == hours


def test_settings_of_the_file_come_after_options(tmp_path):
    from framesort.cli._commands import settings_of

    (tmp_path / "s.toml").write_text('max_share = 0.1\nclip = 4.0\nlog_zone = "-07:00"\n')
    options = build_parser().parse_args(
        ["night", "x", "--out", "o", "--clip", "2.5", "--settings", str(tmp_path / "s.toml")]
    )
    settings = settings_of(options)
    assert (settings.max_share, settings.clip, settings.log_zone) == (0.1, 2.5, "-07:00")


def test_as_a_module_without_colour_or_bars(log):
    done = subprocess.run(
        [sys.executable, "-m", "framesort", "log", str(log)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "power" in done.stdout and "\x1b" not in done.stdout + done.stderr


def test_into_a_pipe_that_nobody_reads(log):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "w") as closed:
        done = subprocess.run(
            [sys.executable, "-m", "framesort", "log", str(log)],
            stdout=closed,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            check=False,
        )
    assert done.returncode == 0
    assert "Traceback" not in done.stderr and "fault" not in done.stderr
