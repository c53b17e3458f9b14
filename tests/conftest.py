"""What several folders of tests share: nights drawn from a scenario."""

from dataclasses import dataclass
from pathlib import Path

import pytest
from astropy.table import Table
from chromium import Browser

from framesort.compiled import compile_loops
from framesort.compiled._compile import read_list
from framesort.simulation import Scenario, read_scenario, simulate_night
from framesort.workers import open_executor


def pytest_sessionstart(session):
    """Compile the loops once before tests are spread over processes, which would each do it."""
    if getattr(session.config.option, "numprocesses", None):
        with open_executor() as pool:
            compile_loops(*read_list(), executor=pool)


@dataclass(frozen=True)
class DrawnNight:
    """A simulated night on disk, with its truth."""

    folder: Path
    scenario: Scenario
    truth: Table

    @property
    def frames(self) -> Path:
        return self.folder / "frames"

    @property
    def log(self) -> Path:
        return self.folder / "heater_power.csv"


@pytest.fixture(scope="session")
def draw_night(tmp_path_factory):
    """A callable: the text of a scenario to a `DrawnNight` in a folder of its own."""

    def draw(text: str) -> DrawnNight:
        folder = tmp_path_factory.mktemp("night")
        (folder / "night.toml").write_text(text)
        scenario = read_scenario(folder / "night.toml")
        return DrawnNight(folder, scenario, simulate_night(scenario, folder))

    return draw


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    """A tab in Chromium, for tests that are skipped where it is not installed."""
    tab = Browser(tmp_path_factory.mktemp("profile"))
    yield tab
    tab.close()
