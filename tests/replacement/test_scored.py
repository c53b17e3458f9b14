"""The scorer's bars on its own scenes, where it is at hand."""

import sys
from pathlib import Path

import numpy as np
import pytest

from framesort.replacement import replace_stars

SCORE = (Path(__file__).parents[2] / "../shared/score").resolve()


@pytest.mark.skipif(not (SCORE / "score.py").exists(), reason="the scorer is not here")
@pytest.mark.parametrize(
    "scene",
    ["plain", *(pytest.param(name, marks=pytest.mark.slow) for name in ("scaled", "compact"))],
)
def test_every_bar_is_met(scene, monkeypatch):
    monkeypatch.syspath_prepend(str(SCORE))
    sys.modules.pop("score", None)
    import scenes
    import score

    # A seed that nothing was tuned on.
    truth = scenes.make(scene, 23)
    result = replace_stars(truth["deep"], truth["sharp"])
    figures = score.score(truth, truth["deep"].astype(float), result.final.astype(float))
    missed = {k: v for k, v in figures.items() if not v <= score.BARS[k][0]}
    assert not missed
    assert figures["noise_ratio"] > 0.8
    # Half of what lies between the bar (1.35) and a result without any error (1.0).
    assert figures["under_rms"] < 1.175
    np.testing.assert_allclose(result.stars + result.background, result.final, rtol=3e-7)
