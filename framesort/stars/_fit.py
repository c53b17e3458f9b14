"""Elliptical Moffat profiles fitted to stars, one after the other, neighbours subtracted.

A star is eight numbers: height, local background, x, y, and the shape A, B, C, g of

    I = height * (1 + c q)^(-1/g),   q = A dx^2 + 2 B dx dy + C dy^2,   c = 2^g - 1

so that q = 1 where the profile has fallen to one half, whatever g. g is 1 over the Moffat
index (Moffat 1969, A&A 3, 455); g towards 0 is a Gaussian.
"""

from typing import Any

import numpy as np

from framesort.compiled import loop, part
from framesort.stars._power import STRIDE, WORK_ROWS, power_of

__all__ = ["COUNT", "QUALITY", "draw_stars", "fit_stars"]

HEIGHT, BACK, X, Y, A, B, C, G = range(8)
COUNT = 8

FAR = 60.0
"""Farthest that the profile of a star is followed, pixels."""

QUALITY = np.dtype([(name, float) for name in ("error", "variance", "pixels", "success", "cost")])
"""What a fit tells of a star: the relative error of its light for a pixel noise of 1, the
profile-weighted residual variance, the number of pixels, 1 for success (0.5 if not settled, 0 if
it failed), and the sum of squares."""


@part()
def _copy(source: Any, out: Any) -> Any:
    """As ``out[:] = source``, which takes seconds to compile, for the text of an error message."""
    for i in range(out.size):
        out[i] = source[i]


@part(inline="never")
def _padded(number: Any) -> Any:
    """The next multiple of `STRIDE`."""
    return (number + STRIDE - 1) // STRIDE * STRIDE


@part(inline="never")
def _draw(image: Any, p: Any, sign: Any, limit: Any, work: Any) -> Any:
    """Add (sign +1) or subtract (-1) one star out to where it falls below `limit`."""
    ny, nx = image.shape
    det = p[A] * p[C] - p[B] * p[B]
    if not (p[HEIGHT] > limit and det > 0.0):
        return
    g = p[G]
    c = 2.0**g - 1.0
    q_end = ((p[HEIGHT] / limit) ** g - 1.0) / c
    rx = min(np.sqrt(q_end * p[C] / det), FAR)
    ry = min(np.sqrt(q_end * p[A] / det), FAR)
    y0, y1 = max(0, int(np.ceil(p[Y] - ry))), min(ny - 1, int(np.floor(p[Y] + ry)))
    base, powers = work[0], work[1 : 1 + WORK_ROWS]
    count = 0
    for y in range(y0, y1 + 1):
        dy = y - p[Y]
        # The ellipse on this row: from x0 to x1, some rounding allowed for.
        half = np.sqrt(max(p[A] * q_end - det * dy * dy, 0.0)) / p[A] + 1e-6
        middle = p[X] - p[B] * dy / p[A]
        x0 = max(0, int(np.ceil(max(middle - half, p[X] - rx))))
        x1 = min(nx - 1, int(np.floor(min(middle + half, p[X] + rx))))
        part = base[count:]
        for i in range(x1 - x0 + 1):
            dx = x0 + i - p[X]
            part[i] = 1.0 + c * (p[A] * dx * dx + 2.0 * p[B] * dx * dy + p[C] * dy * dy)
        count += max(x1 - x0 + 1, 0)
    power_of(base, _padded(count), -1.0 / g, powers)
    scale, end = sign * p[HEIGHT], 1.0 + c * q_end
    count = 0
    for y in range(y0, y1 + 1):
        dy = y - p[Y]
        half = np.sqrt(max(p[A] * q_end - det * dy * dy, 0.0)) / p[A] + 1e-6
        middle = p[X] - p[B] * dy / p[A]
        x0 = max(0, int(np.ceil(max(middle - half, p[X] - rx))))
        x1 = min(nx - 1, int(np.floor(min(middle + half, p[X] + rx))))
        row, part, light = image[y], base[count:], powers[0, count:]
        for i in range(x1 - x0 + 1):
            if part[i] < end:
                row[x0 + i] += scale * light[i]
        count += max(x1 - x0 + 1, 0)


