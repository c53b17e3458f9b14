"""Spikes that are not the mean spike, trails of the sharp stack alone, knots that are no stars."""

import numpy as np
import pytest
from scenes_for_replacement import make_blurred_pair
from scipy.spatial import KDTree

from framesort.replacement import replace_stars

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def flat():
    return make_blurred_pair("flat", 6, shape=(500, 600), stars=160)


def strip(pair, x, y):
    """Pixels on the spike of a star from 12 to 30 pixels away."""
    rows, columns = np.indices(pair.deep.shape)
    angle = np.radians(62.0)
    along = (columns - x) * np.cos(angle) + (rows - y) * np.sin(angle)
    across = (rows - y) * np.cos(angle) - (columns - x) * np.sin(angle)
    return (np.abs(across) < 2) & (np.abs(along) > 12) & (np.abs(along) < 30)


@pytest.mark.parametrize("factor", [0.0, 0.5, 2.0])
def test_a_spike_unlike_the_others_leaves_nothing(flat, factor):
    # As rejection leaves it in a stack of few frames, or the colour of a star makes it.
    inside = (np.minimum(flat.x, flat.y) > 60) & (flat.x < 540) & (flat.y < 440)
    star = np.flatnonzero(inside)[np.argmax(flat.flux[inside])]
    on = strip(flat, flat.x[star], flat.y[star])
    deep = flat.deep.copy()
    deep[on] += (factor - 1) * flat.spike[on]
    clear = on & (flat.deep_light - flat.spike < 1)
    result = replace_stars(deep, flat.sharp, rng=0)
    left = np.mean((result.final - flat.sharp)[clear])
    noise = flat.sigma * np.sqrt(2 / clear.sum())
    # Seven tenths of what differs from the mean spike go; smoothing along it leaves the rest.
    assert abs(left) < 0.3 * abs(factor - 1) * np.mean(flat.spike[clear]) + 3 * noise


@pytest.fixture(scope="module")
def plain(flat):
    """The flat pair's result."""
    return replace_stars(flat.deep, flat.sharp, rng=0)


@pytest.mark.parametrize("height", [20, 60, 100, 250])
def test_a_trail_of_the_sharp_stack_alone_bends_nothing(flat, plain, height):
    rows, columns = np.indices(flat.deep.shape)
    away = np.abs((columns - 200) * np.sin(0.65) - (rows - 250) * np.cos(0.65))
    trail = (height * np.exp(-(away**2) / 3.4)).astype(np.float32)
    result = replace_stars(flat.deep, flat.sharp + trail, rng=0)
    scales = [made.table.meta["flux_scale"] for made in (plain, result)]
    assert scales[1] == pytest.approx(scales[0], rel=0.005)
    on = (away < 3) & (flat.deep_light + flat.sharp_light < 1)
    assert abs(np.mean((result.final - flat.deep)[on])) < 0.03 * trail[on].mean() + 0.1


# Filaments of 1.4 px look like stars in both stacks.
@pytest.mark.parametrize(
    ("kind", "share"), [("filaments", 0.3), ("spiral", 0.1), ("cloud", 0.05), ("flat", 0.01)]
)
def test_replaced_entries_are_stars(kind, share):
    wrong = []
    for seed in (21, 22, 23):
        pair = make_blurred_pair(kind, seed, shape=(600, 700), stars=250)
        table = replace_stars(pair.deep, pair.sharp, rng=0).table
        replaced = table[table["reason"] == ""]
        away, _ = KDTree(np.c_[pair.x, pair.y]).query(np.c_[replaced["x"], replaced["y"]])
        wrong.append(np.mean(away > 1.5))
        # Those left out are faint; what is bright is never taken for a knot.
        bright = np.flatnonzero(pair.flux > 3e4)
        near, _ = KDTree(np.c_[replaced["x"], replaced["y"]]).query(np.c_[pair.x, pair.y][bright])
        assert np.mean(near < 1.5) > 0.95
    assert np.mean(wrong) <= share
