"""The loops over stars and pixels, compiled. Arrays in, arrays changed in place.

A profile is evaluated from tables (`Tables`): harmonics of the angle over ``t = sqrt(rho)``
and spikes over ``sqrt(|u|)`` and ``|v|``, where all lengths are distance times ``q``
(``q`` = 1 / width, per star) and the value is multiplied by ``q**2`` so that flux is kept.
"""

from typing import NamedTuple

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._arrays import Floats

ORDERS = 4
"""Highest harmonic of the angle."""
HARMONICS = 2 * ORDERS + 1


class Tables(NamedTuple):
    """Sampled profile of one stack.

    Attributes
    ----------
    radial : (HARMONICS, n) float64 ndarray
        Coefficients of 1, cos a, sin a, cos 2a, sin 2a, ... over ``t``, one column a step.
    per_t : float
        Columns per unit of ``t``.
    inner : float
        Beyond this ``t`` only the mean over angles is not zero.
    line : (n_lines, nu, nv) float64 ndarray
        Spikes, over ``sqrt(|u|)`` and ``|v|``.
    per_u, per_v : float
        Samples per unit of each.
    cs : (n_lines, 2) float64 ndarray
        Cosine and sine of each spike's angle.
    """

    radial: Floats
    per_t: float
    inner: float
    line: Floats
    per_u: float
    per_v: float
    cs: Floats


@part(inline="always")
def line_value(dx, dy, q, tables):
    value = 0.0
    nu, nv = tables.line.shape[1], tables.line.shape[2]
    for k in range(tables.line.shape[0]):
        c, s = tables.cs[k, 0], tables.cs[k, 1]
        b = abs(dy * c - dx * s) * q * tables.per_v
        j = int(b)
        if j < nv - 1:
            a = np.sqrt(abs(dx * c + dy * s) * q) * tables.per_u
            i = int(a)
            if i < nu - 1:
                a -= i
                b -= j
                value += (1 - a) * (
                    (1 - b) * tables.line[k, i, j] + b * tables.line[k, i, j + 1]
                ) + a * ((1 - b) * tables.line[k, i + 1, j] + b * tables.line[k, i + 1, j + 1])
    return value


@part()
def profile_at(dx, dy, q, tables):
    """Profile of a star of flux 1 at an offset from its centre."""
    r = np.sqrt(dx * dx + dy * dy)
    t = np.sqrt(r * q)
    a = t * tables.per_t
    i = int(a)
    value = 0.0
    if i < tables.radial.shape[1] - 1:
        a -= i
        value = (1 - a) * tables.radial[0, i] + a * tables.radial[0, i + 1]
        if t < tables.inner and r > 0.0:
            c, s = dx / r, dy / r
            cm, sm = c, s
            for m in range(1, ORDERS + 1):
                value += cm * (
                    (1 - a) * tables.radial[2 * m - 1, i] + a * tables.radial[2 * m - 1, i + 1]
                )
                value += sm * ((1 - a) * tables.radial[2 * m, i] + a * tables.radial[2 * m, i + 1])
                cm, sm = cm * c - sm * s, sm * c + cm * s
    return (value + line_value(dx, dy, q, tables)) * q * q


@loop()
def profile_values(dx, dy, tables, out):
    """`profile_at` at many offsets, for a width of 1."""
    for k in range(len(out)):
        out[k] = profile_at(dx[k], dy[k], 1.0, tables)


@part()
def _add_star_rows(image, first, last, x, y, flux, q, radius, reach, tables):
    """Add a star to rows `first` to `last` of an image."""
    nx = image.shape[1]
    big = max(radius, reach) if tables.line.shape[0] else radius
    vmax = (tables.line.shape[2] - 1) / (tables.per_v * q)
    for j in range(max(first, int(np.ceil(y - big))), min(last, int(y + big) + 1)):
        dy = j - y
        half = np.sqrt(max(radius * radius - dy * dy, 0.0)) if abs(dy) <= radius else -1.0
        for i in range(max(0, int(np.ceil(x - big))), min(nx, int(x + big) + 1)):
            dx = i - x
            if abs(dx) <= half:
                image[j, i] += flux * profile_at(dx, dy, q, tables)
            elif big > radius and dx * dx + dy * dy <= big * big:
                for k in range(tables.cs.shape[0]):
                    if abs(dy * tables.cs[k, 0] - dx * tables.cs[k, 1]) < vmax:
                        image[j, i] += flux * q * q * line_value(dx, dy, q, tables)
                        break


@loop()
def add_star(image, x, y, flux, q, radius, reach, tables):
    """Add a star to an image: a disc of `radius`, and its spikes out to `reach`."""
    _add_star_rows(image, 0, len(image), x, y, flux, q, radius, reach, tables)


@loop()
def add_stars(image, first, last, x, y, flux, q, radius, reach, tables):
    """Add many stars to rows `first` to `last` of an image."""
    for k in range(len(x)):
        if flux[k] != 0.0:
            far = max(radius[k], reach[k]) + 1.0
            if y[k] + far >= first and y[k] - far < last:
                _add_star_rows(
                    image, first, last, x[k], y[k], flux[k], q[k], radius[k], reach[k], tables
                )