@part(inline="never")
def _gather(image: Any, x0: Any, y0: Any, radius: Any, pixels: Any) -> Any:
    """Fill `pixels` with x, y and value of those within a circle that have one; how many."""
    ny, nx = image.shape
    reach, count = int(radius), 0
    for y in range(max(0, y0 - reach), min(ny, y0 + reach + 1)):
        for x in range(max(0, x0 - reach), min(nx, x0 + reach + 1)):
            value = image[y, x]
            if (x - x0) ** 2 + (y - y0) ** 2 <= radius * radius and np.isfinite(value):
                pixels[0, count], pixels[1, count], pixels[2, count] = x, y, value
                count += 1
    for i in range(count, _padded(count)):
        pixels[0, i], pixels[1, i], pixels[2, i] = x0, y0, 0.0
    return count


@part(inline="never", fastmath={"reassoc", "contract"})
def _dot(one: Any, two: Any, count: Any) -> Any:
    total = 0.0
    for i in range(count):
        total += one[i] * two[i]
    return total


@part(inline="never", fastmath={"reassoc", "contract"})
def _dot_four(one: Any, a: Any, b: Any, c: Any, d: Any, count: Any) -> Any:
    """One line times each of four, which takes two thirds of the time of four times `_dot`."""
    with_a = with_b = with_c = with_d = 0.0
    for i in range(count):
        with_a += one[i] * a[i]
        with_b += one[i] * b[i]
        with_c += one[i] * c[i]
        with_d += one[i] * d[i]
    return with_a, with_b, with_c, with_d


@part(inline="never")
def _fill_normal(work: Any, free: Any, size: Any, jtj: Any, jtr: Any) -> Any:
    """Products of the derivatives with one another and with the remainder; its sum of squares.

    Each with itself and the next three, the first ones again after the last: of seven these are
    all pairs, of eight all but those of opposite ones.
    """
    rest = work[8]
    for i in range(free):
        j, k, m = (i + 1) % free, (i + 2) % free, (i + 3) % free
        of_i, of_j, of_k, of_m = _dot_four(work[i], work[i], work[j], work[k], work[m], size)
        jtj[i, i] = of_i
        jtj[max(i, j), min(i, j)] = of_j
        jtj[max(i, k), min(i, k)] = of_k
        jtj[max(i, m), min(i, m)] = of_m
    jtr[0], jtr[1], jtr[2], jtr[3] = _dot_four(rest, work[0], work[1], work[2], work[3], size)
    if free == 4:
        return _dot(rest, rest, size)
    jtr[4], jtr[5], jtr[6], cost = _dot_four(rest, work[4], work[5], work[6], rest, size)
    if free == 8:
        jtr[7] = _dot(work[7], rest, size)
        for i in range(4):
            jtj[i + 4, i] = _dot(work[i + 4], work[i], size)
    return cost


