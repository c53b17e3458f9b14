"""The spikes of single bright stars, where they differ from the mean profile's."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from framesort.replacement import _kernels as kernels
from framesort.replacement._candidates import StarField
from framesort.replacement._fit import Places, Side, local_q

__all__ = ["draw_spike", "own_spikes", "prefer_sharp", "remove_rest"]

MOST = 60
"""Brightest stars that are treated."""

CLEAR = 3.0
"""Noise of a pixel that a spike must exceed."""

NEAR, BESIDE = 2.5, 3.0
"""Widths from the star's centre, and on either side of the spike, of the pixels used."""

MODEL_ERROR = 0.1
"""Relative error granted to the model there."""

ALONG, ACROSS = 1.5, 0.4
"""Widths over which the rest of a spike is averaged: standard deviations of a Gaussian."""

STRIP = 3.0
"""Widths on either side of a spike within which its rest is taken off; faded out over one more."""

CERTAIN = 4.5
"""Standard deviations of that average above which it begins to count."""

BESIDE_CORE = 6.0
"""Widths beyond a saturated core within which the picture is checked against the sharp stack."""

MISFIT, MISFIT_OVER = 3.0, 1.5
"""Mean square of that comparison, in units of noise, which noise alone does not reach; it is taken
over a Gaussian of so many pixels."""


def own_spikes(side: Side, places: Places) -> NDArray[np.float64]:
    """By what share of the mean one each star's spike is stronger; the side's model follows.

    The strength of a spike follows from its star's light, which is uncertain for a saturated
    star; on the strip along the spike the strength and a constant level are fitted together.
    """
    share = np.zeros(len(places))
    if not len(side.profile.tables.cs):
        return share
    q = local_q(side, places)
    reach = side.profile.spike_reach(side.flux, q, 0.5 * side.noise)
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
    reach = side.profile.spike_reach(flux, q, 0.5 * side.noise)
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
    """By what share of the mean a star's spike is stronger; 0 with too few pixels."""
    rows, columns = np.indices(own.shape)
    dx, dy = columns - centre[0], rows - centre[1]
    near = np.zeros(own.shape, bool)
    for c, s in side.profile.tables.cs:
        near |= np.abs(dy * c - dx * s) < BESIDE / q
    rest = side.image[cut] - side.model[cut]
    use = near & (np.hypot(dx, dy) > NEAR / q) & np.isfinite(rest)
    if use.sum() < 50 or own[use].max() < CLEAR * side.noise:
        return 0.0
    error = np.hypot(side.noise, MODEL_ERROR * side.model[cut][use])
    design = np.column_stack([own[use], np.ones(use.sum())])
    weight = 1 / error**2
    found = np.zeros(2)
    for _ in range(3):  # Huber's weights
        normal = design.T @ (design * weight[:, None]) + np.diag([4.0, 0.0])
        found = np.linalg.solve(normal, design.T @ (weight * rest[use]))
        off = np.abs(rest[use] - design @ found) / error
        weight = np.minimum(1, 3 / np.maximum(off, 1e-6)) / error**2
    return float(np.clip(found[0], -1, 4))


def remove_rest(
    field: StarField,
    images: tuple[NDArray, NDArray],
    layers: tuple[NDArray, NDArray, NDArray | None],
    pick: NDArray[np.bool_],
) -> None:
    """Take off what the mean spike leaves of the spikes of bright stars; changes `taken`.

    A spike's shape varies from star to star, with colour and place, and with what rejection left
    of it in the deep stack. Along the spikes of the brightest stars the picture is compared with
    the sharp stack; where their difference, averaged along the spike, is certain, it goes. It is
    never more than the light of the mean spike there.

    Parameters
    ----------
    field : StarField
    images : (ny, nx) ndarrays
        Deep and sharp stack.
    layers : (ny, nx) ndarrays
        Light `taken` from the deep stack, light `given`, and the detail of extended light or None.
    pick : (n,) bool ndarray
        Stars that are replaced.
    """
    side, places = field.deep, field.places
    if not len(side.profile.tables.cs):
        return
    q = local_q(side, places)
    reach = side.profile.spike_reach(side.flux, q, 0.5 * side.noise)
    bright = np.flatnonzero(pick & (reach > 4 / q))
    for k in bright[np.argsort(-side.flux[bright], kind="stable")][:MOST]:
        spike = draw_spike(side, places, int(k), 1.0)
        if spike is None:
            continue
        cut, own, centre = spike
        rest, weight = _compare(field, images, layers, cut)
        weight /= field.pixel_noise.wide**2
        layers[0][cut] += _certain_rest(side, rest, weight, own, centre, float(q[k]))


