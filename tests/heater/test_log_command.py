"""Nasty logs through the command line, as a user gives them."""

import json

import numpy as np
import pytest

from framesort.cli import main
from framesort.errors import HeaterLogError
from framesort.heater import LogOptions, read_heater_log
from framesort.settings import Settings


@pytest.fixture
def steps(tmp_path, capsys):
    def run(text, *options, status=0):
        path = tmp_path / "log.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        assert main(["log", str(path), "--json", *options]) == status
        told = capsys.readouterr()
        if status:
            return told.err
        found = json.loads(told.out)
        return [(row["start"], row["power"]) for row in found["steps"]]

    return run


SPREADSHEET = (
    "\ufeffNr;Datum;Uhr;Rampe;Temp [C]\r\n"
    "1;14.03.2026;19:00;0;4,1\r\n2;14.03.2026;19:30;40,5;4,0\r\n3;14.03.2026;20:00;0;3,9\r\n"
)


def test_columns_named_by_heading_and_by_number(steps):
    """A spreadsheet with byte order mark, semicolons, decimal commas and date beside time."""
    named = ["--time-column", "Datum", "--time-column", "3", "--value-column", "rampe"]
    found = steps(SPREADSHEET, *named, "--log-zone", "Europe/Berlin")
    # Winter time in Berlin, UTC+1.
    assert found == [
        ("2026-03-14T18:00:00Z", 0),
        ("2026-03-14T18:30:00Z", 40.5),
        ("2026-03-14T19:00:00Z", 0),
    ]


def test_a_doubt_names_the_option(steps):
    assert "--value-column" in steps(SPREADSHEET.replace("Temp [C]", "Gurt"), status=2)
    counted = "t,heater\n" + "".join(f"{s},{30 * (s > 50)}\n" for s in range(0, 100, 10))
    assert "--log-start" in steps(counted, status=2)
    found = steps(counted, "--log-start", "2026-03-14T19:00:00")
    assert found == [("2026-03-14T19:00:00Z", 0), ("2026-03-14T19:00:55Z", 30)]
    assert "--day-first" in steps(
        "time,heater\n03/04/2026 19:00,30\n04/05/2026 19:30,0\n", status=2
    )
    assert "--full-power" in steps("utc,pwm\n2026-03-14T19:00,128\n2026-03-14T20:00,0\n", status=2)
    scaled = steps("utc,pwm\n2026-03-14T19:00,51\n2026-03-14T20:00,0\n", "--full-power", "255")
    assert scaled[1] == ("2026-03-14T19:00:00Z", 20)


def test_settings_and_command_line_read_a_log_alike(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(SPREADSHEET)
    settings = Settings.from_mapping(
        {"time_column": ["Datum", "Uhr"], "value_column": "4", "log_zone": "-07:00"}
    )
    trace = read_heater_log(path, settings.log_options())
    assert trace.power.tolist() == [0, 40.5, 0]
    assert np.diff(trace.edges).tolist() == [1800, 1800, 14 * 3600]


def test_a_column_that_is_not_there(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(SPREADSHEET)
    with pytest.raises(HeaterLogError, match=r"'Heizung'; the columns are .*'Rampe'"):
        read_heater_log(path, LogOptions(value_column="Heizung"))
    with pytest.raises(HeaterLogError, match=r"no column '?9'?, the file has 5"):
        read_heater_log(path, LogOptions(value_column="9"))
