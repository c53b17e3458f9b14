"""Results do not depend on the number of threads."""

import numpy as np
import pytest
from scenes_for_replacement import make_blurred_pair

from framesort import workers
from framesort.replacement import measure_replacement, replace_stars

pytestmark = pytest.mark.slow


def test_result_is_the_same_with_any_number_of_threads(monkeypatch):
    pair = make_blurred_pair("spiral", seed=3, shape=(300, 330), stars=60)
    results, checks = [], []
    for cores in (1, 4):
        monkeypatch.setattr(workers, "core_count", lambda cores=cores: cores)
        results.append(replace_stars(pair.deep, pair.sharp))
        checks.append(measure_replacement(results[-1], pair.deep, pair.sharp))
    assert np.mean((results[0].mask & 16) > 0) > 0.1
    for result, check in zip(results[1:], checks[1:], strict=True):
        for layer in ("final", "stars", "background", "mask"):
            np.testing.assert_array_equal(getattr(result, layer), getattr(results[0], layer))
        for column in ("x", "y", "flux_applied", "reason"):
            np.testing.assert_array_equal(result.table[column], results[0].table[column])
        np.testing.assert_array_equal(check.residual, checks[0].residual)
        assert check.noise_ratio == checks[0].noise_ratio
        assert check.structure_error == checks[0].structure_error
