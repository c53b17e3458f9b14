"""Light along rays from stars, and the spike template that is fitted to it."""

import functools
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtrit

from framesort.compiled import loop, part
from framesort.records import SPIKE_BINS
from framesort.stars._fit import HEIGHT, A, B, C, G, X, Y
from framesort.stars._power import STRIDE, WORK_ROWS, power_of

__all__ = [
    "INNER",
    "OUTER",
    "angles_tried",
    "choose_spike",
    "peak_angle",
    "sample_rays",
    "spike_filter",
    "spike_template",
    "spike_templates",
    "weigh_light",
    "widen_error",
]

INNER, OUTER = 2.0, 6.0
"""Radii between which the light is sampled, FWHM: the core and most of the halo lie inside."""

_TOGETHER = 256
"""Points along rays whose profile is computed together."""


@loop()
def sample_rays(
    image: Any, stars: Any, order: Any, inner: Any, outer: Any, bins: Any, steps: Any, limit: Any
) -> Any:
    """Light between two radii in sectors around stars.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        All stars subtracted; NaN where there is no data.
    stars : (n, 8) float64 ndarray
    order : (m,) int64 ndarray
    inner, outer : float
        Radii, pixels.
    bins : int
        Sectors in half a turn.
    steps : int
        Points along a ray.
    limit : (m,) float64 ndarray
        Value down to which each star's profile was subtracted.

    Returns
    -------
    (2, m, 2, bins) float64 ndarray
        Light (value times area) by side and sector, first with the star's own profile, then
        without all of it; NaN where a third of a ray is missing.
    """
    ny, nx = image.shape
    out = np.empty((2, order.size, 2, bins))
    dr = (outer - inner) / steps
    # Rays no further apart than a pixel: each pixel is then used.
    across = max(1, int(np.ceil(outer * np.pi / bins)))
    angle = (np.arange(bins * across) + 0.5) * np.pi / (bins * across)
    cosine, sine = np.cos(angle), np.sin(angle)
    count = steps * across
    radius, piece, every = np.empty(count), np.empty(count), 0.0
    for s in range(count):
        radius[s] = inner + (s // across + 0.5) * dr
        piece[s] = radius[s] * dr * np.pi / bins / across
        every += piece[s]
    # So many sectors together that few places are left empty.
    group = min(bins, max(1, _TOGETHER // count))
    size = (group * count + STRIDE - 1) // STRIDE * STRIDE
    base, work = np.ones(size), np.empty((WORK_ROWS, size))
    for k in range(order.size):
        p = stars[order[k]]
        c = 2.0 ** p[G] - 1.0
        q_end = ((p[HEIGHT] / limit[k]) ** p[G] - 1.0) / c
        for b in range(bins):
            at = b % group * count
            if at == 0:
                n = 0
                for ray in range(b * across, min(b + group, bins) * across):
                    ux, uy = cosine[ray], sine[ray]
                    shape = p[A] * ux * ux + 2.0 * p[B] * ux * uy + p[C] * uy * uy
                    n = ray // across % group * count + ray % across
                    for s in range(steps):
                        r = radius[s * across]
                        base[n + s * across] = 1.0 + c * max(shape * r * r, 0.0)
                power_of(base, size, -1.0 / p[G], work)
            shapes, powers = base[at : at + count], work[0, at : at + count]
            for side in range(2):  # of equal profile
                sign = 1.0 - 2.0 * side
                total, own, area = 0.0, 0.0, 0.0
                s = 0
                for _ in range(steps):
                    r = sign * radius[s]
                    for ray in range(b * across, (b + 1) * across):
                        x, y = p[X] + r * cosine[ray], p[Y] + r * sine[ray]
                        part, shape, power = piece[s], shapes[s], powers[s]
                        s += 1
                        if x < 0.0 or y < 0.0 or x > nx - 1.0 or y > ny - 1.0:
                            continue
                        i, j = min(int(x), nx - 2), min(int(y), ny - 2)
                        fx, fy = x - i, y - j
                        low, high = image[j], image[j + 1]
                        value = (1.0 - fy) * ((1.0 - fx) * low[i] + fx * low[i + 1]) + fy * (
                            (1.0 - fx) * high[i] + fx * high[i + 1]
                        )
                        if not np.isfinite(value):
                            continue
                        profile = p[HEIGHT] * power
                        own += profile * part
                        if shape >= 1.0 + c * q_end:
                            value -= profile
                        total += value * part
                        area += part
                whole = every / area if 3.0 * area > 2.0 * every else np.nan
                out[0, k, side, b] = (total + own) * whole
                out[1, k, side, b] = total * whole
    return out


@part()
def _add_products(row: Any, weights: Any, a: Any, out: Any) -> Any:
    """Add every second of eight values times its weights, the last one first."""
    one, two, three, four = row[a], row[a + 2], row[a + 4], row[a + 6]
    by_one, by_two, by_three, by_four = weights[a], weights[a + 2], weights[a + 4], weights[a + 6]
    for k in range(out.size):
        rest = three * by_three[k] + (four * by_four[k] + out[k])
        out[k] = one * by_one[k] + (two * by_two[k] + rest)


@loop()
def weigh_light(light: Any, weights: Any, out: Any) -> Any:
    """Light by angle (m, bins) times each of the weights (bins, n), into `out` (m, n).

    Added up in the order of `numpy.einsum`, even and odd angles apart, for all weights at once.
    """
    bins = light.shape[1]
    odd = np.empty(out.shape[1])
    for s in range(light.shape[0]):
        row, even = light[s], out[s]
        for k in range(odd.size):
            even[k] = odd[k] = 0.0
        a = 0
        while a + 8 <= bins:
            _add_products(row, weights, a, even)
            _add_products(row, weights, a + 1, odd)
            a += 8
        for b in range(a, bins):
            part, value, by = (even if (b - a) % 2 == 0 else odd), row[b], weights[b]
            for k in range(part.size):
                part[k] = value * by[k] + part[k]
        for k in range(odd.size):
            even[k] += odd[k]


def spike_template(
    angle: NDArray[np.float64], *, inner: float = INNER, outer: float = OUTER
) -> NDArray[np.float64]:
    """Light by sector of a spike of unit light at each angle.

    The spike is as wide across as a star (a Gaussian of the same FWHM) and its light falls as
    one over the distance, between the steady and the inverse-square fall of diffraction by
    edges (Goodman, Introduction to Fourier Optics, ch. 4); the shape in angle hardly depends
    on that.

    Parameters
    ----------
    angle : (n,) float ndarray
        Degrees.
    inner, outer : float
        Radii, FWHM.

    Returns
    -------
    (n, SPIKE_BINS) float ndarray
        Each row sums to 1.
    """
    return spike_templates(angle, [(inner, outer)])[0]


def spike_templates(
    angle: NDArray[np.float64], rings: Iterable[tuple[float, float]]
) -> list[NDArray[np.float64]]:
    """The same for several rings."""
    centre = (np.arange(SPIKE_BINS) + 0.5) * 180 / SPIKE_BINS
    off = (centre - np.asarray(angle, dtype=float)[:, None] + 90) % 180 - 90
    # Angles a degree apart are at a few distances from the sectors' centres, many times each.
    single, which = np.unique(off, return_inverse=True)
    sine = np.sin(np.radians(single))
    result = []
    for inner, outer in rings:
        across = np.linspace(inner, outer, 33) * sine[:, None] * 2.3548
        light = np.exp(-0.5 * across**2).sum(axis=-1)[which].reshape(off.shape)
        result.append(np.asarray(light / light.sum(axis=1, keepdims=True)))
    return result


@functools.cache
def spike_filter() -> NDArray[np.float64]:
    """Weights for each whole degree whose sum with a profile is the light of a spike there.

    The least-squares amplitude of the template beside a constant.
    """
    shape = spike_template(np.arange(180.0))
    shape = shape - shape.mean(axis=1, keepdims=True)
    return np.asarray(shape / (shape**2).sum(axis=1, keepdims=True))


@functools.cache
def angles_tried() -> float:
    """How many independent angles are searched for the strongest spike.

    The chance that a smooth random curve over the angles exceeds u somewhere is that of its
    crossing u upwards, sqrt(l) / 2 exp(-u^2 / 2) over half a turn, l the curvature of its
    correlation (Rice 1944, Bell Syst. Tech. J. 23, 282); n times that of one normal value is
    the same for n = u sqrt(pi l / 2). Taken at the u that has the chance of 3 deviations.
    """
    weights = spike_filter()
    close = float(weights[0] @ weights[1] / (weights[0] @ weights[0]))
    bend = (2 - 2 * close) / np.radians(1.0) ** 2
    number = 1.0
    for _ in range(20):
        number = float(-ndtri(ndtr(-3) / number) * np.sqrt(np.pi * bend / 2))
    return number


def widen_error(freedom: float) -> float:
    """Factor by which an error grows so that 3 of it mean what 3 deviations do.

    It pays for the free choice of the angle and, by Student's distribution, for an error that
    is itself uncertain.
    """
    return -float(stdtrit(freedom, ndtr(-3) / angles_tried())) / 3


def choose_spike(
    strength: NDArray[np.float64], error: NDArray[np.float64], angle: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Strength, uncertainty and angle of the most significant spike.

    From there to the nearest top of the strength, since the error differs from one angle to the
    next by chance.
    """
    best = int(np.argmax(strength / error))
    near = (best + np.arange(-6, 7)) % len(strength)
    best = int(near[np.argmax(strength[near])])
    return float(strength[best]), float(error[best]), peak_angle(strength, angle, best)


def peak_angle(strength: NDArray[np.float64], angle: NDArray[np.float64], best: int) -> float:
    """Middle of the top of a curve over angles: the mean weighted by what exceeds 0.7 of it.

    Steadier than the highest point where a spike is a fan and its top is flat.

    Parameters
    ----------
    strength : (n,) float ndarray
        Periodic.
    angle : (n,) float ndarray
        Degrees, evenly spaced over [0, 180).
    best : int
        Where the top is.
    """
    n = len(strength)
    turned = np.roll(strength, n // 2 - best)
    above = turned - 0.7 * strength[best]
    left = right = n // 2
    while left > 0 and above[left - 1] > 0:
        left -= 1
    while right < n - 1 and above[right + 1] > 0:
        right += 1
    weight = np.maximum(above[left : right + 1], 0)
    if not weight.sum() > 0:
        return float(angle[best])
    offset = weight @ (np.arange(left, right + 1) - n // 2) / weight.sum()
    return float((angle[best] + offset * (angle[1] - angle[0])) % 180)
