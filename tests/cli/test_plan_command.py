"""The command `plan` as a user types it."""

import json
import re

import numpy as np
import pytest
from astropy import units as u
from astropy.table import Table
from astropy.time import Time

from framesort.cli import main
from framesort.cli._plan import _FIGURES
from framesort.files import read_table, write_table
from framesort.planning import Figures
from framesort.records import add_column

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


def test_help_tells_the_defaults_of_the_figures():
    told = {
        name: float(found[1])
        for name, _, text in _FIGURES
        if (found := re.search(r"\(default ([\d.]+)", text))
    }
    assert len(told) == 9
    assert told == {name: getattr(Figures, name) for name in told}


@pytest.fixture
def sorted_night(tmp_path):
    """A folder as `sort` leaves it; frames tell the air but for the last."""
    table = Table()
    n = 4
    start = Time("2024-10-14T20:00:00", precision=3) + np.arange(n) * u.hour
    add_column(table, "file", [f"/night/{k}.fits" for k in range(n)])
    add_column(table, "start", start)
    add_column(table, "group", ["L"] * n)
    for name in ("sharp_set", "deep_set"):
        add_column(table, name, [True] * n)
    for name in ("weight_sharp", "weight_deep"):
        add_column(table, name, [1.0] * n)
    add_column(table, "air_temperature", [14.0, 12.0, 10.0, np.nan])
    add_column(table, "humidity", [60.0, 75.0, 90.0, 91.0])
    (tmp_path / "night").mkdir()
    write_table(tmp_path / "night" / "frames.ecsv", table)
    (tmp_path / "night" / "night.json").write_text("{}")
    return tmp_path / "night"


def test_the_air_of_the_headers_is_used_reported_and_overridden(capsys, sorted_night, forecast):
    assert main(["plan", str(sorted_night)]) == 0
    told = capsys.readouterr().out
    assert "dew point 8.4 deg C" in told  # 10 deg C and 90 %, WMO constants
    assert "from the last header that has them (2.fits)" in told
    assert "10.0 to 14.0 deg C and 60 to 90 %" in told
    assert main(["plan", str(sorted_night), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["now"]["point"] == pytest.approx(8.434, abs=0.001)
    assert any("2.fits" in note for note in told["notes"])
    call = ["plan", str(sorted_night), "--temperature", "20", "--humidity", "40"]
    assert main(call) == 0
    told = capsys.readouterr().out
    assert "dew point 6.0" in told and "2.fits" not in told
    assert main(["plan", str(sorted_night), "--forecast", forecast]) == 0
    assert "2.fits" not in capsys.readouterr().out


def test_without_the_air_in_headers_nothing_is_claimed(capsys, sorted_night):
    table = read_table(sorted_night / "frames.ecsv")
    table.remove_column("humidity")
    write_table(sorted_night / "frames.ecsv", table)
    assert main(["plan", str(sorted_night)]) == 0
    assert "Dew is not predicted" in capsys.readouterr().out
