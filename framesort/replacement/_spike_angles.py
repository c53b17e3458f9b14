"""Angles at which bright stars carry light beyond what their round parts explain."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy import ndimage

from framesort.replacement import _changes as changes
from framesort.replacement._arrays import Array
from framesort.replacement._robust import robust_std
from framesort.replacement._side import Side

MAX_SPIKES = 4
BINS = 180
LONGEST_STEP = np.radians(0.5)


NEAR, FAR = 2.5, 9.0
"""Widths from a star's centre between which spikes are looked for."""

_SMOOTH = 3.0


class Sectors(NamedTuple):
    """Pixels around a star, and in which sector of one degree each lies, both sides together.

    Attributes
    ----------
    light, weight : ndarray
        Pixels and 1 / variance; 0 where not to be used.
    shape : ndarray
        ``flux / r**2``, whose amplitude is fitted.
    number : int ndarray
    """

    light: Array
    weight: Array
    shape: Array
    number: Array

    def sums(self, limit: Array) -> tuple[Array, Array]:
        """Numerator and denominator of the amplitude by sector, of light cut off at `limit`."""
        light = np.clip(self.light, -limit, limit)
        top, bottom = (
            np.bincount(self.number.ravel(), (self.weight * self.shape * v).ravel(), BINS)
            for v in (light, self.shape)
        )
        return top, bottom


def sectors_around(
    image: Callable[[tuple[slice, slice]], Array],
    star: tuple[float, float, float],
    width: float,
    error: tuple[float, float, Array],
) -> Sectors | None:
    """Sectors around a star (x, y, flux) between 2.5 and 9 widths; None outside of the image.

    `image` gives a part of it.
    `error` is the noise, the error of star light as a share of it, and the star light.
    """
    x, y, flux = star
    noise, eps, model = error
    ny, nx = model.shape
    far = int(np.ceil(FAR * width))
    first, last = max(0, round(y) - far), min(ny, round(y) + far + 1)
    left, right = max(0, round(x) - far), min(nx, round(x) + far + 1)
    if last <= first or right <= left:
        return None
    dy, dx = np.ogrid[first:last, left:right]
    dy, dx = dy - y, dx - x
    r2 = dx * dx + dy * dy
    cut = np.s_[first:last, left:right]
    light = image(cut)
    use = (r2 > (NEAR * width) ** 2) & (r2 < far * far) & np.isfinite(light)
    return Sectors(
        np.where(use, light, 0),
        np.where(use, 1 / (noise**2 + (eps * model[cut]) ** 2), 0),
        flux / np.where(r2 > 0, r2, 1),
        (np.degrees(np.arctan2(dy, dx)) % 180).astype(int) % BINS,
    )


def smooth_sums(sums: tuple[Array, Array]) -> list[Array]:
    """Sums by sector, each a mean with the sectors beside it."""
    return [ndimage.gaussian_filter1d(one, _SMOOTH, mode="wrap") for one in sums]


def find_spike_angles(side: Side, stars: tuple[Array, ...]) -> Array:
    """Angles (radians) of lines through bright stars, strongest first; may be empty.

    Of the image less its model, of stars without lines; `stars` are x, y and flux. In sectors of
    one degree between 2.5 and 9 widths from each star the amplitude of ``flux / r**2`` is fitted; a
    spike is a peak of the smoothed run that stands 8 standard deviations above the median of all
    angles.
    """

    def rest(cut: tuple[slice, slice]) -> Array:
        return side.image[cut] - side.model[cut]

    num, den = np.zeros(BINS), np.zeros(BINS)
    error = side.noise, side.eps, side.model
    for star in zip(*stars, strict=True):
        around = sectors_around(rest, star, side.profile.width, error)
        if around is None:
            continue
        # Huber-like: another star in a sector must not pass for a spike.
        weight = np.where(around.weight > 0, around.weight, 1)
        sums = around.sums(4 * np.sqrt(1 / weight) + 0.02 * around.shape)
        num += sums[0]
        den += sums[1]
    if not den.any():
        return np.empty(0)
    num, den = smooth_sums((num, den))
    amount = num / np.maximum(den, 1e-300)
    excess = amount - np.median(amount)
    least = max(
        float(robust_std(excess, 0)),
        float(1 / np.sqrt(np.median(den) * 2 * np.sqrt(np.pi) * _SMOOTH)),
    )
    found: list[float] = []
    for b in np.argsort(-excess, kind="stable"):
        if excess[b] < 8 * least or len(found) == MAX_SPIKES:
            break
        if excess[b] < max(excess[b - 1], excess[(b + 1) % BINS]):
            continue
        found = list(add_angles(np.array(found), np.radians([b + 0.5])))
    return np.array(found)


def add_angles(known: Array, more: Array) -> Array:
    """Angles of lines (radians) with further ones that are none of them, `MAX_SPIKES` at most."""
    angles = list(known)
    for a in more:
        if len(angles) < MAX_SPIKES and all(
            abs((a - o + np.pi / 2) % np.pi - np.pi / 2) > np.radians(12) for o in angles
        ):
            angles.append(float(a))
    return np.array(angles)


def refine_angles(side: Side, stars: tuple[Array, ...]) -> Array:
    """The angles of a profile's lines, turned by one Gauss-Newton step (at most 0.5 degrees).

    `stars` are x, y, flux, q, and the radius within which pixels count.
    """
    tables = side.profile.tables
    num, den = changes.rotate_spikes(
        side.image, side.model, side.noise, side.eps, *stars, tables, 2.0
    ).T
    cs = tables.cs
    # A line fitted at a wrong angle looks weaker than it is, and the step too long.
    step = np.clip(num / np.maximum(den, 1e-300), -LONGEST_STEP, LONGEST_STEP)
    return np.asarray(np.arctan2(cs[:, 1], cs[:, 0]) + step)
