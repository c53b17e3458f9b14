"""From two images to star places, fluxes and profiles of both."""

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from framesort.errors import NotEnoughFramesError
from framesort.replacement import _detect as detect
from framesort.replacement._added import find_added_spikes
from framesort.replacement._arrays import Array, Map, Mask
from framesort.replacement._candidates import (
    StarField,
    StarFit,
    add_missed,
    core_radii,
    credible_detections,
    drop_detections,
    first_places,
    label_patches,
    saturated_rims,
)
from framesort.replacement._extended import find_one_sided, find_sky, fit_matching, local_level
from framesort.replacement._fit import (
    Unknowns,
    fit_radii,
    fit_stars,
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
from framesort.replacement._matching import TILES, convolve
from framesort.replacement._place_fit import fit_widths, move_places
from framesort.replacement._profile import cap_wings, join_wings, moffat_profile
from framesort.replacement._side import Places, Side, Stacks, redraw
from framesort.replacement._smooth import BOX, Level, combine, grow, sample_noise
from framesort.replacement._spike_angles import add_angles
from framesort.replacement._spikes import own_spikes
from framesort.replacement._trust import model_stars, set_scale, star_scale
from framesort.stars import WholeMap, background_level, subtract_background
from framesort.workers import core_count, release_memory, run_each

__all__ = ["fit_field"]

TURNS = 4
LIMITS = (40, 80, 160, 160)
"""Stars that make the profiles in each turn."""

FEW_TILES = 16
"""Tiles on which the matching kernel is fitted before the last time."""

LEVEL = 5.5
"""Standard deviations of the filtered stacks above which a peak is a detection."""

FINAL_STARS = 200
"""Stars that make the flux scale in the end."""


@dataclass(frozen=True)
class _Task:
    """What does not change while a pair of stacks is fitted.

    Attributes
    ----------
    stacks : Stacks
    spread : Level
        Scatter of the filtered sharp stack around each pixel.
    norm : float
        Radius, pixels, within which profiles have the flux 1.
    search : bool
        The places are not known: detections are sought and dropped, places and widths fitted.
    """

    stacks: Stacks
    spread: Level
    norm: float
    search: bool


class _Flat(NamedTuple):
    """A stack less its background; its noise and FWHM; saturated pixels, and hot ones if sought."""

    image: Array
    noise: float
    width: float
    saturated: Mask
    hot: Mask


def _flatten(image: Array, saturation: float, *, hot: bool) -> _Flat:
    """A stack less its background; hot pixels are sought if `hot`."""
    saturated = grow(image >= saturation, 2)
    flat = subtract_background(image, box=BOX, threads=core_count())
    noise = sample_noise(image, BOX)
    found = np.empty(0, bool)
    if hot:
        found = detect.hot_pixels(flat, noise)
        flat[found] = np.nan
    return _Flat(flat, noise, detect.guess_width(flat, noise, saturation), saturated, found)


class _Extended(NamedTuple):
    """Extended light: the sky, the smooth level beside it (`StarField`), ``K * sky``."""

    sky: Array
    offset: Map
    nebula: Array


def _prepare_deep(
    fit: StarFit, stacks: Stacks, *, tiles: int, measure: bool = False, judge: bool = False
) -> _Extended:
    """Take the sky, as the deep stack shows it, and a smooth rest out of the deep stack.

    The matching kernel is fitted on at most `tiles` tiles, and left as it is with 0; with `measure`
    the pixel noise is measured anew; with `judge` it is found whether the deep stack shows the
    sharp one's nebula.
    """
    del fit.deep.image  # large, and made anew
    sky, rows = find_sky(fit, stacks.sharp, measure=measure)
    if fit.one_sky and tiles:
        fit_matching(fit, stacks, sky, rows, most=tiles)
    del rows
    release_memory()
    nebula = convolve(lambda first, last: sky[first:last], sky.shape, fit.kernel)
    if judge:
        fit.nebula_ratio = measure_nebula_ratio(
            stacks.deep, fit.deep, nebula, fit.scale, fit.sharp.noise
        )
    light = (fit.scale * fit.nebula_ratio, nebula)
    saturated = fit.saturated_deep
    if fit.one_sky:
        model = fit.deep.model
        rest = combine(stacks.deep, light, (1.0, model), saturated=saturated)
        offset: Map = background_level(rest, box=BOX, threads=core_count())
        combine(rest, (1.0, offset), (-1.0, model), saturated=saturated, out=rest)
    else:  # finer than boxes, as the sharp stack does not predict the nebula
        rest = combine(stacks.deep, light, saturated=saturated)
        offset = WholeMap(between_stars(rest, fit.deep, saturated))
        combine(rest, (1.0, offset), saturated=saturated, out=rest)
    fit.deep.image = rest
    return _Extended(sky, offset, nebula)


def fit_field(
    deep: Array,
    sharp: Array,
    *,
    saturation: tuple[float, float],
    scale: float | None = None,
    tied: bool = True,
    known: Places | None = None,
) -> StarField:
    """Fit the stars of a deep and a sharp image (float32, [y, x], NaN where there is no data).

    `saturation` are the levels of both, `scale` is the flux scale where it is known, `tied` as in
    `StarFit`. With `known` places only fluxes and profiles are sought.
    """
    stacks = Stacks(deep, sharp)
    fit, task = _begin(stacks, saturation, known)
    fit.known_scale, fit.tied = scale, tied
    for turn in range(TURNS):
        _take_turn(fit, task, turn)
    _settle_profiles(fit)
    set_scale(fit, model_stars(fit, FINAL_STARS, task.spread))
    del task
    sky, offset = _find_extended(fit, stacks)
    spikes = own_spikes(fit.deep, fit.places)
    field = StarField(**vars(fit), sky=sky, offset=offset, spikes=spikes)
    if not field.one_sky:
        local_background(field, deep)
    return field


def _begin(
    stacks: Stacks, saturation: tuple[float, float], known: Places | None
) -> tuple[StarFit, _Task]:
    """Backgrounds and widths of both stacks, and the first places."""
    flats = run_each(
        lambda one: _flatten(*one[:2], hot=one[2]),
        zip(stacks, saturation, (False, True), strict=True),
    )
    deep, sharp = flats
    if not np.isfinite(deep.width + sharp.width):
        raise NotEnoughFramesError(
            "no stars stand 30 times above the noise in both stacks; check that they are stacks "
            "of stars and on one grid"
        )
    if known is not None:
        places = deepcopy(known)  # its places move with this plane's profile
    else:
        patches = label_patches(deep.saturated | sharp.saturated)
        widths = (deep.width, sharp.width)
        x, y = first_places(deep.image, sharp.image, patches, widths, LEVEL)
        rim, core = saturated_rims(patches, x, y), core_radii(patches, x, y)
        places = Places.new(x, y, rim, core)
    sides = []
    for flat in flats:
        flat.image[flat.saturated] = np.nan
        sides.append(
            Side(
                image=flat.image,
                model=np.zeros(flat.image.shape, np.float32),
                noise=flat.noise,
                profile=moffat_profile(flat.width, 3.0),
                shifted=flat is deep,
                flux=np.zeros(len(places)),
                error=np.zeros(len(places)),
            )
        )
    fit = StarFit(
        places=places,
        deep=sides[0],
        sharp=sides[1],
        saturated_deep=deep.saturated,
        saturated_sharp=sharp.saturated,
        one_sided=sharp.hot,
        known_scale=None,
        tied=True,
    )
    # Without saturated pixels: else no star near them is thought to be clear.
    spread = detect.local_spread(detect.star_filter(sharp.image, sharp.width))
    return fit, _Task(stacks, spread, 8 * deep.width, known is None)


def _take_turn(fit: StarFit, task: _Task, turn: int) -> None:
    """Fluxes, places, widths and spikes with the profiles as they are, then new profiles."""
    _both(fit, _solve, turn=turn)
    if task.search:
        move_places(fit)
    if turn == 2 and task.search:
        add_missed(fit, LEVEL)
        _both(fit, redraw)
        _both(fit, solve_fluxes, rounds=2)
    if turn >= 1:
        _both(fit, _judge)
        if task.search:
            drop_detections(fit, credible_detections(fit, turn))
    if turn in (1, 2) and task.search:
        fit_widths(fit, task.stacks.deep.shape)
    _both(fit, redraw)
    if turn >= 1:
        _both(fit, search_spikes)
        _both(fit, steady_wide)
    pick = model_stars(fit, LIMITS[turn], task.spread)
    if turn >= 1:
        _seek_added(fit, task.stacks, pick)
    _renew(fit, task, pick, judge=turn in (1, 2))
    release_memory()


def _settle_profiles(fit: StarFit) -> None:
    """The wings of both profiles, and the last fluxes."""
    deep, sharp = fit.deep, fit.sharp
    total = np.sqrt(np.sum(np.sort(deep.flux)[-300:] ** 2)) + 1e-9
    deep.profile = join_wings(deep.profile, sharp.profile, 0.03 * deep.noise / total)
    if not fit.one_sky:
        sharp.profile = cap_wings(sharp.profile, deep.profile)
    _both(fit, redraw, level=0.02)
    _both(fit, solve_fluxes, rounds=2)
    _both(fit, steady_wide)
    _both(fit, _judge)


def _find_extended(fit: StarFit, stacks: Stacks) -> tuple[Array, Map]:
    """Sky and offset (`StarField`), without light that only the sharp stack shows."""
    sky, offset, nebula = _prepare_deep(fit, stacks, tiles=TILES)
    if not fit.one_sky:
        return sky, offset
    release_memory()
    alone = find_one_sided(fit, nebula)
    del nebula
    if alone is not None:
        fit.one_sided = fit.one_sided | alone
        del sky, offset
        sky, offset, _ = _prepare_deep(fit, stacks, tiles=0)
    return sky, offset


def _both(fit: StarFit, work: Callable[..., None], **settings: Any) -> None:
    """Work on both stacks at once: the compiled loops let go of the interpreter."""
    run_each(lambda side: work(side, fit.places, **settings), fit.sides)


def _solve(side: Side, places: Places, turn: int) -> None:
    """The fluxes of a turn, with the relative error of the model as it is then."""
    side.eps = 0.1 if turn == 0 else max(relative_error(side), 0.02 / turn**2)
    if turn == 0:
        redraw(side, places)
    solve_fluxes(side, places, rounds=4 if turn == 0 else 2)


def _judge(side: Side, places: Places) -> None:
    """The errors of the fluxes."""
    side.error = fit_stars(side, places, Unknowns.FLUX).flux_error


def _seek_added(fit: StarFit, stacks: Stacks, pick: Array) -> None:
    """Lines of the deep stack that stand out only in its difference from the sharp one."""
    side = fit.deep
    scale = star_scale(fit, pick)

    def difference(cut: tuple[slice, slice]) -> Array:
        rest = stacks.deep[cut] - np.float32(scale) * stacks.sharp[cut]
        rest[fit.saturated_deep[cut] | fit.saturated_sharp[cut]] = np.nan
        return rest - np.nanmedian(rest) if np.isfinite(rest).any() else rest

    noise = float(np.hypot(side.noise, scale * fit.sharp.noise))
    added = find_added_spikes(
        difference,
        (noise, max(side.eps, fit.sharp.eps), side.model),
        tuple(v[pick] for v in (*side.at(fit.places), side.flux)),
        side.profile.width,
        fit.saturated_deep,
    )
    side.angles = add_angles(side.angles, added)


def _renew(fit: StarFit, task: _Task, pick: Array, *, judge: bool) -> None:
    """Both profiles from the same pixels: what a nebula adds to one it adds to both.

    With `judge` it is judged whether both stacks show the same light without stars.
    """
    deep, sharp, stacks = fit.deep, fit.sharp, task.stacks
    (radius, sharp_reach), (other, deep_reach) = (fit_radii(v, fit.places) for v in fit.sides)
    radius = np.maximum(radius, other)
    span = radius, np.maximum(sharp_reach, radius)
    renew_profile(sharp, fit.places, pick, span, norm=task.norm)
    set_scale(fit, pick)
    level = local_level(fit, stacks.sharp)
    sharp.image = combine(stacks.sharp, (1.0, level), saturated=fit.unknown_sharp, out=level)
    release_memory()
    _prepare_deep(fit, stacks, tiles=FEW_TILES, measure=True, judge=judge)
    renew_profile(
        deep,
        fit.places,
        pick,
        (radius, np.maximum(deep_reach, radius)),
        norm=task.norm,
        base=sharp.profile,
        pixel_noise=float(np.hypot(1, fit.scale * sharp.noise / deep.noise)),
    )
