import re
from dataclasses import MISSING, fields, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args, get_type_hints

import pytest

from framesort.errors import InputError
from framesort.simulation import Scenario, read_scenario

DEMO = Path(__file__).parents[2] / "demo" / "night.toml"


def test_values_and_defaults(scenario):
    assert scenario.start == datetime(2024, 10, 14, 20, 12, tzinfo=UTC)
    assert (scenario.camera.width, scenario.camera.gain) == (320, 0.8)
    assert scenario.heater.events == ((2.75, 100.0), (5.0, 0.0))
    assert [one.name for one in scenario.filter] == ["L", "Ha"]
    assert hash(scenario) == hash(scenario)  # workers keep its sky by it


def test_demo_scenario_is_what_the_demo_promises():
    demo = read_scenario(DEMO)
    assert len(demo.filter) == 2
    assert {percent for _, percent in demo.heater.events} == {0, 25, 50, 100}
    assert {event.kind for event in demo.event} >= {"cloud", "satellite", "trail"}
    assert demo.mount.flip < 120
    assert demo.camera.hot_pixels > 0


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("width = 320", "width = 3", "camera.width must be a whole number from 32 to 20000, got 3"),
        (
            "width = 320",
            "width = 320.5",
            "camera.width must be a whole number from 32 to 20000, got 320.5",
        ),
        ("width = 320", "widht = 320", "camera.widht is not a key .* did you mean width?"),
        (
            "width = 320",
            "width = true",
            "camera.width must be a whole number from 32 to 20000, got True",
        ),
        (
            "count = 90",
            'count = "many"',
            "stars.count must be a whole number from 0 to 1000000, got 'many'",
        ),
        ("[stars]", "[star]", "star is not a key of a scenario; did you mean stars?"),
        ("seed = 3", "seed = -3", "seed must be a whole number from 0"),
        ("start = 2024-10-14T20:12:00Z", "", "start must be given"),
        ("start = 2024-10-14T20:12:00Z", "start = 2024", "start must be a date and time"),
        ("[2.75, 100]", "[2.75, 130]", "events.1. must have a percentage from 0 to 100, got 130"),
        ("[2.75, 100]", "[2.75]", "events.1. must be .minute, percent., got .2.75."),
        ("[5.0, 0]", "[1.0, 0]", "heater.events must be in order of time"),
        ('filter = "Ha"', 'filter = "O"', r"run\[2\].filter must be one of L, Ha, got 'O'"),
        (
            'kind = "trail"',
            'kind = "rain"',
            r"event\[1\].kind must be one of cloud, .*, got 'rain'",
        ),
        ('kind = "trail"', 'kind = "cloud"', r"event\[1\].until must be after minute 0.5, got 0"),
        ("exposure = 90.0", "", r"run\[2\].exposure must be given"),
        ("brightest = 4e4", "brightest = 4.0", "brightest must be at least stars.faintest"),
        ('name = "Ha"', 'name = "L"', "filter names must differ"),
        ("width = 320", 'pattern = "RGGB"', "camera.pattern needs filters R, G and B, got L, Ha"),
        ("width = 320", 'pattern = "RGB"', "camera.pattern must be one of none, RGGB"),
        ("seed = 3", "seed = ", "cannot be read as TOML"),
    ],
)
def test_what_is_wrong_is_reported_in_one_line(tmp_path, scenario_text, old, new, message):
    assert old in scenario_text
    path = tmp_path / "bad.toml"
    path.write_text(scenario_text.replace(old, new, 1))
    with pytest.raises(InputError, match=message) as caught:
        read_scenario(path)
    assert re.match(rf"{re.escape(str(path))}: .+", str(caught.value))
    assert "\n" not in str(caught.value)


def test_missing_file(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_scenario(tmp_path / "none.toml")


def test_every_key_is_documented_with_its_default():
    text = (Path(__file__).parents[2] / "docs" / "simulation.md").read_text(encoding="utf-8")
    missing = []
    for name, hint in get_type_hints(Scenario, include_extras=True).items():
        inner = get_args(hint)[0]
        inner = get_args(inner)[0] if get_args(inner) else inner
        if not is_dataclass(inner):
            missing += [name] if f"| `{name}` |" not in text else []
            continue
        section = text.split(f"[{name}]")[1].split("\n\n`[")[0]
        for one in fields(inner):
            default = "" if one.default in (MISSING, ()) else f"`{one.default}` |"
            rows = [row for row in section.splitlines() if row.startswith(f"| `{one.name}` |")]
            missing += [] if rows and rows[0].endswith(default) else [f"{name}.{one.name}"]
    assert missing == []
