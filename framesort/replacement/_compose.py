"""From the fitted stars to the replaced picture and its layers."""

from functools import partial

import numpy as np
from scipy import ndimage

from framesort.replacement import _changes as changes
from framesort.replacement._around import humps_at
from framesort.replacement._arrays import Array
from framesort.replacement._candidates import StarField, signal_to_noise
from framesort.replacement._fit import CORE, Unknowns, fit_stars
from framesort.replacement._fluxes import saturated_centres
from framesort.replacement._layers import Change, Layers
from framesort.replacement._options import ReplacementSettings
from framesort.replacement._robust import robust_std
from framesort.replacement._side import DRAWN, Stacks, nearest_pixels
from framesort.replacement._smooth import FEW_ROWS, combine
from framesort.replacement._spikes import draw_spike
from framesort.stars import smooth_image
from framesort.workers import run_bands

LOW, HIGH, FAINT = 0.22, 0.5, 0.02
"""The change is faded out between LOW and HIGH, in noise of the deep stack: a tenth of a standard
deviation more or less cannot be seen, and what is not changed cannot be wrong. What single
stars add below FAINT is not drawn."""

BRIGHT, HOLE = 10.0, 3.0
"""Where so much star light is taken, in noise of the deep stack, the starless layer lies no further
below the sky around than that."""

FAINT_SIGNAL = 60.0
"""Signal to noise below which the shape of a detection is judged by noise alone."""


def measure_nonstellar_chi2(field: StarField, stacks: Stacks) -> tuple[Array, Array]:
    """How far each detection is from a star: sum of squares of four deviations.

    In standard deviations, counted where they point to something that is not a point of light:
    the change that a star's profiles predict is missing from the stacks' difference; the detection
    is wider than stars in the sharp stack; the deep stack's profile catches more of it than the
    sharp one's; it sits on a hump of light as a nucleus does (against the scatter of all).

    Returns
    -------
    nonstellar_chi2 : (n,) float ndarray
        Sum of squares; a star has 9 or more by chance in about 1 of 100 cases.
    change : (n,) float ndarray
        Share of the predicted change that is there: 1 for a star, 0 for an extended source.
    """
    p, s = field.places, np.float32(field.scale)
    found = np.empty((len(p), 2))
    rest = combine(
        stacks.deep,
        (field.scale, stacks.sharp),
        (-field.scale, field.sharp.model),
        (1.0, field.offset),
        (1.0, field.deep.model),
        saturated=field.saturated_deep | field.saturated_sharp,
    )
    qd = field.deep.q(p)
    changes.compare_stars(
        rest,
        field.deep.model,
        np.hypot(field.deep.noise, s * field.sharp.noise),
        field.deep.eps + field.sharp.eps,
        p.x,
        p.y,
        p.shift_x,
        p.shift_y,
        field.deep.flux,
        field.sharp.flux * s,
        qd,
        field.sharp.q(p),
        CORE / qd,
        field.deep.profile.tables,
        field.sharp.profile.tables,
        found,
    )
    del rest
    change, change_error = found.T
    # Floors keep a systematic tenth from counting as many standard deviations.
    missing = (1 - change) / np.hypot(change_error, 0.1)
    fits = fit_stars(field.sharp, p, Unknowns.WIDTH)
    wider = np.where(fits.width_error > 0, fits.width / np.hypot(fits.width_error, 0.1), 0)
    f, g = field.deep.flux, field.sharp.flux * field.scale
    error = np.sqrt(field.deep.error**2 + (s * field.sharp.error) ** 2 + (0.05 * f) ** 2)
    caught = np.where(error > 0, (f - g) / np.where(error > 0, error, 1), 0)
    faint = signal_to_noise(field) < FAINT_SIGNAL
    nonstellar_chi2 = np.zeros(len(p))
    for part in (missing, wider, caught, _hump(field, stacks.deep)):
        nonstellar_chi2 += np.maximum(_against_the_crowd(np.nan_to_num(part), faint), 0) ** 2
    return nonstellar_chi2, change


def _against_the_crowd(z: Array, faint: Array) -> Array:
    """Deviations less those of the bulk, where the bulk strays by more than noise alone does.

    A profile that does not fit (coarse pixels, trails) makes every star deviate; only what
    deviates more than most counts.
    """
    if faint.sum() < 20:
        return z
    mid = np.median(z[faint])
    spread = robust_std(z[faint], mid)
    return (z - max(float(mid), 0.0)) / max(float(spread), 1.0)


def _hump(field: StarField, deep: Array) -> Array:
    """Light around each detection, its star taken off, above its wider surroundings; in MADs."""
    width = field.deep.profile.width
    row, column = field.places.pixels(deep.shape)
    v = humps_at(
        (deep, field.deep.model, field.saturated_deep, field.sky),
        field.offset.at(column, row),
        field.scale,
        (row, column),
        width,
    )
    mid = np.median(v) if len(v) else 0.0
    spread = robust_std(v, mid) if len(v) else 1.0
    return (v - mid) / max(float(spread), 0.1 * field.deep.noise)


