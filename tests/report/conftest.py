"""Result folders that several test files share."""

import pytest
from report_nights import write_night


@pytest.fixture
def night_writer():
    return write_night


@pytest.fixture(scope="session")
def merged_night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("merged") / "night", filters=("L", "Ha"))
