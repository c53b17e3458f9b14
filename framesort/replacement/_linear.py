"""Sums and inverses of least-squares fits, compiled.

A linear algebra library has threads of its own: beside those that are here already they wait for
one another, and their number shows in the last digits.
"""

from typing import Any

import numpy as np

from framesort.compiled import loop, part

__all__ = ["invert_positive", "sum_products"]


@part()
def _add_rows(matrix: Any, factors: Any, first: Any, last: Any, start: Any, new: Any) -> Any:
    """Add rows `first` to `last` of a matrix times factors, from column `start` on, to `new`."""
    k = first
    wide = len(new)
    while k + 4 <= last:  # four at a time: the processor's cache gives no more
        a, b, c, d = factors[k], factors[k + 1], factors[k + 2], factors[k + 3]
        p, q = matrix[k][start:], matrix[k + 1][start:]
        r, s = matrix[k + 2][start:], matrix[k + 3][start:]
        for j in range(wide):
            new[j] += (a * p[j] + b * q[j]) + (c * r[j] + d * s[j])
        k += 4
    for m in range(k, last):
        a, p = factors[m], matrix[m][start:]
        for j in range(wide):
            new[j] += a * p[j]


@loop()
def invert_positive(matrix: Any, out: Any) -> Any:
    """Inverse of a symmetric positive definite matrix (Cholesky); false where it is not definite.

    `matrix` is overwritten.
    """
    n = len(matrix)
    factors = np.empty(n)
    for i in range(n):  # matrix = U^T U: U takes the place of its upper triangle
        row = matrix[i][i:]
        for k in range(i):
            factors[k] = -matrix[k, i]
        _add_rows(matrix, factors, 0, i, i, row)
        if not row[0] > 0.0:
            return False
        share = 1.0 / np.sqrt(row[0])
        for j in range(len(row)):
            row[j] *= share
    out[:] = 0.0
    for i in range(n - 1, -1, -1):  # V = U^-1, in the upper triangle of `out`
        row = out[i][i:]
        row[0] = 1.0
        share = 1.0 / matrix[i, i]
        for k in range(i + 1, n):
            factors[k] = -matrix[i, k]
        _add_rows(out, factors, i + 1, n, i, row)
        for j in range(len(row)):
            row[j] *= share
    for i in range(n):  # V^T
        for j in range(n):
            matrix[i, j] = out[j, i]
    out[:] = 0.0
    for i in range(n):  # V V^T
        for k in range(i, n):
            factors[k] = matrix[k, i]
        _add_rows(matrix, factors, i, n, 0, out[i][: i + 1])
    for i in range(n):
        for j in range(i):
            out[j, i] = out[i, j]
    return True


@loop(fastmath={"reassoc"})
def sum_products(rows: Any, out: Any) -> Any:
    """Sum of the products of each row with each other, added up as numbers of double precision."""
    for a in range(len(rows)):
        for b in range(a + 1):
            one, other = rows[a], rows[b]
            total = 0.0
            for k in range(len(one)):
                total += np.float64(one[k]) * np.float64(other[k])
            out[a, b] = out[b, a] = total