def is_star(field: StarField, nonstellar_chi2: Array, change: Array) -> Array:
    """Detections to be taken for stars.

    A faint detection must not have a higher `nonstellar_chi2` than one star in a hundred; a lower
    limit holds near the detection limit: a star not replaced hardly shows there, a galaxy's core
    made sharper is false detail. For a bright detection, where small faults of the profile are many
    standard deviations, the predicted change decides. What saturates both stacks is a star: little
    else is so bright, and a half replaced star looks worse than any other fault.
    """
    signal = signal_to_noise(field)
    limit = np.interp(signal, [12, 24], [3, 9])
    saturated = np.logical_and(*saturated_centres(field))
    return saturated | np.where(
        signal < FAINT_SIGNAL, nonstellar_chi2 < limit, (nonstellar_chi2 < 16) | (change > 0.5)
    )


FEW_STARS = 256
"""Stars at a time that have a row of numbers each."""


def change_radii(
    field: StarField, away: Array, applied: Array, levels: tuple[float, ...]
) -> list[Array]:
    """Distances at which the mean change of each star has fallen to the levels for good."""
    deep, sharp = field.deep.profile, field.sharp.profile
    radius = deep.t**2 * deep.width
    pd = deep.tables.radial[0] / deep.width**2
    ps = sharp.mean_at(radius, sharp.width) / sharp.width**2
    out = [np.zeros(len(applied)) for _ in levels]
    for first in range(0, len(applied), FEW_STARS):
        cut = slice(first, first + FEW_STARS)
        w = field.places.factor[cut]
        change = np.abs(np.outer(away[cut], pd) - np.outer(applied[cut], ps))
        change /= w[:, np.newaxis] ** 2
        for level, found in zip(levels, out, strict=True):
            above = change > level
            last = above.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
            found[cut] = np.where(above.any(axis=1), radius[last] * w, 0.0)
    return out


def plan_change(field: StarField, sharp: Array, pick: Array, applied: Array, away: Array) -> Change:
    """What to take and to give for the picked stars, and where sharp pixels are better.

    `applied` and `away` are the light that each star is given and that is taken, deep flux scale.
    """
    taken, given = _draw_change(field, pick, applied, away)
    # Where the model's own error outgrows the sharp stack's noise, its pixels are the better
    # estimate; weights are inverse variances, from the smooth model so that no noise gets in.
    share = np.empty_like(taken)
    eps, noise = np.float32(max(field.deep.eps, 0.004)), (field.scale * field.sharp.noise) ** 2

    def weigh(first: int, last: int) -> None:
        part = (eps * taken[first:last]) ** 2
        part /= part + np.float32(noise)
        part[part < 0.002] = 0.0
        share[first:last] = part

    run_bands(weigh, len(share), band=FEW_ROWS)
    if field.saturated_deep.any():
        # A saturated patch is filled wholly or left wholly, with a soft rim.
        filled = _filled(field.saturated_deep, field.places.x[pick], field.places.y[pick])
        full = field.saturated_deep

        def fill(first: int, last: int) -> None:
            low = max(0, first - RIM)
            around = filled[low : last + RIM]
            if around.any():
                soft = smooth_image(around.astype(np.float32), 1.0, threads=1)
                soft = np.clip(soft[first - low : last - low] * 2, 0, 1)
                np.maximum(share[first:last], soft, out=share[first:last])
            saturated, chosen = full[first:last], filled[first:last]
            share[first:last][saturated] = chosen[saturated]
            for light in (taken, given):
                light[first:last][saturated & ~chosen] = 0.0

        run_bands(fill, len(share), band=FEW_ROWS)
    run_bands(partial(_drop_unknown, share, sharp), len(share), band=FEW_ROWS)
    return Change(taken, given, share)


RIM = 5
"""Rows that the soft rim of a patch of saturated pixels depends on."""


def _drop_unknown(share: Array, sharp: Array, first: int, last: int) -> None:
    share[first:last][~np.isfinite(sharp[first:last])] = 0.0


def _draw_change(field: StarField, pick: Array, applied: Array, away: Array) -> tuple[Array, Array]:
    """Light to take and to give, without what is too weak to be seen."""
    p, noise = field.places, field.deep.noise
    shape = field.saturated_deep.shape
    taken, given, strength = (np.zeros(shape, np.float32) for _ in range(3))
    qd, qs = field.deep.q(p), field.sharp.q(p)
    radii = change_radii(field, away, applied, (HIGH * noise, FAINT * noise))
    reach = np.maximum(
        field.deep.profile.spike_reach(away, qd, FAINT * noise),
        field.sharp.profile.spike_reach(applied, qs, FAINT * noise),
    )
    stars = (p.x, p.y, p.shift_x, p.shift_y, away, applied, qd, qs, *radii, reach)
    picked = tuple(v[pick] for v in stars)
    run_bands(
        lambda first, last: changes.add_changes(
            taken,
            given,
            strength,
            first,
            last,
            HIGH * noise,
            *picked,
            field.deep.profile.tables,
            field.sharp.profile.tables,
        ),
        shape[0],
        band=DRAWN,
    )
    for k in np.flatnonzero(pick & (field.spikes != 0)).tolist():
        # The spike that was measured, less what the star's profile takes away already.
        spike = draw_spike(field.deep, p, k, 1 + field.spikes[k] - away[k] / field.deep.flux[k])
        if spike is not None:
            window, light = spike
            taken[window.cut] += light
            strength[window.cut] = np.maximum(strength[window.cut], np.abs(light))
    strength /= np.float32(noise)
    run_bands(partial(_fade, strength, (taken, given)), shape[0], band=FEW_ROWS)
    return taken, given


