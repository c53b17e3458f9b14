import numpy as np
import pytest

from framesort.replacement._linear import invert_positive, sum_products
from framesort.replacement._passes import sort_places


@pytest.mark.parametrize("size", [1, 3, 4, 41, 126])
def test_inverse_of_a_positive_matrix(size):
    rng = np.random.default_rng(size)
    half = rng.normal(size=(size, 2 * size))
    matrix = half @ half.T
    inverse = np.empty_like(matrix)
    assert invert_positive(matrix.copy(), inverse)
    assert np.allclose(inverse @ matrix, np.eye(size), atol=1e-8)
    assert np.array_equal(inverse, inverse.T)


def test_a_matrix_that_is_not_positive_has_no_such_inverse():
    matrix = np.diag([1.0, -1.0, 1.0])
    assert not invert_positive(matrix, np.empty_like(matrix))


def test_sums_of_products_are_those_of_double_precision():
    rows = np.random.default_rng(0).normal(size=(8, 5001)).astype(np.float32)
    sums = np.empty((8, 8))
    sum_products(rows, sums)
    wide = rows.astype(float)
    assert np.allclose(sums, wide @ wide.T, rtol=1e-12, atol=1e-10)


def test_order_is_that_of_a_stable_sort():
    rng = np.random.default_rng(1)
    for values in (rng.normal(0, 5, 20_000), np.rint(rng.normal(300, 5, 20_000)), np.empty(0)):
        values = (values + 0.0).astype(np.float32)  # one kind of zero
        order = np.empty(len(values), np.int64)
        sort_places(values.view(np.uint32), order)
        assert np.array_equal(order, np.argsort(values, kind="stable"))