def prefer_sharp(
    field: StarField,
    images: tuple[NDArray, NDArray],
    layers: tuple[NDArray, NDArray, NDArray | None],
    share: NDArray,
    pick: NDArray[np.bool_],
) -> None:
    """More of the sharp stack's pixels beside saturated cores where profiles fail; changes `share`.

    Bleeding, and what rejection left of a core in the deep stack, is in no profile.
    """
    places, width = field.places, field.deep.profile.width
    for k in np.flatnonzero(pick & (places.core > 0)):
        x, y = (float(v[k]) for v in places.at(False))
        far = max(float(places.core[k]), float(places.rim[k])) + BESIDE_CORE * width
        top, left = max(0, int(y - far)), max(0, int(x - far))
        cut = np.s_[top : int(y + far) + 2, left : int(x + far) + 2]
        rest, weight = _compare(field, images, layers, cut)
        misfit = ndimage.gaussian_filter(rest * rest * weight, MISFIT_OVER)
        excess = np.maximum(misfit - MISFIT, 0)
        rows, columns = np.indices(rest.shape)
        away = np.hypot(columns + left - x, rows + top - y)
        inside = np.clip(far - away, 0, 1)
        known = np.isfinite(images[1][cut])
        np.maximum(share[cut], np.where(known, inside * excess / (excess + 1), 0), out=share[cut])


def _compare(
    field: StarField,
    images: tuple[NDArray, NDArray],
    layers: tuple[NDArray, NDArray, NDArray | None],
    cut: tuple[slice, slice],
) -> tuple[NDArray, NDArray]:
    """The picture as it is planned less the scaled sharp stack, and 1 / variance (0: unknown)."""
    deep, sharp = (image[cut] for image in images)
    taken, given, detail = layers
    scale = np.float32(field.scale)
    rest = deep - taken[cut] + given[cut] - field.offset[cut] - scale * sharp
    if detail is not None:
        rest += detail[cut]
    noise = field.pixel_noise.at(field.sky[cut] + field.sharp.model[cut])
    weight = 1 / ((field.deep.noise / field.sharp.noise) ** 2 + scale**2) / noise**2
    weight[field.saturated_deep[cut] | field.unknown_sharp[cut] | ~np.isfinite(rest)] = 0.0
    rest[weight == 0] = 0.0
    return rest, weight


def _certain_rest(
    side: Side,
    rest: NDArray,
    weight: NDArray,
    own: NDArray,
    centre: tuple[float, float],
    q: float,
) -> NDArray[np.float32]:
    """What is certain of a star's rest along its spikes."""
    rows, columns = np.indices(rest.shape)
    dx, dy = columns - centre[0], rows - centre[1]
    out = np.zeros(rest.shape, np.float32)
    away = np.clip(np.hypot(dx, dy) * q - 1, 0, 1)
    for c, s in side.profile.tables.cs:
        kernel = _elongated(float(c), float(s), q)
        mass, light = (signal.oaconvolve(v, kernel, mode="same") for v in (weight, weight * rest))
        spread = np.sqrt(np.maximum(signal.oaconvolve(weight, kernel**2, mode="same"), 1e-30))
        sigma = light / spread
        mean = light / np.maximum(mass, 1e-9 * max(float(weight.max()), 1e-30))
        mean *= np.clip((np.abs(sigma) - CERTAIN) / 2, 0, 1)
        mean *= np.clip(STRIP + 1 - np.abs(dy * c - dx * s) * q, 0, 1) * away
        light_there = np.maximum(signal.oaconvolve(own, kernel / kernel.sum(), mode="same"), 0)
        out += np.clip(mean, -light_there, light_there)
    return out


def _elongated(c: float, s: float, q: float) -> NDArray[np.float64]:
    """A Gaussian drawn out along a direction."""
    half = int(3 * ALONG / q) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    u, v = (x * c + y * s) * q / ALONG, (y * c - x * s) * q / ACROSS
    return np.asarray(np.exp(-0.5 * (u * u + v * v)))