@part(inline="never", fastmath={"contract"})
def _normal(pixels: Any, count: Any, p: Any, free: Any, work: Any, jtj: Any, jtr: Any) -> Any:
    """Normal equations of the `free` first parameters; the cost, and that weighted by the profile.

    The rows of `work` hold the derivatives by the parameters, the remainder, and `power_of`'s.
    """
    size = _padded(count)
    xs, ys, values = pixels[0], pixels[1], pixels[2]
    rest, base, powers = work[8], work[9], work[10 : 10 + WORK_ROWS]
    f, log = powers[0], powers[1]
    height, back, px, py, a, b, cc, g = p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7]
    c = 2.0**g - 1.0
    dc = 2.0**g * 0.6931471805599453
    for i in range(size):
        dx, dy = xs[i] - px, ys[i] - py
        base[i] = 1.0 + c * max(a * dx * dx + 2.0 * b * dx * dy + cc * dy * dy, 0.0)
    power_of(base, size, -1.0 / g, powers)
    d0, d1, d2, d3, d4, d5, d6 = work[0], work[1], work[2], work[3], work[4], work[5], work[6]
    for i in range(size):
        dx, dy = xs[i] - px, ys[i] - py
        slope = -height * c / g * f[i] / base[i]  # dI/dq
        d0[i] = f[i]
        d1[i] = 1.0
        d2[i] = -2.0 * slope * (a * dx + b * dy)
        d3[i] = -2.0 * slope * (b * dx + cc * dy)
        d4[i] = slope
        rest[i] = values[i] - height * f[i] - back
    if free > 4:
        for i in range(size):
            dx, dy, slope = xs[i] - px, ys[i] - py, d4[i]
            d4[i] = slope * dx * dx
            d5[i] = slope * 2.0 * dx * dy
            d6[i] = slope * dy * dy
    if free > 7:
        d7 = work[7]
        for i in range(size):
            d7[i] = height * f[i] * (log[i] / (g * g) - (base[i] - 1.0) / c * dc / (g * base[i]))
    work[:9, count:size] = 0.0
    cost = _fill_normal(work, free, size, jtj, jtr)
    weight = jtj[1, 0]
    for i in range(size):
        rest[i] *= rest[i]
    return cost, _dot(d0, rest, size) / max(weight, 1e-30)


@part(inline="never")
def _cholesky(m: Any, n: Any, damping: Any, low: Any) -> Any:
    """Factor the damped matrix; False if it is not positive definite."""
    for i in range(n):
        for j in range(i + 1):
            s = m[i, j] * (1.0 + damping) if i == j else m[i, j]
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i == j:
                if not s > 1e-14 * abs(m[i, i]):
                    return False
                low[i, i] = np.sqrt(s)
            else:
                low[i, j] = s / low[j, j]
    return True


@part(inline="never")
def _solve(low: Any, n: Any, b: Any, out: Any) -> Any:
    for i in range(n):
        s = b[i]
        for k in range(i):
            s -= low[i, k] * out[k]
        out[i] = s / low[i, i]
    for i in range(n - 1, -1, -1):
        s = out[i]
        for k in range(i + 1, n):
            s -= low[k, i] * out[k]
        out[i] = s / low[i, i]


@part(inline="never")
def _is_legal(trial: Any, p: Any, step: Any, radius: Any) -> Any:
    """Whether a step leads to an ellipse of like size nearby, and to light."""
    det = trial[A] * trial[C] - trial[B] ** 2
    old = p[A] * p[C] - p[B] ** 2
    return (
        trial[A] > 0.0
        and trial[C] > 0.0
        and det > 0.06 * old
        and det < 16.0 * old
        and abs(step[2]) < 0.5 * radius
        and abs(step[3]) < 0.5 * radius
        and trial[HEIGHT] > 0.0
    )


@part(inline="never")
def _relative_error(p: Any, jtj: Any, free: Any) -> Any:
    """Relative error of a star's light for a pixel noise of 1; NaN if it is not determined."""
    low, slope, step = np.zeros((8, 8)), np.zeros(8), np.empty(8)
    if not _cholesky(jtj, free, 0.0, low):
        return np.nan
    # Light is height over the root of the determinant.
    det = p[A] * p[C] - p[B] ** 2
    slope[0] = 1.0 / p[HEIGHT]
    if free > 4:
        slope[4], slope[5], slope[6] = -0.5 * p[C] / det, p[B] / det, -0.5 * p[A] / det
    _solve(low, free, slope, step)
    total = 0.0
    for i in range(free):
        total += slope[i] * step[i]
    return np.sqrt(max(total, 0.0))