@part()
def _solve(a, b, n):
    """Solve a small symmetric system in place by Gauss's elimination; False if singular."""
    for k in range(n):
        if not a[k, k] > 1e-300:
            return False
        for i in range(k + 1, n):
            m = a[i, k] / a[k, k]
            for j in range(k, n):
                a[i, j] -= m * a[k, j]
            b[i] -= m * b[k]
    for k in range(n - 1, -1, -1):
        for j in range(k + 1, n):
            b[k] -= a[k, j] * b[j]
        b[k] /= a[k, k]
    return True


@part()
def _derive(dx, dy, flux, q, tables, n, p):
    """Fill `p` with what the first `n` unknowns of `fit_stars` add to a pixel, each by one unit."""
    h = 0.2
    p[0] = profile_at(dx, dy, q, tables)
    p[1] = 1.0
    if n >= 4:
        left, right = profile_at(dx - h, dy, q, tables), profile_at(dx + h, dy, q, tables)
        p[2] = flux * (left - right) / (2 * h)
        low, high = profile_at(dx, dy - h, q, tables), profile_at(dx, dy + h, q, tables)
        p[3] = flux * (low - high) / (2 * h)
    if n >= 5:
        wide, narrow = profile_at(dx, dy, q * 0.97, tables), profile_at(dx, dy, q * 1.03, tables)
        p[4] = flux * (wide - narrow) / 0.06


@loop()
def fit_stars(image, model, sigma, eps, x, y, flux, q, reach, tables, n, out):
    """Fit each star's own pixels of one image by least squares; nothing is changed but `out`.

    `image` has no background, NaN where not to be used; `model` holds the light of all stars.
    The weight of a pixel is ``1 / (sigma**2 + (eps * model)**2)``. Solved for are `n` unknowns
    (`_fit.Unknowns`): change of flux, constant background, shift in x and y, relative width.
    The columns of `out` are those of `_fit.StarFits`.
    """
    ny, nx = image.shape
    a, b, p = np.empty((5, 5)), np.empty(5), np.empty(5)
    inverse, unit = np.empty((5, 5)), np.empty(5)
    for k in range(len(x)):
        a[:] = 0.0
        b[:] = 0.0
        out[k, :] = 0.0
        wanted = used = 0
        for j in range(int(np.ceil(y[k] - reach[k])), int(y[k] + reach[k]) + 1):
            dy = j - y[k]
            half = np.sqrt(max(reach[k] ** 2 - dy * dy, 0.0))
            for i in range(int(np.ceil(x[k] - half)), int(x[k] + half) + 1):
                wanted += 1
                if i < 0 or j < 0 or i >= nx or j >= ny:
                    continue
                d = image[j, i] - model[j, i]
                if not np.isfinite(d):
                    continue
                used += 1
                w = 1.0 / (sigma * sigma + (eps * model[j, i]) ** 2)
                _derive(i - x[k], dy, flux[k], q[k], tables, n, p)
                for m in range(n):
                    b[m] += w * d * p[m]
                    for o in range(m + 1):
                        a[m, o] += w * p[m] * p[o]
        for m in range(n):
            for o in range(m):
                a[o, m] = a[m, o]
        out[k, 6] = used / max(wanted, 1)
        if used < 3 * n:
            continue
        good = True
        for m in range(n):
            # A touch of damping keeps the solution sane where the flux is still near zero.
            a[m, m] *= 1.0 + 1e-6
            if m >= 2:
                a[m, m] += 1e-12
        for m in (0, 2, 4):
            if m < n:
                for i in range(n):
                    for j in range(n):
                        inverse[i, j] = a[i, j]
                unit[:] = 0.0
                unit[m] = 1.0
                if _solve(inverse, unit, n) and unit[m] > 0.0:
                    out[k, (0, 0, 3, 0, 5)[m]] = np.sqrt(unit[m])
                else:
                    good = False
        if good and _solve(a, b, n):
            out[k, 1] = b[2] if n > 2 else 0.0
            out[k, 2] = b[3] if n > 2 else 0.0
            out[k, 4] = b[4] if n > 4 else 0.0
        else:
            out[k, 6] = 0.0


@loop()
def sweep_fluxes(image, model, sigma, eps, x, y, flux, q, core, radius, reach, tables, rounds):
    """Gauss-Seidel rounds of the joint least squares for all fluxes, brightest first.

    Every star has its own constant background within `core`. `flux` and `model` change.
    """
    ny, nx = image.shape
    for _ in range(rounds):
        for k in range(len(x)):
            spp = sp = s1 = spd = sd = 0.0
            for j in range(max(0, int(np.ceil(y[k] - core[k]))), min(ny, int(y[k] + core[k]) + 1)):
                dy = j - y[k]
                half = np.sqrt(max(core[k] ** 2 - dy * dy, 0.0))
                for i in range(max(0, int(np.ceil(x[k] - half))), min(nx, int(x[k] + half) + 1)):
                    d = image[j, i] - model[j, i]
                    if np.isfinite(d):
                        w = 1.0 / (sigma * sigma + (eps * model[j, i]) ** 2)
                        p = profile_at(i - x[k], dy, q[k], tables)
                        spp += w * p * p
                        sp += w * p
                        s1 += w
                        spd += w * p * d
                        sd += w * d
            det = spp * s1 - sp * sp
            if s1 <= 0.0 or not det > 1e-12 * spp * s1:
                continue
            change = max((spd * s1 - sd * sp) / det, -flux[k])
            # A thirtieth of the flux's own uncertainty is not worth drawing.
            if change * change * det > 1e-3 * s1:
                flux[k] += change
                add_star(model, x[k], y[k], change, q[k], radius[k], reach[k], tables)
