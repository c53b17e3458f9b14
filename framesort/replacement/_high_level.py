"""`replace_stars`: takes arrays, `CCDData` or stacks, checks them and runs the replacement."""

from typing import Any

import numpy as np

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Replacement
from framesort.replacement._arrays import Image
from framesort.replacement._input import (
    as_planes,
    fill_saturated_cores,
    mask_unweighted,
    mean_plane,
    places_table,
)
from framesort.replacement._options import ReplacementOptions, ReplacementSettings
from framesort.replacement._planes import Lead, PlaneJob, PlaneResult, change_plane, fit_lead
from framesort.replacement._side import Stacks
from framesort.replacement._star_table import make_notes, make_table, widths_after
from framesort.replacement._units import natural_unit, scale_replacement
from framesort.workers import Progress, run_tasks

__all__ = ["replace_stars"]

FEWEST = 3
"""Fewer stars than this give no profile."""


def replace_stars(
    deep: Any,
    sharp: Any,
    *,
    options: ReplacementOptions | None = None,
    keep: Any = None,
    force: Any = None,
    rng: np.random.Generator | int | None = None,
    progress: Progress | None = None,
    executor: Any = None,
) -> Replacement:
    """Replace the stars of the deep stack with those of the sharp stack.

    Both stacks lie on one pixel grid. Noise-free star profiles of both are fitted to many stars,
    fluxes are solved for together, the deep stack keeps its own pixels where starlight is only
    subtracted, and the sharp stack's pixels are used where the profile's error would
    exceed their noise. See ``docs/replacement.md`` for the formulas.

    Parameters
    ----------
    deep, sharp : ndarray, `~astropy.nddata.CCDData` or `~framesort.records.Stack`
        ADU, [y, x], or [plane, y, x] with up to 8 planes, as many in both or one in either. NaN
        or a mask where there is no data, and weight 0 of a sharp `Stack`: in the deep stack such
        pixels stay NaN, and a star that the sharp stack does not cover is not replaced.
    options : ReplacementOptions or None
        What can be chosen; None for its defaults.
    keep, force : `~astropy.table.Table` or (n, 3) array_like or None
        Places (x, y, radius in pixels) where detections are not replaced, or taken for stars
        whatever their shape.
    rng : `~numpy.random.Generator`, int or None
        For the pixel noise of the starless layer under saturated cores; None for a fixed
        seed. The final picture does not depend on it.
    progress : callable or None
        Wraps the iteration over planes, as `tqdm.tqdm` does.
    executor : `~concurrent.futures.Executor` or None
        Runs the planes of a colour image.

    Returns
    -------
    `~framesort.records.Replacement`
        ``final == stars + background``; pixels with mask 0 are the deep stack's own.

    Notes
    -----
    The mean of several planes gives the places of the stars and which are replaced. Each plane
    has its own profiles and, where both stacks have as many, its own flux scale. A deep stack of
    one plane (a luminance or narrowband picture) with a sharp one of several gives a picture of
    several planes: stars in the colours of the sharp stack, which has one flux scale for all its
    planes, over the deep stack's light.

    Raises
    ------
    InputError
        Shapes differ, or an argument is out of range.
    NotEnoughFramesError
        Too few stars to make a profile.
    """
    options = ReplacementOptions() if options is None else options
    d, own_d = as_planes(deep, "deep")
    s, own_s = as_planes(sharp, "sharp")
    _check_shapes(d, s)
    s = mask_unweighted(s, sharp)
    units = natural_unit(d), natural_unit(s)
    d, s = (v if unit == 1 else v / np.float32(unit) for v, unit in zip((d, s), units, strict=True))
    saturation = (
        (own_d if options.saturation_deep is None else options.saturation_deep) / units[0],
        (own_s if options.saturation_sharp is None else options.saturation_sharp) / units[1],
    )
    d, s = fill_saturated_cores(d, saturation[0]), fill_saturated_cores(s, saturation[1])
    flux_scale = options.flux_scale
    if flux_scale is None:
        flux_scale = "star" if len(d) > len(s) else "picture"
    settings = ReplacementSettings(
        saturation=saturation,
        keep=places_table(keep, "keep"),
        force=places_table(force, "force"),
        brightest=_over(options.brightest, units[0]),
        faintest=_over(options.faintest, units[0]),
        amount=float(options.amount),
        detail=bool(options.detail),
        per_star=flux_scale == "star",
        scale=None if isinstance(flux_scale, str) else float(flux_scale) * units[1] / units[0],
        seed=int(np.random.default_rng(0 if rng is None else rng).integers(2**31)),
        sharp_colours=len(s) > len(d),
    )
    planes = max(len(d), len(s))
    lead = fit_lead(Stacks(mean_plane(d), mean_plane(s)), settings) if planes > 1 else None
    jobs = [
        PlaneJob(Stacks(d[min(k, len(d) - 1)], s[min(k, len(s) - 1)]), settings, lead)
        for k in range(planes)
    ]
    results = list(run_tasks(change_plane, jobs, executor=executor, progress=progress))
    made = _join_planes(results, results[0].lead if lead is None else lead)
    return scale_replacement(made, *units)


def _check_shapes(deep: Image, sharp: Image) -> None:
    """Raise `InputError` where the planes of two stacks do not fit."""
    if deep.shape[1:] != sharp.shape[1:]:
        raise InputError(
            f"deep and sharp must have one shape [y, x], got {deep.shape[1:]} and {sharp.shape[1:]}"
        )
    if len(deep) != len(sharp) and min(len(deep), len(sharp)) != 1:
        raise InputError(
            f"deep and sharp must have as many planes, or one of them one, got {len(deep)} and "
            f"{len(sharp)}"
        )


def _over(limit: float | None, unit: float) -> float | None:
    return None if limit is None else limit / unit


def _join_planes(results: list[PlaneResult], lead: Lead) -> Replacement:
    """The planes as one result, and the table of the stars."""
    replaced = lead.verdict.replaced
    if np.sum(replaced) < FEWEST:
        raise NotEnoughFramesError(
            f"{np.sum(replaced)} stars can be replaced, {FEWEST} are needed for "
            "a profile; check that both stacks show the same field on one grid"
        )
    one = len(results) == 1
    layers = [result.layers for result in results]
    final, stars, background = (
        getattr(layers[0], name) if one else np.stack([getattr(v, name) for v in layers])
        for name in ("final", "stars", "background")
    )
    after = widths_after(lead.field, mean_plane(final), lead.applied, replaced)
    share = np.max([result.share for result in results], axis=0)
    applied = None if one else np.array([result.applied for result in results]).T
    table = make_table(lead, share, after, applied)
    table.sort("flux_deep", reverse=True)
    return Replacement(
        final=final,
        stars=stars,
        background=background,
        mask=np.bitwise_or.reduce([v.mask for v in layers]),
        table=table,
        notes=make_notes(lead.field, lead.verdict.reason),
    )
