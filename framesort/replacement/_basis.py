"""Splines that profiles are made of, and the normal equations of their fit; compiled."""

from typing import Any

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._arrays import Floats
from framesort.replacement._kernels import ORDERS, profile_at


@loop(inline="always")
def _cubic(f, w):
    """The four cubic B-splines that are not zero at the fraction `f` of a cell."""
    g = 1.0 - f
    w[0] = g * g * g / 6.0
    w[1] = (4.0 - 6.0 * f * f + 3.0 * f * f * f) / 6.0
    w[2] = (4.0 - 6.0 * g * g + 3.0 * g * g * g) / 6.0
    w[3] = f * f * f / 6.0


@part()
def design(dx, dy, q, step_t, n0, nh, step_u, nu, step_v, nv, cs, index, value):
    """The basis functions that are not zero at an offset: their indices and values; the count."""
    w = np.empty(4)
    z = np.empty(4)
    n = 0
    r = np.sqrt(dx * dx + dy * dy)
    rho = r * q
    t = np.sqrt(rho) / step_t
    i = int(t)
    if i < n0:
        _cubic(t - i, w)
        for a in range(4):
            o = i + a - 1
            # The first spline reaches over the centre: folded back, the profile is even there.
            o = 1 if o < 0 else o
            if o < n0:
                index[n] = o
                value[n] = w[a] * q * q
                n += 1
        if i < nh and r > 0.0:
            c, s = dx / r, dy / r
            cm, sm = c, s
            fade = rho / (rho + 0.1) * q * q
            for m in range(ORDERS):
                for a in range(4):
                    o = i + a - 1
                    o = 1 if o < 0 else o
                    if o < nh - 3:
                        index[n] = n0 + 2 * m * nh + o
                        value[n] = w[a] * cm * fade
                        index[n + 1] = n0 + (2 * m + 1) * nh + o
                        value[n + 1] = w[a] * sm * fade
                        n += 2
                cm, sm = cm * c - sm * s, sm * c + cm * s
    start = n0 + 2 * ORDERS * nh
    for k in range(cs.shape[0]):
        v = abs(dy * cs[k, 0] - dx * cs[k, 1]) * q / step_v
        j = int(v)
        if j <= nv:
            u = np.sqrt(abs(dx * cs[k, 0] + dy * cs[k, 1]) * q) / step_u
            i = int(u)
            if i <= nu:
                _cubic(u - i, w)
                _cubic(v - j, z)
                for a in range(4):
                    o = i + a - 1
                    o = 1 if o < 0 else o
                    if o < nu:
                        for b in range(4):
                            e = j + b - 1
                            e = 1 if e < 0 else e
                            if e < nv:
                                index[n] = start + (k * nu + o) * nv + e
                                value[n] = w[a] * z[b] * q * q
                                n += 1
    return n


@loop()
def gather(
    image, model, sigma, eps, clip, x, y, flux, q, radius, reach, tables, shape, cs, normal, right
):
    """Normal equations of the profile from each star's pixels, neighbours taken away.

    `shape` is (step_t, n0, nh, step_u, nu, step_v, nv) as for `design`. Residuals beyond `clip`
    standard deviations weigh less (Huber's function). `normal` plus its transpose is the matrix.
    """
    ny, nx = image.shape
    step_t, n0, nh, step_u, nu, step_v, nv = shape
    # Unsigned: the innermost loop need not test for indices that count from the end.
    index = np.empty(4 + 8 * ORDERS + 16 * cs.shape[0], np.uint64)
    value = np.empty(len(index))
    size = len(right)
    mean = np.empty(size)
    for k in range(len(x)):
        f = flux[k]
        # Every star stands on its own constant background, solved for and eliminated.
        mean[:] = 0.0
        s1 = sd = 0.0
        big = max(radius[k], reach[k]) if cs.shape[0] else radius[k]
        vmax = (nv + 1) * step_v / q[k]
        for j in range(max(0, int(np.ceil(y[k] - big))), min(ny, int(y[k] + big) + 1)):
            dy = j - y[k]
            half = np.sqrt(max(big * big - dy * dy, 0.0))
            for i in range(max(0, int(np.ceil(x[k] - half))), min(nx, int(x[k] + half) + 1)):
                dx = i - x[k]
                if dx * dx + dy * dy > radius[k] * radius[k]:
                    near = False
                    for m in range(cs.shape[0]):
                        if abs(dy * cs[m, 0] - dx * cs[m, 1]) < vmax:
                            near = True
                    if not near:
                        continue
                d = image[j, i] - model[j, i]
                if not np.isfinite(d):
                    continue
                var = sigma * sigma + (eps * model[j, i]) ** 2
                w = 1.0 / var
                off = abs(d) / np.sqrt(var)
                if off > clip:
                    w *= clip / off
                d += f * profile_at(dx, dy, q[k], tables)
                n = design(dx, dy, q[k], step_t, n0, nh, step_u, nu, step_v, nv, cs, index, value)
                inside = dx * dx + dy * dy <= radius[k] * radius[k]
                if inside:
                    s1 += w
                    sd += w * d
                for a in range(n):
                    wa = w * f * value[a]
                    right[index[a]] += wa * d
                    if inside:
                        mean[index[a]] += wa
                    wa *= f
                    row = normal[index[a]]
                    for b in range(a):
                        row[index[b]] += wa * value[b]
                    row[index[a]] += 0.5 * wa * value[a]
        if s1 > 0.0:
            for a in range(size):
                if mean[a] != 0.0:
                    right[a] -= mean[a] * sd / s1
                    for b in range(a):
                        normal[a, b] -= mean[a] * mean[b] / s1
                    normal[a, a] -= 0.5 * mean[a] * mean[a] / s1


def sample_design(t: Floats, shape: tuple[Any, ...]) -> tuple[Floats, Floats]:
    """Radial basis at the values `t`: the mean's splines and the harmonics' (with their fade)."""
    step_t, n0, nh = shape[:3]
    mean, other = np.zeros((len(t), n0)), np.zeros((len(t), nh))
    w = np.empty(4)
    for k, a in enumerate(t / step_t):
        i = int(a)
        if i >= n0:
            continue
        _cubic(a - i, w)
        for b in range(4):
            o = abs(i + b - 1)
            if o < n0:
                mean[k, o] += w[b]
            if o < nh - 3 and i < nh:
                other[k, o] += w[b] * t[k] ** 2 / (t[k] ** 2 + 0.1)
    return mean, other


def sample_splines(a: Floats, step: float, n: int) -> Floats:
    """Folded cubic B-splines of spacing `step` at the values `a`, one column a spline."""
    out = np.zeros((len(a), n))
    w = np.empty(4)
    for k, v in enumerate(a / step):
        i = int(v)
        _cubic(v - i, w)
        for b in range(4):
            o = abs(i + b - 1)
            if o < n:
                out[k, o] += w[b]
    return out