def _fade(strength: Array, layers: tuple[Array, Array], first: int, last: int) -> None:
    """Fade weak changes out, some rows."""
    cut = slice(first, last)
    ramp = np.clip((strength[cut] - LOW) / (HIGH - LOW), 0, 1)
    ramp *= ramp * (3 - 2 * ramp)
    for light in layers:
        light[cut] *= ramp


def _filled(saturated: Array, x: Array, y: Array) -> Array:
    """Patches of saturated pixels in which one of the stars stands."""
    labels, n = ndimage.label(saturated)
    chosen = np.zeros(n + 1, bool)
    chosen[labels[nearest_pixels(x, y, saturated.shape)]] = True
    chosen[0] = False
    return np.asarray(chosen[labels])


def apply_change(
    field: StarField, stacks: Stacks, change: Change, settings: ReplacementSettings
) -> Layers:
    """The planned change of one plane, some rows at a time, in the memory of the change."""
    deep, sharp = stacks
    shape, amount, detail = deep.shape, settings.amount, change.detail
    # Rows are read before their layers are written.
    final, background, stars = change.given, change.taken, change.share
    mask = np.empty(shape, np.uint8)

    def work(first: int, last: int) -> None:
        cut = slice(first, last)
        rng = np.random.default_rng([settings.seed, first])  # of its own: bands come in any order
        taken, given, w = change.taken[cut], change.given[cut], change.share[cut]
        saturated = field.saturated_deep[cut] & (w > 0)
        fine = np.float32(0) if detail is None else np.where(saturated, 0, (1 - w) * detail[cut])
        touched = (taken != 0) | (given != 0) | (w > 0) | (fine != 0)
        offset = field.offset.rows(first, last)
        under = np.float32(field.scale) * field.sky[cut] + offset
        ground = under if settings.per_star else offset
        pixels = _star_pixels(field, sharp, given, ground, cut, per_star=settings.per_star)
        starless = deep[cut] - taken
        picture = np.where(saturated, 0, (1 - w) * (starless + given) + fine) + np.where(
            w > 0, w * pixels, 0
        )
        starless = starless + fine
        # Beside bright stars, where profiles fail and pixels bleed, no hole is left.
        unsure = taken > np.float32(BRIGHT * field.deep.noise)
        deepest = under - np.float32(HOLE * field.deep.noise)
        starless = np.where(unsure, np.maximum(starless, deepest), starless)
        floor = _starless_background(
            np.where(saturated, under, starless), under, w, field.deep.noise, rng
        )
        if amount != 1.0:
            picture = deep[cut] + np.float32(amount) * (picture - deep[cut])
            floor = deep[cut] + np.float32(amount) * (floor - deep[cut])
        bits = (taken != 0) + 2 * (given != 0) + 4 * (w > 0) + 8 * saturated + 16 * (fine != 0)
        mask[cut] = bits
        final[cut] = np.where(touched, picture, deep[cut])
        background[cut] = np.where(touched, floor, deep[cut])
        stars[cut] = np.where(touched, final[cut] - background[cut], 0)

    run_bands(work, shape[0], band=FEW_ROWS)
    return Layers(final, stars, background, mask)


def _star_pixels(
    field: StarField, sharp: Array, given: Array, ground: Array, cut: slice, *, per_star: bool
) -> Array:
    """The sharp stack's pixels on the deep stack's flux scale and level, some rows.

    `ground` is the smooth level that they are put on; with `per_star` with the sky that is
    under the stars.
    """
    s = np.float32(field.scale)
    pixels = np.nan_to_num(sharp[cut], nan=0.0)
    if not per_star:
        return s * pixels + ground
    light = s * field.sharp.model[cut]
    scale = np.where(light > field.deep.noise, given / np.maximum(light, 1e-6), 1)
    return np.asarray(s * np.clip(scale, 0, 20) * (pixels - field.sky[cut]) + ground)


def _starless_background(
    starless: Array, under: Array, w: Array, noise: float, rng: np.random.Generator
) -> Array:
    """What is under the stars: the deep stack less their light.

    Where that is too uncertain it is the sharp stack's nebula with pixel noise like that around it.
    """
    at = w > 0
    # Sooner than sharp pixels: what a profile leaves shows more on empty sky than under a star.
    trust = 1 - np.minimum(1, 4 * w[at])
    pixel_noise = rng.standard_normal(len(trust), dtype=np.float32) * np.float32(noise)
    out = starless.copy()
    out[at] = trust * starless[at] + (1 - trust) * under[at] + np.sqrt(1 - trust**2) * pixel_noise
    return out