@part(inline="never")
def _fit_one(
    image: Any, p: Any, radius: Any, free: Any, rounds: Any, quality: Any, pixels: Any, work: Any
) -> Any:
    """Levenberg-Marquardt (Marquardt 1963) from `p`, changed in place.

    `quality` receives what `QUALITY` lists; where the fit fails its success is 0.
    """
    jtj, jtr, step, low = np.empty((8, 8)), np.empty(8), np.empty(8), np.zeros((8, 8))
    jtj2, jtr2, trial = np.empty((8, 8)), np.empty(8), np.empty(8)
    x0, y0 = int(np.round(p[X])), int(np.round(p[Y]))
    start_x, start_y = p[X], p[Y]
    quality.error = quality.variance = quality.pixels = quality.success = quality.cost = 0.0
    count = _gather(image, x0, y0, radius, pixels)
    if count < free + 3:
        return
    cost, local = _normal(pixels, count, p, free, work, jtj, jtr)
    damping, good = 1e-3, False
    for _ in range(rounds):
        if not _cholesky(jtj, free, damping, low):
            damping = max(damping * 10, 1e-6)
            if damping > 1e6:
                break
            continue
        _solve(low, free, jtr, step)
        _copy(p, trial)
        for i in range(free):
            trial[i] += step[i]
        trial[G] = min(max(trial[G], 0.02), 0.8)
        legal = _is_legal(trial, p, step, radius)
        if legal:
            new, local2 = _normal(pixels, count, trial, free, work, jtj2, jtr2)
        if legal and new <= cost:
            # A hundredth of what one standard deviation makes is no gain.
            small = cost - new < 1e-2 * cost / count
            small = small and abs(step[2]) < 1e-2 and abs(step[3]) < 1e-2
            _copy(trial, p)
            jtj, jtj2 = jtj2, jtj
            jtr, jtr2 = jtr2, jtr
            cost, local = new, local2
            damping *= 0.1
            if small:
                good = True
                break
        else:
            damping = max(damping * 10, 1e-6)
            if damping > 1e6:
                good = True  # no better place nearby
                break
    if abs(p[X] - start_x) > 0.5 * radius or abs(p[Y] - start_y) > 0.5 * radius:
        return
    error = _relative_error(p, jtj, free)
    if not np.isnan(error):
        quality.error = error
        quality.variance = local * count / (count - free)
        quality.pixels = count
        quality.success = 1.0 if good else 0.5
        quality.cost = cost


@loop()
def fit_stars(
    image: Any,
    stars: Any,
    order: Any,
    radius: Any,
    free: Any,
    rounds: Any,
    noise: Any,
    quality: Any,
) -> Any:
    """Fit the stars of `order` in turn; the others' profiles are not in the image meanwhile.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        What is left once every star of `stars` was subtracted; changed in place.
    stars : (n, 8) float64 ndarray
        Changed in place.
    order : (m,) int64 ndarray
        Which ones, brightest first.
    radius : (n,) float64 ndarray
        Of the circle that is fitted, pixels.
    free : (n,) int64 ndarray
        4 (height, background, place), 7 (and shape) or 8 (and index).
    rounds : int
        Most iterations a star.
    noise : (n,) float64 ndarray
        Per pixel at the star; profiles are followed down to a tenth of it.
    quality : (n,) `QUALITY` ndarray
        Of the stars of `order`, filled.
    """
    before = np.empty(8)
    widest = FAR
    for k in range(order.size):
        widest = max(widest, radius[order[k]])
    size = _padded((2 * int(widest) + 1) ** 2)
    pixels, work = np.empty((3, size)), np.ones((10 + WORK_ROWS, size))
    for k in range(order.size):
        i = order[k]
        p = stars[i]
        _draw(image, p, 1.0, 0.1 * noise[i], work)
        _copy(p, before)
        _fit_one(image, p, radius[i], free[i], rounds, quality[i], pixels, work)
        if quality[i].success == 0.0:
            _copy(before, p)
        _draw(image, p, -1.0, 0.1 * noise[i], work)


@loop()
def draw_stars(image: Any, stars: Any, order: Any, sign: Any, noise: Any) -> Any:
    """Add (+1) or subtract (-1) the stars of `order`; as `fit_stars` does it."""
    work = np.ones((1 + WORK_ROWS, _padded((2 * int(FAR) + 1) ** 2)))
    for k in range(order.size):
        i = order[k]
        _draw(image, stars[i], sign, 0.1 * noise[i], work)
