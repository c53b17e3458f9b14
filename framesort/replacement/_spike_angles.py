"""Angles at which bright stars carry light beyond what their round parts explain."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from framesort.replacement import _changes as changes
from framesort.replacement._profile import Profile
from framesort.replacement._robust import robust_std

MAX_SPIKES = 4
_BINS = 180
LONGEST_STEP = np.radians(0.5)


def find_spike_angles(
    rest: NDArray,
    noise: float,
    eps: float,
    model: NDArray,
    x: NDArray,
    y: NDArray,
    flux: NDArray,
    width: float,
) -> NDArray:
    """Angles (radians) of lines through bright stars, strongest first; may be empty.

    `rest` is the image less stars without lines. In sectors of one degree between 2.5 and 9
    widths from each star the amplitude of ``flux / r**2`` is fitted; a spike is a peak of
    the smoothed run that stands 8 standard deviations above the median of all angles.
    """
    num, den = np.zeros(_BINS), np.zeros(_BINS)
    ny, nx = rest.shape
    far = int(np.ceil(9 * width))
    for k in range(min(len(x), 120)):
        cx, cy = round(x[k]), round(y[k])
        y0, y1, x0, x1 = (
            max(0, cy - far),
            min(ny, cy + far + 1),
            max(0, cx - far),
            min(nx, cx + far + 1),
        )
        if y1 <= y0 or x1 <= x0:
            continue
        dy, dx = np.ogrid[y0:y1, x0:x1]
        dy, dx = dy - y[k], dx - x[k]
        r2 = dx * dx + dy * dy
        d = rest[y0:y1, x0:x1]
        use = (r2 > (2.5 * width) ** 2) & (r2 < far * far) & np.isfinite(d)
        g = flux[k] / np.where(r2 > 0, r2, 1)
        w = np.where(use, 1 / (noise**2 + (eps * model[y0:y1, x0:x1]) ** 2), 0)
        which = (np.degrees(np.arctan2(dy, dx)) % 180).astype(int) % _BINS
        # Huber-like: another star in a sector must not pass for a spike.
        limit = 4 * np.sqrt(1 / np.where(w > 0, w, 1)) + 0.02 * g
        d = np.clip(np.where(use, d, 0), -limit, limit)
        num += np.bincount(which.ravel(), (w * g * d).ravel(), _BINS)
        den += np.bincount(which.ravel(), (w * g * g).ravel(), _BINS)
    if not den.any():
        return np.empty(0)
    num, den = (ndimage.gaussian_filter1d(v, 3, mode="wrap") for v in (num, den))
    amount = num / np.maximum(den, 1e-300)
    excess = amount - np.median(amount)
    error = max(
        float(robust_std(excess, 0)),
        float(1 / np.sqrt(np.median(den) * 2 * np.sqrt(np.pi) * 3)),
    )
    found: list[float] = []
    for b in np.argsort(-excess, kind="stable"):
        if excess[b] < 8 * error or len(found) == MAX_SPIKES:
            break
        if excess[b] < max(excess[b - 1], excess[(b + 1) % _BINS]):
            continue
        found = list(add_angles(np.array(found), np.radians([b + 0.5])))
    return np.array(found)


def add_angles(known: NDArray, more: NDArray) -> NDArray:
    """Angles of lines (radians) with further ones that are none of them, `MAX_SPIKES` at most."""
    angles = list(known)
    for a in more:
        if len(angles) < MAX_SPIKES and all(
            abs((a - o + np.pi / 2) % np.pi - np.pi / 2) > np.radians(12) for o in angles
        ):
            angles.append(float(a))
    return np.array(angles)


def refine_angles(
    rest: NDArray,
    noise: float,
    eps: float,
    model: NDArray,
    stars: tuple[NDArray, ...],
    profile: Profile,
) -> NDArray:
    """The angles of a profile's lines, turned by one Gauss-Newton step (at most 0.5 degrees)."""
    x, y, flux, q, reach = stars
    sums = changes.rotate_spikes(
        rest + model, model, noise, eps, x, y, flux, q, reach, profile.tables, 2.0
    )
    cs = profile.tables.cs
    # A line fitted at a wrong angle looks weaker than it is, and the step too long.
    step = np.clip(sums[:, 0] / np.maximum(sums[:, 1], 1e-300), -LONGEST_STEP, LONGEST_STEP)
    return np.arctan2(cs[:, 1], cs[:, 0]) + step
