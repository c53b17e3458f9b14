"""The spikes of single bright stars, where they differ from the mean profile's."""

import numpy as np
from scipy import ndimage

from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._candidates import StarField
from framesort.replacement._convolution import convolve_same
from framesort.replacement._layers import Change
from framesort.replacement._side import Places, Side, Stacks, Window, draw_star, window_around

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


def own_spikes(side: Side, places: Places) -> Floats:
    """By what share of the mean one each star's spike is stronger; the side's model follows.

    The strength of a spike follows from its star's light, which is uncertain for a saturated
    star; on the strip along the spike the strength and a constant level are fitted together.
    """
    share = np.zeros(len(places))
    if not len(side.profile.tables.cs):
        return share
    q = side.q(places)
    reach = side.profile.spike_reach(side.flux, q, 0.5 * side.noise)
    for k in np.argsort(-side.flux, kind="stable")[:MOST].tolist():
        if reach[k] < 4 / q[k]:
            continue
        spike = draw_spike(side, places, k, 1.0)
        if spike is None:
            continue
        window, own = spike
        share[k] = _strength(side, own, window, offsets(side, places, k, window), float(q[k]))
        side.model[window.cut] += np.float32(share[k]) * own
    return share


def draw_spike(side: Side, places: Places, k: int, share: float) -> tuple[Window, Image] | None:
    """A share of a star's mean spike: where it is, and its light there; None outside the image."""
    x, y = (float(v[k]) for v in side.at(places))
    q = side.q(places)[k : k + 1]
    flux = side.flux[k : k + 1]
    reach = side.profile.spike_reach(flux, q, 0.5 * side.noise)[0]
    window = window_around(x, y, int(reach) + 2)
    if not side.model[window.cut].size:
        return None
    tables = side.profile.tables._replace(radial=np.zeros_like(side.profile.tables.radial))
    own = draw_star(
        side, places, k, window, flux=share * flux[0], extent=(2 / q[0], reach), tables=tables
    )
    return window, own


def offsets(side: Side, places: Places, k: int, window: Window) -> tuple[Array, Array]:
    """Offsets in x and y of the pixels of a window from a star."""
    x, y = (float(v[k]) for v in side.at(places))
    rows, columns = np.indices(side.model[window.cut].shape)
    return np.asarray(columns - (x - window.left)), np.asarray(rows - (y - window.top))


def _strength(
    side: Side, own: Array, window: Window, offset: tuple[Array, Array], q: float
) -> float:
    """By what share of the mean a star's spike is stronger; 0 with too few pixels."""
    dx, dy = offset
    cut = window.cut
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


def remove_rest(field: StarField, stacks: Stacks, change: Change, pick: Mask) -> None:
    """Take off what the mean spike leaves of the spikes of bright stars; changes `change.taken`.

    A spike's shape varies from star to star, with colour and place, and with what rejection left
    of it in the deep stack. Along the spikes of the brightest stars the picture is compared with
    the sharp stack; where their difference, averaged along the spike, is certain, it goes. It is
    never more than the light of the mean spike there.
    """
    side, places = field.deep, field.places
    if not len(side.profile.tables.cs):
        return
    q = side.q(places)
    reach = side.profile.spike_reach(side.flux, q, 0.5 * side.noise)
    bright = np.flatnonzero(pick & (reach > 4 / q))
    for k in bright[np.argsort(-side.flux[bright], kind="stable")][:MOST].tolist():
        spike = draw_spike(side, places, k, 1.0)
        if spike is None:
            continue
        window, own = spike
        rest, weight = _compare(field, stacks, change, window.cut)
        weight /= field.pixel_noise.wide**2
        offset = offsets(side, places, k, window)
        change.taken[window.cut] += _certain_rest(side, (rest, weight), own, offset, float(q[k]))


def prefer_sharp(field: StarField, stacks: Stacks, change: Change, pick: Mask) -> None:
    """More of the sharp stack's pixels beside saturated cores where profiles fail.

    Changes `change.share`. Bleeding, and what rejection left of a core in the deep stack, is in no
    profile.
    """
    places, width = field.places, field.deep.profile.width
    for k in np.flatnonzero(pick & (places.core > 0)):
        x, y = (float(v[k]) for v in field.sharp.at(places))
        far = max(float(places.core[k]), float(places.rim[k])) + BESIDE_CORE * width
        top, left = max(0, int(y - far)), max(0, int(x - far))
        cut = np.s_[top : int(y + far) + 2, left : int(x + far) + 2]
        rest, weight = _compare(field, stacks, change, cut)
        misfit = ndimage.gaussian_filter(rest * rest * weight, MISFIT_OVER)
        excess = np.maximum(misfit - MISFIT, 0)
        rows, columns = np.indices(rest.shape)
        away = np.hypot(columns + left - x, rows + top - y)
        inside = np.clip(far - away, 0, 1)
        known = np.isfinite(stacks.sharp[cut])
        share = change.share[cut]
        np.maximum(share, np.where(known, inside * excess / (excess + 1), 0), out=share)


def _compare(
    field: StarField, stacks: Stacks, change: Change, cut: tuple[slice, slice]
) -> tuple[Array, Array]:
    """The picture as it is planned less the scaled sharp stack, and 1 / variance (0: unknown)."""
    deep, sharp = (image[cut] for image in stacks)
    scale = np.float32(field.scale)
    (y0, y1, _), (x0, x1, _) = (s.indices(n) for s, n in zip(cut, stacks.deep.shape, strict=True))
    rest = deep - change.taken[cut] + change.given[cut]
    rest -= field.offset.part(y0, y1, x0, x1)
    rest -= scale * sharp
    if change.detail is not None:
        rest += change.detail[cut]
    noise = field.pixel_noise.at(field.sky[cut] + field.sharp.model[cut])
    weight = 1 / ((field.deep.noise / field.sharp.noise) ** 2 + scale**2) / noise**2
    unknown = field.saturated_deep[cut] | field.saturated_sharp[cut] | field.one_sided[cut]
    weight[unknown | ~np.isfinite(rest)] = 0.0
    rest[weight == 0] = 0.0
    return rest, weight


def _certain_rest(
    side: Side,
    compared: tuple[Array, Array],
    own: Array,
    offset: tuple[Array, Array],
    q: float,
) -> Image:
    """What is certain of a star's rest along its spikes; `compared` as `_compare` gives it."""
    rest, weight = compared
    dx, dy = offset
    out = np.zeros(rest.shape, np.float32)
    away = np.clip(np.hypot(dx, dy) * q - 1, 0, 1)
    for c, s in side.profile.tables.cs:
        kernel = _elongated(float(c), float(s), q)
        mass, light = (convolve_same(v, kernel) for v in (weight, weight * rest))
        spread = np.sqrt(np.maximum(convolve_same(weight, kernel**2), 1e-30))
        sigma = light / spread
        mean = light / np.maximum(mass, 1e-9 * max(float(weight.max()), 1e-30))
        mean *= np.clip((np.abs(sigma) - CERTAIN) / 2, 0, 1)
        mean *= np.clip(STRIP + 1 - np.abs(dy * c - dx * s) * q, 0, 1) * away
        light_there = np.maximum(convolve_same(own, kernel / kernel.sum()), 0)
        out += np.clip(mean, -light_there, light_there)
    return out


def _elongated(c: float, s: float, q: float) -> Floats:
    """A Gaussian drawn out along a direction."""
    half = int(3 * ALONG / q) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    u, v = (x * c + y * s) * q / ALONG, (y * c - x * s) * q / ACROSS
    return np.asarray(np.exp(-0.5 * (u * u + v * v)))
