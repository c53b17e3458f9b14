"""Replacement plane by plane: one set of places and verdicts, each plane's own light."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from framesort.replacement import _compose as compose
from framesort.replacement import _fluxes as fluxes
from framesort.replacement import _spikes as spikes
from framesort.replacement._arrays import Array
from framesort.replacement._candidates import StarField, signal_to_noise
from framesort.replacement._detail import find_detail
from framesort.replacement._extended import find_sky, sky_rows
from framesort.replacement._field import fit_field
from framesort.replacement._fit import Unknowns, fit_stars, star_fwhm
from framesort.replacement._layers import Layers
from framesort.replacement._options import ReplacementSettings
from framesort.replacement._robust import robust_std
from framesort.replacement._side import Stacks, draw
from framesort.replacement._verdict import Verdict, judge_detections
from framesort.stars import guess_saturation
from framesort.workers import release_memory, run_each

__all__ = ["Lead", "PlaneJob", "PlaneResult", "change_plane", "fit_lead"]

EXTENDED = ("not stellar", "no light")
"""Reasons of detections whose light counts as extended: detail is restored in it."""


@dataclass
class Lead:
    """What one fit gives to all planes: places and profiles, light to give, verdict.

    Attributes
    ----------
    field : StarField
        Without its large images but those that widths are measured with.
    applied : (n,) float ndarray
        Light that each star is given, deep flux scale.
    verdict : Verdict
    fwhm : (n,) float ndarray
        Width of each star in the deep stack, pixels; NaN where unknown.
    """

    field: StarField
    applied: Array
    verdict: Verdict
    fwhm: Array


class PlaneJob(NamedTuple):
    """One plane of both stacks, and how its stars are replaced; without a lead it is its own."""

    stacks: Stacks
    settings: ReplacementSettings
    lead: Lead | None


class PlaneResult(NamedTuple):
    """One plane with its stars replaced; share of sharp pixels at each, and the light given."""

    layers: Layers
    share: Array
    applied: Array
    lead: Lead


def _fit(stacks: Stacks, settings: ReplacementSettings, lead: Lead | None) -> StarField:
    deep, sharp = run_each(
        lambda one: one[0] if np.isfinite(one[0]) else guess_saturation(one[1]),
        zip(settings.saturation, stacks, strict=True),
    )
    scale = settings.scale
    if lead is not None and settings.sharp_colours and scale is None:
        # One scale for all planes: a scale of each would make all stars white on the average.
        scale = lead.field.scale
    return fit_field(
        *stacks,
        saturation=(deep, sharp),
        scale=scale,
        tied=not settings.per_star,
        known=None if lead is None else lead.field.places,
    )


def _drop_images(field: StarField) -> None:
    """Let go of large images that are not needed any more."""
    for side in field.sides:
        del side.image


def fit_lead(stacks: Stacks, settings: ReplacementSettings) -> Lead:
    """Find and judge the stars of one plane, or of the mean of several."""
    field = _fit(stacks, settings, None)
    applied = fluxes.apply_fluxes(field, per_star=settings.per_star)
    if field.one_sky and not settings.sharp_colours:
        applied = fluxes.settle_saturated(field, stacks.sharp, applied)
    verdict = judge_detections(field, stacks, settings)
    fits = fit_stars(field.deep, field.places, Unknowns.WIDTH)
    fwhm = star_fwhm(field.deep, field.places, fits)
    _drop_images(field)
    return Lead(field, applied, verdict, fwhm)


def colour_fluxes(field: StarField, lead: Lead, *, per_star: bool) -> Array:
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


def _detail(
    field: StarField, stacks: Stacks, settings: ReplacementSettings, verdict: Verdict
) -> Array:
    """Detail of the sky, non-stellar detections included; none where `keep` is set."""
    extended = np.isin(verdict.reason, EXTENDED)
    if extended.any():
        for side in field.sides:
            side.model.fill(0)
            stars = np.where(extended, 0.0, side.flux)
            draw(side, field.places, flux=stars, out=side.model)
        del field.sky  # large, and made anew
        field.sky, rows = find_sky(field, stacks.sharp)
    else:
        rows = sky_rows(field, stacks.sharp)
    release_memory()
    sources = verdict.extended & (signal_to_noise(field) > 12)
    detail = find_detail(field, stacks, rows, sources)
    del rows
    release_memory()
    y, x = np.ogrid[: detail.shape[0], : detail.shape[1]]
    for column, row, radius in settings.keep if settings.keep is not None else ():
        detail[np.hypot(x - column, y - row) <= radius] = 0.0
    return detail


def change_plane(job: PlaneJob) -> PlaneResult:
    """Replace the stars of one plane."""
    stacks, settings, lead = job
    if lead is None:
        lead = fit_lead(stacks, settings)
        field, applied = lead.field, lead.applied
    else:
        field = _fit(stacks, settings, lead)
        if settings.sharp_colours:
            applied = colour_fluxes(field, lead, per_star=settings.per_star)
        else:
            applied = fluxes.apply_fluxes(field, per_star=settings.per_star)
        _drop_images(field)
    pick = lead.verdict.replaced & (field.deep.flux > 0)
    away = field.deep.flux if settings.sharp_colours else fluxes.taken_fluxes(field, applied)
    detail = None
    if field.one_sky and settings.detail:
        detail = _detail(field, stacks, settings, lead.verdict)
    # Only its shape is needed from here on.
    field.deep.model = np.broadcast_to(np.float32(0), stacks.deep.shape)
    release_memory()
    change = compose.plan_change(field, stacks.sharp, pick, applied, away)
    change.detail = detail
    del detail
    if field.one_sky and not (settings.per_star or settings.sharp_colours):
        spikes.remove_rest(field, stacks, change, pick)
        spikes.prefer_sharp(field, stacks, change, pick)
    del field.deep.model
    if not settings.per_star:
        del field.sharp.model
    share = change.share[field.places.pixels(stacks.deep.shape)]
    layers = compose.apply_change(field, stacks, change, settings)
    return PlaneResult(layers, share, applied, lead)
