"""Powers of many numbers at once, in loops that processors run on several numbers a step."""

import math
from typing import Any

import numpy as np

from framesort.compiled import loop

__all__ = ["STRIDE", "WORK_ROWS", "power_of"]

WORK_ROWS = 4
"""Rows that `power_of` works in for as many columns as there are numbers."""

STRIDE = 16
"""Numbers that the loops take a step, or a multiple of that."""

_HALF = np.uint64(0x3FE6A09E667F3BCD)  # the bits of one half's square root
_ONE = np.uint64(0x4330000000000000)  # those of 2^52: the last place is 1
_BIG = 6755399441055744.0  # 1.5 * 2^52: the last place is 1 on both sides of it
_F2, _F3, _F4, _F5, _F6, _F7, _F8, _F9, _F10, _F11, _F12 = (
    1.0 / math.factorial(k) for k in range(2, 13)
)
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10


@loop(fastmath={"contract"})
def power_of(base: Any, count: Any, exponent: Any, work: Any) -> Any:
    """Fill ``work[0, :count]`` with ``base ** exponent``, ``work[1, :count]`` with ``log(base)``.

    To about 1e-15: the logarithm is that of the number brought near 1 by powers of two, from
    the series of artanh((m - 1) / (m + 1)), the exponential a Taylor series about a power of two
    (Muller, Elementary Functions, 3rd ed. 2016, ch. 11).

    Parameters
    ----------
    base : (n,) float64 ndarray
        1 or more, finite.
    count : int
        So many of them; a multiple of `STRIDE`, so that none is left over for a slower loop.
    exponent : float
        Not above 0.
    work : (`WORK_ROWS`, n) float64 ndarray
        Results and intermediate numbers.
    """
    out, log, part, turn = work[0], work[1], work[2], work[3]
    bits, part_bits, turn_bits = base.view(np.uint64), part.view(np.uint64), turn.view(np.uint64)
    shift = np.uint64(52)
    for i in range(count):
        k = (bits[i] - _HALF) >> shift
        part_bits[i] = bits[i] - (k << shift)
        turn_bits[i] = _ONE | k
    for i in range(count):
        s = (part[i] - 1.0) / (part[i] + 1.0)
        z = s * s
        w = z * z
        even = 1.0 / 3 + w * (1.0 / 7 + w * (1.0 / 11 + w * (1.0 / 15 + w * (1.0 / 19))))
        odd = 1.0 / 5 + w * (1.0 / 9 + w * (1.0 / 13 + w * (1.0 / 17)))
        k2 = turn[i] - 4503599627370496.0
        rest = 2.0 * s + 2.0 * s * z * (even + z * odd)
        log[i] = k2 * _LN2_HIGH + (k2 * _LN2_LOW + rest)
        x = max(exponent * log[i], -700.0)
        near = x * 1.4426950408889634 + _BIG
        turn[i] = near
        n = near - _BIG
        part[i] = (x - n * _LN2_HIGH) - n * _LN2_LOW
    for i in range(count):
        turn_bits[i] = (turn_bits[i] + np.uint64(1023)) << shift
    for i in range(count):
        r = part[i]
        w = r * r
        low = 1.0 + r + w * (_F2 + r * _F3)
        high = _F4 + r * _F5 + w * (_F6 + r * _F7)
        top = _F8 + r * _F9 + w * (_F10 + r * _F11 + w * _F12)
        v = w * w
        out[i] = (low + v * (high + v * top)) * turn[i]
