"""Scatter and drift of a night against those it was drawn with."""

import numpy as np
import pytest
from nights import draw_night

from framesort.errors import NotEnoughFramesError
from framesort.evidence import estimate_drift

SWITCHES = [(0.5, 60), (1.0, 0), (1.5, 60), (2.0, 0), (2.5, 60)]


@pytest.mark.parametrize(("noise", "walk"), [(0.02, 0.04), (0.05, 0.15)])
def test_scatter_and_drift_of_simulated_nights(noise, walk):
    found = []
    for seed in range(4000, 4012):
        rng = np.random.default_rng(seed)
        table = draw_night(rng, SWITCHES, noise=noise, walk=walk, trailed=0, exposure=60, pause=20)
        found.append(estimate_drift(table))
    assert {(night.filter, night.exposure) for night in found} == {("L", 60.0)}
    # Trails of 0.24 pixels add up to 0.5 %; 115 frames, 12 nights: 2 %.
    assert np.mean([night.scatter for night in found]) == pytest.approx(noise, rel=0.1)
    # A night of 2.7 h knows its drift to about 30 %, and the prior is about 6 %.
    assert np.mean([night.drift for night in found]) == pytest.approx(walk, rel=0.3)
    assert np.mean([night.spike_scatter for night in found]) == pytest.approx(0.006, rel=0.15)
    assert found[0].overhead == pytest.approx(20, abs=0.01)
    assert found[0].frames > 100


def test_the_group_with_most_frames_is_used():
    table = draw_night(np.random.default_rng(4000), SWITCHES)
    table["filter"] = np.where(np.arange(len(table)) % 3 == 0, "R", "G")
    assert estimate_drift(table).filter == "G"


def test_too_few_frames_are_named():
    table = draw_night(np.random.default_rng(4000), SWITCHES)[:6]
    with pytest.raises(NotEnoughFramesError, match=r"from 6 frames .* 9 are needed"):
        estimate_drift(table)
    table["fwhm"] = np.nan
    with pytest.raises(NotEnoughFramesError, match="from 0 frames"):
        estimate_drift(table)
