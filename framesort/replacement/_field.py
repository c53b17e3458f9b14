"""From two images to star places, fluxes and profiles of both."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.errors import NotEnoughFramesError
from framesort.replacement import _detect as detect
from framesort.replacement._added import find_added_spikes
from framesort.replacement._candidates import (
    StarField,
    add_missed,
    core_radii,
    credible_detections,
    drop_detections,
    first_places,
    saturated_rims,
)
from framesort.replacement._extended import find_one_sided, find_sky, fit_matching, local_level
from framesort.replacement._fit import (
    Places,
    Side,
    fit_radii,
    probe,
    redraw,
    relative_error,
    renew_profile,
    search_spikes,
    solve_fluxes,
    steady_wide,
)
from framesort.replacement._local_background import (
    between_stars,
    local_background,
    measure_nebula_ratio,
)
from framesort.replacement._matching import convolve
from framesort.replacement._memory import release_memory
from framesort.replacement._profile import cap_wings, join_wings, moffat_profile
from framesort.replacement._robust import robust_std
from framesort.replacement._smooth import (
    background_of,
    combine,
    grow,
    level_of,
    without_background,
)
from framesort.replacement._spike_angles import add_angles
from framesort.replacement._spikes import own_spikes
from framesort.replacement._trust import joint_flux, model_stars

TURNS = 4
LIMITS = (40, 80, 160, 160)
"""Stars that make the profiles in each turn."""


def _saturated(image: NDArray, level: float) -> NDArray:
    saturated = image >= level
    return grow(saturated, 2)


def _flatten(image: NDArray) -> tuple[NDArray, float]:
    """An image less its background, and its noise."""
    background = background_of(image)
    return image - background.level, float(np.median(background.noise[::8, ::8]))


def _scale(deep: Side, sharp: Side, known: float | None, pick: NDArray) -> float:
    """Light in the deep stack for light in the sharp one, from the picked stars."""
    if known is not None:
        return known
    pick = pick[(sharp.flux[pick] > 30 * sharp.noise) & (deep.flux[pick] > 0)]
    if not len(pick):
        return 1.0
    ratio = deep.flux[pick] / sharp.flux[pick]
    mid = np.median(ratio)
    near = np.abs(ratio / mid - 1) < 0.3
    if not near.any():  # the middle of an even number of ratios that agree in nothing
        return float(mid)
    weight = np.minimum(sharp.flux[pick][near] / sharp.noise, 2000)
    order = np.argsort(ratio[near])
    weight = weight[order]
    # Between the ratios, so that a median of few stars does not jump from one to the next.
    return float(
        np.interp(0.5 * weight.sum(), np.cumsum(weight) - 0.5 * weight, ratio[near][order])
    )


def _scale_error(deep: Side, sharp: Side, pick: NDArray) -> float:
    """Uncertainty of that ratio, relative, from its scatter."""
    pick = pick[(sharp.flux[pick] > 30 * sharp.noise) & (deep.flux[pick] > 0)]
    if len(pick) < 4:
        return 0.1
    ratio = deep.flux[pick] / sharp.flux[pick]
    mid = np.median(ratio)
    return float(robust_std(ratio / mid, 1) / np.sqrt(len(pick)))


def _prepare_deep(
    field: StarField,
    deep: NDArray,
    sharp: NDArray,
    *,
    judge: bool = False,
    seek: bool = False,
    match: bool = True,
) -> None:
    """Take the sky, as the deep stack shows it, and a smooth rest out of the deep stack."""
    field.deep.image = field.offset = np.empty((0, 0), np.float32)
    rows = find_sky(field, sharp)
    if field.one_sky and match:
        fit_matching(field, deep, sharp, rows)
    release_memory()
    nebula = convolve(field.sky, field.kernel)
    if judge:
        field.nebula_ratio = measure_nebula_ratio(
            deep, field.deep, nebula, field.scale, field.sharp.noise
        )
    light = (field.scale * field.nebula_ratio, nebula)
    if field.one_sky:
        model = field.deep.model
        rest = combine(deep, light, (1.0, model), saturated=field.saturated_deep)
        field.offset = level_of(rest)
        combine(rest, (1.0, field.offset), (-1.0, model), saturated=field.saturated_deep, out=rest)
    else:  # finer than boxes, as the sharp stack does not predict the nebula
        rest = combine(deep, light, saturated=field.saturated_deep)
        field.offset = between_stars(rest, field.deep, field.saturated_deep)
        combine(rest, (1.0, field.offset), saturated=field.saturated_deep, out=rest)
    field.deep.image = rest
    if seek and field.one_sky:
        del light, rest
        release_memory()
        alone = find_one_sided(field, nebula)
        del nebula
        if alone.any():
            field.one_sided = alone if field.one_sided is None else field.one_sided | alone
            _prepare_deep(field, deep, sharp, match=False)


def _move(field: StarField) -> None:
    """Better places: weighted mean of what both stacks say."""
    num_x, num_y, den = (np.zeros(len(field.places)) for _ in range(3))
    light = joint_flux(field.deep, field.sharp, field.scale)
    for side, shifted, flux in ((field.sharp, False, light[1]), (field.deep, True, light[0])):
        out = probe(side, field.places, shifted=shifted, mode=1, flux=flux)
        good = (out[:, 8] > 0.3) & (out[:, 4] > 0) & (out[:, 4] < 1)
        w = np.where(good, 1 / np.maximum(out[:, 4], 1e-3) ** 2, 0)
        num_x += w * np.clip(out[:, 2], -1, 1)
        num_y += w * np.clip(out[:, 3], -1, 1)
        den += w
    move = den > 0
    step_x, step_y = (np.where(move, v / np.where(move, den, 1), 0) for v in (num_x, num_y))
    field.places.x += 0.9 * np.clip(step_x, -0.6, 0.6)
    field.places.y += 0.9 * np.clip(step_y, -0.6, 0.6)


def _fit_widths(field: StarField, shape: tuple[int, int]) -> None:
    """Local width as a quadratic surface, from stars well measured in both stacks."""
    p = field.places
    logs, weights = np.zeros(len(p)), np.zeros(len(p))
    for side, shifted in ((field.sharp, False), (field.deep, True)):
        out = probe(side, p, shifted=shifted, mode=2)
        good = (out[:, 8] > 0.8) & (out[:, 6] > 0) & (out[:, 6] < 0.05) & (np.abs(out[:, 5]) < 0.3)
        w = np.where(good, 1 / np.maximum(out[:, 6], 0.003) ** 2, 0)
        logs += w * out[:, 5]
        weights += w
    use = weights > 0
    if use.sum() < 30:
        return
    u, v = p.x / shape[1] * 2 - 1, p.y / shape[0] * 2 - 1
    # Fourth order where there are ten stars a term, else second.
    order = 4 if use.sum() >= 150 else 2
    basis = np.column_stack([u**i * v**j for i in range(order + 1) for j in range(order + 1 - i)])
    z = np.where(use, logs / np.where(use, weights, 1), 0)
    w = np.sqrt(weights)
    for _ in range(4):
        coef, *_ = np.linalg.lstsq(basis[use] * w[use, None], z[use] * w[use], rcond=None)
        off = (z - basis @ coef) * w
        spread = float(robust_std(off[use], 0))
        use &= np.abs(off) < 3.5 * max(spread, 1e-9)
        if use.sum() < 12:
            return
    p.factor = p.factor * np.exp(np.clip(basis @ coef, -0.3, 0.3))
    p.factor /= np.median(p.factor)


def fit_field(
    deep: NDArray,
    sharp: NDArray,
    *,
    saturation: tuple[float, float],
    noise: float | None = None,
    scale: float | None = None,
    tied: bool = True,
    turns: int = TURNS,
    level: float = 5.5,
    known: Places | None = None,
    given: NDArray | None = None,
) -> StarField:
    """Fit the stars of a deep and a sharp image (float32, [y, x], NaN where there is no data).

    `noise` is the deep image's where it is known. With `known` places only fluxes and profiles are
    sought; `given`, (n, 2), are x and y of stars to begin with instead of looking for them.
    """
    saturated_deep, saturated_sharp = (
        _saturated(deep, saturation[0]),
        _saturated(sharp, saturation[1]),
    )
    flat_d, noise_d = _flatten(deep)
    flat_s, noise_s = _flatten(sharp)
    noise_d = noise_d if noise is None else noise
    hot = detect.hot_pixels(flat_s, noise_s)
    flat_s[hot] = np.nan
    width_d = detect.guess_width(flat_d, noise_d, saturation[0])
    width_s = detect.guess_width(flat_s, noise_s, saturation[1])
    if not np.isfinite(width_d + width_s):
        raise NotEnoughFramesError(
            "no stars stand 30 times above the noise in both stacks; check that they are stacks "
            "of stars and on one grid"
        )
    if known is not None:
        places = deepcopy(known)  # its places move with this plane's profile
    else:
        saturated_any = saturated_deep | saturated_sharp
        x, y = (
            first_places(flat_d, flat_s, saturated_any, (width_d, width_s), level)
            if given is None
            else (given[:, 0].astype(float), given[:, 1].astype(float))
        )
        rim, core = saturated_rims(saturated_any, x, y), core_radii(saturated_any, x, y)
        places = Places(x, y, np.zeros(len(x)), np.zeros(len(x)), np.ones(len(x)), rim, core)
    n = len(places)
    flat_d[saturated_deep], flat_s[saturated_sharp] = np.nan, np.nan
    field = StarField(
        places,
        Side(flat_d, noise_d, moffat_profile(width_d, 3.0), flux=np.zeros(n)),
        Side(flat_s, noise_s, moffat_profile(width_s, 3.0), flux=np.zeros(n)),
        1.0,
        np.zeros((1, 1), np.float32),
        np.zeros((1, 1), np.float32),
        saturated_deep,
        saturated_sharp,
        one_sided=hot,
        known_scale=scale,
        tied=tied,
    )
    spread = detect.local_spread(detect.star_filter(flat_s, width_s))
    del flat_d, flat_s  # large, and made anew in each turn
    look = known is None and given is None
    sides = ((field.sharp, False), (field.deep, True))
    with ThreadPoolExecutor(2) as pool:
        # The kernels let go of the interpreter: both stacks are worked on at once.
        def each(work: Callable[..., None], **settings: Any) -> None:
            list(pool.map(lambda pair: work(*pair, places, **settings), sides))

        for turn in range(turns):
            each(_solve, turn=turn)
            if known is None:
                _move(field)
            if turn == 2 and look:
                add_missed(field, level)
                each(_redraw)
                each(_again)
            if turn >= 1:
                each(_judge)
                if look:
                    drop_detections(field, credible_detections(field, turn))
            if turn in (1, 2) and known is None:
                _fit_widths(field, deep.shape)
            each(_redraw, lines=turn >= 1)
            if turn >= 1:
                each(_steady)
            pick = model_stars(
                field.deep, field.sharp, places, LIMITS[min(turn, len(LIMITS) - 1)], spread
            )
            if turn >= 1:
                _seek_added(field, deep, sharp, pick)
            _renew(
                field, deep, sharp, norm=8 * width_d, scale=scale, pick=pick, judge=turn in (1, 2)
            )
            # Large, and made anew at the end.
            field.sky = field.offset = np.empty((0, 0), np.float32)
            release_memory()
        total = np.sqrt(np.sum(np.sort(field.deep.flux)[-300:] ** 2)) + 1e-9
        field.deep.profile = join_wings(
            field.deep.profile, field.sharp.profile, 0.03 * field.deep.noise / total
        )
        if not field.one_sky:
            field.sharp.profile = cap_wings(field.sharp.profile, field.deep.profile)
        each(_redraw, level=0.02)
        each(_again)
        each(_steady)
        each(_judge)
    pick = model_stars(field.deep, field.sharp, places, 200, spread)
    del spread
    field.scale = _scale(field.deep, field.sharp, scale, pick)
    field.scale_error = _scale_error(field.deep, field.sharp, pick)
    _prepare_deep(field, deep, sharp, seek=True)
    field.spikes = own_spikes(field.deep, places)
    if not field.one_sky:
        local_background(field, deep)
    return field


def _solve(side: Side, shifted: bool, places: Places, turn: int) -> None:
    side.eps = 0.1 if turn == 0 else max(relative_error(side), 0.02 / turn**2)
    if turn == 0:
        _redraw(side, shifted, places)
    solve_fluxes(side, places, shifted=shifted, rounds=4 if turn == 0 else 2)


def _again(side: Side, shifted: bool, places: Places) -> None:
    solve_fluxes(side, places, shifted=shifted, rounds=2)


def _steady(side: Side, shifted: bool, places: Places) -> None:
    steady_wide(side, places, shifted=shifted)


def _redraw(
    side: Side, shifted: bool, places: Places, *, level: float = 0.05, lines: bool = False
) -> None:
    redraw(side, places, shifted=shifted, level=level)
    if lines:
        search_spikes(side, places, shifted=shifted)


def _judge(side: Side, shifted: bool, places: Places) -> None:
    side.error = probe(side, places, shifted=shifted, mode=0)[:, 1]


def _seek_added(field: StarField, deep: NDArray, sharp: NDArray, pick: NDArray) -> None:
    """Lines of the deep stack that stand out only in its difference from the sharp one."""
    side, places = field.deep, field.places
    scale = _scale(side, field.sharp, None, pick)
    difference = combine(
        deep, (scale, sharp), saturated=field.saturated_deep | field.saturated_sharp
    )
    without_background(difference, out=difference)
    added = find_added_spikes(
        difference,
        float(np.hypot(side.noise, scale * field.sharp.noise)),
        max(side.eps, field.sharp.eps),
        side.model,
        (*(v[pick] for v in (*places.at(True), side.flux)),),
        side.profile.width,
        field.saturated_deep,
    )
    side.angles = add_angles(side.angles, added)


def _renew(
    field: StarField,
    deep: NDArray,
    sharp: NDArray,
    *,
    norm: float,
    scale: float | None,
    pick: NDArray,
    judge: bool,
) -> None:
    """Both profiles from the same pixels: what a nebula adds to one it adds to both."""
    spans = [fit_radii(side, field.places) for side in (field.sharp, field.deep)]
    radius = np.maximum(spans[0][0], spans[1][0])
    reach = [np.maximum(span[1], radius) for span in spans]
    side = field.sharp
    renew_profile(side, field.places, radius, reach[0], shifted=False, norm=norm, pick=pick)
    field.scale = _scale(field.deep, side, scale, pick)
    field.scale_error = _scale_error(field.deep, side, pick)
    side.image = combine(sharp, (1.0, local_level(field, sharp)), saturated=field.unknown_sharp)
    release_memory()
    _prepare_deep(field, deep, sharp, judge=judge)
    renew_profile(
        field.deep,
        field.places,
        radius,
        reach[1],
        shifted=True,
        norm=norm,
        pick=pick,
        base=side.profile,
        pixel_noise=float(np.hypot(1, field.scale * side.noise / field.deep.noise)),
    )
