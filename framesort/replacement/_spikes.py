"""The spikes of single bright stars, where they differ from the mean profile's."""

import numpy as np
from numpy.typing import NDArray

from framesort.replacement import _kernels as kernels
from framesort.replacement._fit import Places, Side, local_q

__all__ = ["draw_spike", "own_spikes"]

MOST = 60
"""Brightest stars that are looked at."""

CLEAR = 3.0
"""Noise of a pixel that a spike must exceed."""

NEAR, BESIDE = 2.5, 3.0
"""Widths from the star's centre, and on either side of the spike, of the pixels that tell."""

DOUBT = 0.1
"""Relative error granted to the model there."""


def own_spikes(side: Side, places: Places) -> NDArray[np.float64]:
    """By what share of the mean one each star's spike is stronger; the side's model follows.

    The strength of a spike follows from its star's light, which a saturated star tells badly; on
    the strip along the spike the strength and a constant level are fitted together.
    """
    share = np.zeros(len(places))
    if not len(side.profile.tables.cs):
        return share
    q = local_q(side, places)
    reach = side.profile.line_reach(side.flux, q, 0.5 * side.noise)
    for k in np.argsort(-side.flux, kind="stable")[:MOST]:
        if reach[k] < 4 / q[k]:
            continue
        spike = draw_spike(side, places, int(k), 1.0)
        if spike is None:
            continue
        cut, own, centre = spike
        share[k] = _strength(side, own, cut, centre, float(q[k]))
        side.model[cut] += np.float32(share[k]) * own
    return share


def draw_spike(
    side: Side, places: Places, k: int, share: float
) -> tuple[tuple[slice, slice], NDArray[np.float32], tuple[float, float]] | None:
    """A share of a star's mean spike: where it is, its light there, and the star's place in it."""
    x, y = (float(v[k]) for v in places.at(True))
    one = slice(k, k + 1)
    q = local_q(side, places)[one]
    flux = side.flux[one]
    reach = side.profile.line_reach(flux, q, 0.5 * side.noise)
    far = int(reach[0]) + 2
    top, left = max(0, round(y) - far), max(0, round(x) - far)
    cut = np.s_[top : round(y) + far + 1, left : round(x) + far + 1]
    own = np.zeros(side.model[cut].shape, np.float32)
    if not own.size:
        return None
    tables = side.profile.tables._replace(radial=np.zeros_like(side.profile.tables.radial))
    near = 2 / q
    kernels.add_stars(
        own,
        places.at(True)[0][one] - left,
        places.at(True)[1][one] - top,
        share * flux,
        q,
        near,
        reach,
        tables,
    )
    return cut, own, (x - left, y - top)


def _strength(
    side: Side,
    own: NDArray,
    cut: tuple[slice, ...],
    centre: tuple[float, float],
    q: float,
) -> float:
    """By what share of the mean a star's spike is stronger; 0 where too little tells."""
    rows, columns = np.indices(own.shape)
    dx, dy = columns - centre[0], rows - centre[1]
    near = np.zeros(own.shape, bool)
    for c, s in side.profile.tables.cs:
        near |= np.abs(dy * c - dx * s) < BESIDE / q
    rest = side.image[cut] - side.model[cut]
    use = near & (np.hypot(dx, dy) > NEAR / q) & np.isfinite(rest)
    if use.sum() < 50 or own[use].max() < CLEAR * side.noise:
        return 0.0
    error = np.hypot(side.noise, DOUBT * side.model[cut][use])
    design = np.column_stack([own[use], np.ones(use.sum())])
    weight = 1 / error**2
    found = np.zeros(2)
    for _ in range(3):  # Huber's weights
        normal = design.T @ (design * weight[:, None]) + np.diag([4.0, 0.0])
        found = np.linalg.solve(normal, design.T @ (weight * rest[use]))
        off = np.abs(rest[use] - design @ found) / error
        weight = np.minimum(1, 3 / np.maximum(off, 1e-6)) / error**2
    return float(np.clip(found[0], -1, 4))
