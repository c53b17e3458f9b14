"""Replacement plane by plane: one set of places and verdicts, each plane's own light."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from framesort.replacement import _compose as compose
from framesort.replacement import _fluxes as fluxes
from framesort.replacement import _spikes as spikes
from framesort.replacement._candidates import StarField, signal_to_noise
from framesort.replacement._extended import find_detail, find_sky
from framesort.replacement._field import fit_field
from framesort.replacement._fit import draw, probe
from framesort.replacement._memory import release_memory
from framesort.replacement._robust import robust_std
from framesort.replacement._verdict import judge_detections
from framesort.stars import guess_saturation

__all__ = ["Lead", "ReplacementSettings", "change_plane", "fit_lead"]


@dataclass(frozen=True, kw_only=True)
class ReplacementSettings:
    """The arguments of `replace_stars`, checked; see there."""

    noise: float | None
    saturation: tuple[float, float]
    given: NDArray[np.float64] | None
    keep: NDArray[np.float64] | None
    force: NDArray[np.float64] | None
    limits: tuple[float | None, float | None]
    amount: float
    per_star: bool
    scale: float | None
    seed: int
    sharp_colours: bool = False
    detail: bool = True


@dataclass
class Lead:
    """What one fit gives to all planes: places and profiles, light to give, verdict.

    Attributes
    ----------
    field : StarField
        Without its large images but those that widths are measured with.
    applied : (n,) float ndarray
        Light that each star is given, deep flux scale.
    reason, nonstellar_chi2 : (n,) ndarray
        Verdict on each detection.
    before : (n, 10) float ndarray
        `fit_stars` of the deep stack.
    extended : (n,) bool ndarray
        Detections that are no points by themselves: they show how blur changed such light.
    """

    field: StarField
    applied: NDArray
    reason: NDArray
    nonstellar_chi2: NDArray
    before: NDArray
    extended: NDArray


def _fit(
    deep: NDArray, sharp: NDArray, settings: ReplacementSettings, lead: Lead | None
) -> StarField:
    saturation = tuple(
        level if np.isfinite(level) else guess_saturation(image)
        for level, image in zip(settings.saturation, (deep, sharp), strict=True)
    )
    scale = settings.scale
    if lead is not None and settings.sharp_colours and scale is None:
        # One scale for all planes: a scale of each would make all stars white on the average.
        scale = lead.field.scale
    return fit_field(
        deep,
        sharp,
        saturation=(saturation[0], saturation[1]),
        noise=settings.noise,
        known=None if lead is None else lead.field.places,
        given=settings.given if lead is None else None,
        scale=scale,
        tied=not settings.per_star,
    )


def _drop(field: StarField) -> None:
    """Let go of large images that are not needed any more."""
    field.deep.image = field.sharp.image = np.empty((0, 0), np.float32)


def fit_lead(deep: NDArray, sharp: NDArray, settings: ReplacementSettings) -> Lead:
    """Find and judge the stars of one plane, or of the mean of several."""
    field = _fit(deep, sharp, settings, None)
    applied = fluxes.apply_fluxes(field, per_star=settings.per_star)
    if field.one_sky and not settings.sharp_colours:
        applied = fluxes.settle_saturated(field, sharp, applied)
    reason, nonstellar_chi2, extended = judge_detections(
        field,
        deep,
        sharp,
        keep=settings.keep,
        force=settings.force,
        limits=settings.limits,
    )
    before = probe(field.deep, field.places, shifted=True, mode=2)
    _drop(field)
    return Lead(field, applied, reason, nonstellar_chi2, before, extended)


def colour_fluxes(field: StarField, lead: Lead, *, per_star: bool) -> NDArray:
    """Light of each star in one plane of the sharp stack, where the deep stack has one plane only.

    The star's light in all planes together times its colour; a faint star's colour is drawn towards
    the median of bright ones, by 1 / variance with the scatter that bright ones show.
    """
    whole = lead.field.sharp.flux * lead.field.scale if per_star else lead.applied
    g, error = field.sharp.flux * field.scale, field.sharp.error * field.scale
    some = np.maximum(whole, 1e-30)
    colour = g / some
    clear = (g > 30 * error) & (error > 0) & (whole > 0)
    if clear.sum() < 5:
        return lead.applied * np.where(whole > 0, colour, 1)
    mid = float(np.median(colour[clear]))
    spread = max(float(robust_std(colour[clear], mid)), 0.01)
    own = np.where((error > 0) & (whole > 0), 1 / (1e-30 + (error / some) ** 2), 0)
    prior = 1 / spread**2
    return np.asarray(lead.applied * (own * colour + prior * mid) / (own + prior))


EXTENDED = ("not stellar", "no light")
"""Reasons of detections whose light counts as extended: detail is restored in it."""


def _detail(
    field: StarField, deep: NDArray, sharp: NDArray, settings: ReplacementSettings, lead: Lead
) -> NDArray | None:
    """Detail of the sky, non-stellar detections included; none where `keep` is set."""
    if not settings.detail:
        return None
    extended = np.isin(lead.reason, EXTENDED)
    if extended.any():
        for side, shifted in ((field.sharp, False), (field.deep, True)):
            stars = np.where(extended, 0.0, side.flux)
            side.model.fill(0)
            draw(side, field.places, shifted=shifted, flux=stars, out=side.model)
        find_sky(field, sharp)
    release_memory()
    sources = lead.extended & (signal_to_noise(field) > 12)
    detail = find_detail(field, deep, sharp, sources)
    release_memory()
    y, x = np.ogrid[: detail.shape[0], : detail.shape[1]]
    for column, row, radius in settings.keep if settings.keep is not None else ():
        detail[np.hypot(x - column, y - row) <= radius] = 0.0
    return detail


def change_plane(job: tuple[NDArray, NDArray, ReplacementSettings, Lead | None]) -> tuple[Any, ...]:
    """Replace the stars of one plane: final, stars, background, mask, share at each star, lead.

    Without a `lead` the plane is its own.
    """
    deep, sharp, settings, lead = job
    if lead is None:
        lead = fit_lead(deep, sharp, settings)
        field, applied = lead.field, lead.applied
    else:
        field = _fit(deep, sharp, settings, lead)
        if settings.sharp_colours:
            applied = colour_fluxes(field, lead, per_star=settings.per_star)
        else:
            applied = fluxes.apply_fluxes(field, per_star=settings.per_star)
        _drop(field)
    pick = (lead.reason == "") & (field.deep.flux > 0)
    away = field.deep.flux if settings.sharp_colours else fluxes.taken_fluxes(field, applied)
    change = compose.plan_change(field, sharp, pick, applied, away)
    detail = _detail(field, deep, sharp, settings, lead) if field.one_sky else None
    if field.one_sky and not (settings.per_star or settings.sharp_colours):
        layers = (change.taken, change.given, detail)
        spikes.remove_rest(field, (deep, sharp), layers, pick)
        spikes.prefer_sharp(field, (deep, sharp), layers, change.share, pick)
    field.deep.model = np.empty((0, 0), np.float32)
    if not settings.per_star:
        field.sharp.model = np.empty((0, 0), np.float32)
    pictures = compose.apply_change(
        field,
        deep,
        sharp,
        change,
        applied,
        detail,
        per_star=settings.per_star,
        amount=settings.amount,
        seed=settings.seed,
    )
    return *pictures, change.share[field.places.pixels(deep.shape)], applied, lead
