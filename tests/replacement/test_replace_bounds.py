"""Results do not depend on the number of threads; memory is bounded by a number of images."""

import tracemalloc

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


def test_memory_beside_the_stacks_is_ten_images(monkeypatch):
    """Nine, and the rows that one thread works on; the four layers of the result are of them."""
    monkeypatch.setattr(workers, "core_count", lambda: 1)
    pair = make_blurred_pair("cloud", seed=4, shape=(1000, 800), stars=150)
    small = pair.deep[:300, :300].copy(), pair.sharp[:300, :300].copy()
    measure_replacement(replace_stars(*small), *small)  # whatever is loaded late
    tracemalloc.start()
    try:
        result = replace_stars(pair.deep, pair.sharp)
        most = [tracemalloc.get_traced_memory()[1]]
        tracemalloc.reset_peak()
        measure_replacement(result, pair.deep, pair.sharp)
        most.append(tracemalloc.get_traced_memory()[1])
    finally:
        tracemalloc.stop()
    images = np.array(most) / pair.deep.nbytes
    print(images)
    assert images[0] < 10.0
    assert images[1] < 10.0
