"""Weighted least squares whose bits do not depend on the number of threads."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["normal_matrix", "solve_normal"]

Floats = NDArray[np.float64]


def normal_matrix(design: Floats, weight: Floats) -> Floats:
    """The normal matrix (k, k) of a design (n, k).

    Not by BLAS: its rounding changes with the number of its threads.
    """
    return np.asarray(np.einsum("ki,kj->ij", design, design * weight[:, None]))


def solve_normal(normal: Floats, design: Floats, values: Floats, weight: Floats) -> Floats:
    """The coefficients (k,) that fit the values (n,) best."""
    return np.asarray(np.linalg.solve(normal, np.einsum("ki,k->i", design, weight * values)))
