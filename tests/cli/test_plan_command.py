"""The command `plan` as a user types it."""

import json

import pytest

from framesort.cli import main

FIGURES = "--aperture 280 --focal-length 560 --pixel-size 3.8".split()


@pytest.fixture
def forecast(tmp_path):
    path = tmp_path / "tonight.csv"
    path.write_text(
        "time,temperature,humidity\n2024-10-14T20:00,10,60\n2024-10-14T21:00,10,60\n"
        "2024-10-14T22:00,10,90\n"
    )
    return str(path)


def test_figures_forecast_and_local_clock_in_one_call(capsys, forecast):
    call = ["plan", "--magnitude", "18", "--exposure", "60", *FIGURES, "--filter", "L"]
    call += ["--forecast", forecast, "--forecast-zone", "-07:00", "--begin", "2024-10-14T20:30"]
    assert main(call) == 0
    told = capsys.readouterr().out
    assert "from 21:43 -07:00" in told  # as in tests/planning/test_dew.py, on the local clock
    assert "L: " in told and "a star of magnitude 18 to S/N 20" in told
    assert "Assumed: obstruction 0.35" in told and "aperture" not in told
    assert "Mains voltage" in told


def test_plan_as_json(capsys):
    call = ["plan", "--magnitude", "18", "--exposure", "60", *FIGURES]
    assert main([*call, "--temperature", "10", "--humidity", "90", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["now"]["point"] == pytest.approx(8.434, abs=0.001)  # WMO constants
    assert told["needs"][0]["minutes"] == told["minutes_off"] > 0
    assert told["power"] == 25 and told["cautions"] and told["notes"][0].startswith("Assumed")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (["--temperature", "8"], "needed together"),
        (["--temperature", "8", "--humidity", "130"], "humidity must be above 0"),
        (["--begin", "2024-10-14T20:30"], "need a --forecast"),
        (["--aperture", "280"], "needs --magnitude"),
        (["--magnitude", "17", "--exposure", "60", *FIGURES[:4]], "needs --pixel-size"),
        (["--forecast", "none.csv"], "cannot be read"),
        (["--flux", "100"], "--flux needs the folder"),
    ],
)
def test_calls_that_lack_something(capsys, call, message):
    assert main(["plan", *call]) == 2
    assert message in capsys.readouterr().err


def test_weather_twice_is_refused(capsys, forecast):
    assert main(["plan", "--forecast", forecast, "--temperature", "8", "--humidity", "50"]) == 2
    assert "give either" in capsys.readouterr().err
