import pytest
from scenes_for_replacement import make_pair

from framesort.replacement import replace_stars


@pytest.fixture(scope="session")
def pair():
    return make_pair()


@pytest.fixture(scope="session")
def result(pair):
    return replace_stars(pair.deep, pair.sharp)
