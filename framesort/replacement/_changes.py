"""What is to change in the picture, and how well both profiles predict it; compiled."""

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._kernels import Tables, line_value, profile_at


@part()
def _turn_spike(tables, m, turn):
    """Tables with one spike turned by an angle, radians."""
    cs = tables.cs.copy()
    c, s = tables.cs[m, 0], tables.cs[m, 1]
    cs[m, 0] = np.cos(turn) * c - np.sin(turn) * s
    cs[m, 1] = np.sin(turn) * c + np.cos(turn) * s
    return Tables(
        tables.radial, tables.per_t, tables.inner, tables.line, tables.per_u, tables.per_v, cs
    )


@loop()
def rotate_spikes(image, model, sigma, eps, x, y, flux, q, reach, tables, inner):
    """By how much each spike should be turned: sums for a Gauss-Newton step, radians."""
    ny, nx = image.shape
    sums = np.zeros((tables.cs.shape[0], 2))
    turn = 0.01
    for m in range(tables.cs.shape[0]):
        c, s = tables.cs[m, 0], tables.cs[m, 1]
        after, before = _turn_spike(tables, m, turn), _turn_spike(tables, m, -turn)
        for k in range(len(x)):
            vmax = (tables.line.shape[2] - 1) / (tables.per_v * q[k])
            for j in range(max(0, int(y[k] - reach[k])), min(ny, int(y[k] + reach[k]) + 1)):
                for i in range(max(0, int(x[k] - reach[k])), min(nx, int(x[k] + reach[k]) + 1)):
                    dx, dy = i - x[k], j - y[k]
                    if abs(dy * c - dx * s) > vmax or dx * dx + dy * dy < (inner / q[k]) ** 2:
                        continue
                    d = image[j, i] - model[j, i]
                    if np.isfinite(d):
                        w = 1.0 / (sigma * sigma + (eps * model[j, i]) ** 2)
                        g = line_value(dx, dy, q[k], after) - line_value(dx, dy, q[k], before)
                        g = flux[k] * q[k] * q[k] * g / (2 * turn)
                        sums[m, 0] += w * g * d
                        sums[m, 1] += w * g * g
    return sums


@loop()
def compare_stars(
    difference,
    light,
    sigma,
    eps,
    x,
    y,
    shift_x,
    shift_y,
    take,
    applied,
    qd,
    qs,
    reach,
    deep,
    sharp,
    out,
):
    """How much of the change that the two profiles predict is there in the stacks' difference.

    `difference` is deep less sharp (scaled) less the predicted change of all stars, `light` the
    deep stack's star light. For each star ``a`` of
    ``a * (take P_deep - applied P_sharp) + constant`` is solved for; `out` rows:
    a, its standard deviation (inf where it is not known).
    """
    ny, nx = difference.shape
    for k in range(len(x)):
        spp = sp = s1 = spd = sd = 0.0
        r = reach[k]
        for j in range(max(0, int(np.ceil(y[k] - r))), min(ny, int(y[k] + r) + 1)):
            for i in range(max(0, int(np.ceil(x[k] - r))), min(nx, int(x[k] + r) + 1)):
                dx, dy = i - x[k], j - y[k]
                d = difference[j, i]
                if dx * dx + dy * dy > r * r or not np.isfinite(d):
                    continue
                p = take[k] * profile_at(dx - shift_x[k], dy - shift_y[k], qd[k], deep)
                p -= applied[k] * profile_at(dx, dy, qs[k], sharp)
                w = 1.0 / (sigma * sigma + (eps * light[j, i]) ** 2)
                spp += w * p * p
                sp += w * p
                s1 += w
                spd += w * p * d
                sd += w * d
        out[k, 0], out[k, 1] = 1.0, np.inf
        if s1 > 0.0:
            det = spp - sp * sp / s1
            if det > 0.0:
                out[k, 0] = 1.0 + (spd - sp * sd / s1) / det
                out[k, 1] = 1.0 / np.sqrt(det)


@loop()
def add_changes(
    taken,
    given,
    strength,
    first,
    last,
    high,
    x,
    y,
    shift_x,
    shift_y,
    take,
    applied,
    qd,
    qs,
    inner,
    radius,
    reach,
    deep,
    sharp,
):
    """Light to take from the deep stack and to give to it, star by star, and how strong it is.

    In rows `first` to `last` only.

    `strength` grows by the size of the change, within `inner` of a star by `high` at least.
    Beyond `radius` pixels only spikes are drawn, out to `reach`.
    """
    nx = taken.shape[1]
    lines = deep.cs.shape[0] + sharp.cs.shape[0]
    for k in range(len(x)):
        big = max(radius[k], reach[k]) if lines else radius[k]
        for j in range(max(first, int(np.ceil(y[k] - big))), min(last, int(y[k] + big) + 1)):
            dy = j - y[k]
            half = np.sqrt(max(big * big - dy * dy, 0.0))
            for i in range(max(0, int(np.ceil(x[k] - half))), min(nx, int(x[k] + half) + 1)):
                dx = i - x[k]
                r2 = dx * dx + dy * dy
                ex, ey = dx - shift_x[k], dy - shift_y[k]
                if r2 <= radius[k] * radius[k]:
                    t = take[k] * profile_at(ex, ey, qd[k], deep)
                    g = applied[k] * profile_at(dx, dy, qs[k], sharp)
                else:
                    t = take[k] * qd[k] ** 2 * line_value(ex, ey, qd[k], deep)
                    g = applied[k] * qs[k] ** 2 * line_value(dx, dy, qs[k], sharp)
                if t != 0.0 or g != 0.0:
                    taken[j, i] += t
                    given[j, i] += g
                    size = abs(t - g)
                    if r2 < inner[k] * inner[k]:
                        size = max(size, high)
                    strength[j, i] += size
