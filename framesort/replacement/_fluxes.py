"""The light of each star: what is added and what is subtracted."""

import numpy as np

from framesort.replacement._arrays import Array
from framesort.replacement._candidates import StarField
from framesort.replacement._robust import robust_std
from framesort.replacement._side import draw_star, window_around

__all__ = ["apply_fluxes", "saturated_centres", "settle_saturated", "taken_fluxes"]


def apply_fluxes(field: StarField, *, per_star: bool) -> Array:
    """Flux that each star is to have in the picture, deep flux scale.

    Per star it is the deep stack's own flux. Else it is the sharp stack's flux times one scale,
    where that is well measured; a faint star's is drawn towards its deep flux: the mean of
    both, weighted by 1 / variance, in which the deep flux stands with the scatter that bright
    stars show between the stacks.
    """
    f, g = field.deep.flux, field.sharp.flux * field.scale
    ef, eg = field.deep.error, field.sharp.error * field.scale
    if per_star:
        return f.copy()
    clear = (f > 60 * ef) & (g > 60 * eg) & (ef > 0) & (eg > 0)
    ratio = g[clear] / f[clear]
    spread = robust_std(ratio) if clear.sum() > 5 else 0.02
    spread = max(float(spread), 0.003)
    wf = 1 / (ef**2 + (spread * f) ** 2 + 1e-30)
    wg = np.where(eg > 0, 1 / (eg**2 + 1e-30), 0)
    applied = np.where((ef > 0) & (wf + wg > 0), (wf * f + wg * g) / (wf + wg), g)
    # A saturated core leaves only wings to measure the flux: the other stack's is better.
    saturated_d, saturated_s = saturated_centres(field)
    applied = np.where(saturated_d & ~saturated_s & (g > 0), g, applied)
    return np.where(saturated_s & ~saturated_d & (f > 0), f, applied)


def settle_saturated(field: StarField, sharp: Array, applied: Array) -> Array:
    """Light of stars with a saturated core, from the difference of the stacks; the others' as is.

    The wings alone measure that light badly before a nebula. In ``deep - scale * sharp``, less what
    blur does to the sky, only the change of the star is left: its strength is fitted.
    """
    applied = applied.copy()
    p, side, scale = field.places, field.deep, np.float32(field.scale)
    saturated_d, saturated_s = saturated_centres(field)
    noise = float(np.hypot(side.noise, field.scale * field.sharp.noise))
    q = side.q(p)
    reach, spike = (np.minimum(v, 30 / q) for v in side.profile.extent(applied, q, 0.5 * noise))
    for k in np.flatnonzero((saturated_d | saturated_s) & (applied > 0)).tolist():
        window = window_around(p.x[k], p.y[k], int(max(reach[k], spike[k], 4 / q[k])) + 1)
        cut = window.cut
        light = [
            draw_star(part, p, k, window, flux=applied[k], extent=(reach[k], spike[k]))
            for part in (side, field.sharp)
        ]
        # The other stars are taken off by their models, this one by its own in both.
        rest = side.image[cut] - side.model[cut] - scale * (sharp - field.sky)[cut]
        rest += scale * field.sharp.model[cut]
        factors = side.flux[k] / applied[k], field.scale * field.sharp.flux[k] / applied[k]
        rest += np.float32(factors[0]) * light[0] - np.float32(factors[1]) * light[1]
        change = light[0] - light[1]
        error = np.hypot(noise, 0.1 * change)
        use = np.isfinite(rest) & (np.abs(change) > noise)
        use &= ~field.saturated_deep[cut] & ~field.saturated_sharp[cut]
        if use.sum() < 30:
            continue
        applied[k] *= float(np.clip(_fit_factor(change[use], rest[use], error[use]), 0.3, 3))
    return applied


def _fit_factor(change: Array, rest: Array, error: Array) -> float:
    """How many times the change is in the rest; half a unit of error is the prior around 1."""
    weight = 1 / error**2
    factor = 1.0
    for _ in range(4):  # Huber's weights
        factor = (np.sum(weight * change * rest) + 4.0) / (np.sum(weight * change**2) + 4.0)
        off = np.abs(rest - factor * change) / error
        weight = np.minimum(1, 3 / np.maximum(off, 1e-6)) / error**2
    return factor


def taken_fluxes(field: StarField, applied: Array) -> Array:
    """Light of each star to subtract, deep flux scale: as a rule what is added.

    One sky has one flux for each star, so that an error of it cancels in the change. Where the
    stacks clearly disagree (another filter, a variable star) it is the deep stack's own.
    """
    f, error = field.deep.flux, field.deep.error
    if not field.one_sky:
        return f
    saturated = np.logical_or(*saturated_centres(field))
    other = (
        ~saturated
        & (error > 0)
        & (np.abs(f - applied) > np.maximum(5 * error, 0.3 * np.abs(applied)))
    )
    return np.where(other | (applied <= 0), f, applied)


def saturated_centres(field: StarField) -> tuple[Array, Array]:
    """Stars whose centre is saturated in the deep and in the sharp stack."""
    at = field.places.pixels(field.saturated_deep.shape)
    return field.saturated_deep[at], field.saturated_sharp[at]
