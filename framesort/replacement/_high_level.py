"""`replace_stars`: takes arrays, `CCDData` or stacks, checks them and runs the replacement."""

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Replacement, Stack
from framesort.replacement._input import as_planes, fill_saturated_cores, mean_plane, places_table
from framesort.replacement._planes import ReplacementSettings, change_plane, fit_lead
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
    sharp_weight: NDArray[Any] | None = None,
    deep_noise: float | None = None,
    saturation_deep: float | None = None,
    saturation_sharp: float | None = None,
    stars: Any = None,
    keep: Any = None,
    force: Any = None,
    amount: float = 1.0,
    detail: bool = True,
    brightest: float | None = None,
    faintest: float | None = None,
    flux_scale: Literal["picture", "star"] | float | None = None,
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
        or a mask where there is no data: in the deep stack such pixels stay NaN, and a star that
        the sharp stack does not cover is not replaced.
    sharp_weight : (ny, nx) array_like or None
        Weight or coverage of the sharp stack; 0 means no data.
    deep_noise : float or None
        Standard deviation of a sky pixel of the deep stack, ADU; None to measure it.
    saturation_deep, saturation_sharp : float or None
        Level from which a pixel is saturated, ADU; None for the stack's own level, else
        that of a plateau in the brightest star.
    stars : `~astropy.table.Table` or None
        Places (x, y) to use instead of looking for stars.
    keep, force : `~astropy.table.Table` or (n, 3) array_like or None
        Places (x, y, radius in pixels) where detections are not replaced, or taken for stars
        whatever their shape.
    amount : float
        1 replaces wholly, 0 changes nothing.
    detail : bool
        Restore detail of nebulae and galaxies that the deep stack's blur removed, where the
        sharp stack shows it significantly: bit 16 of the mask. False: only stars are replaced, and
        all else stays as blurred as in the deep stack. A deep stack of another filter than the
        sharp one gets no detail.
    brightest, faintest : float or None
        Stars with more or less flux in the deep stack, ADU, are not replaced.
    flux_scale : "picture", "star", float or None
        One scale for all stars from the sharp to the deep stack; or each star's own, so that it
        keeps its deep flux; or a scale that is known. None: "star" where the deep stack has
        several planes and the sharp one has one, so that stars keep their colours, else "picture".
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
    d, own_d = as_planes(deep, "deep")
    s, own_s = as_planes(sharp, "sharp")
    if d.shape[1:] != s.shape[1:]:
        raise InputError(
            f"deep and sharp must have one shape [y, x], got {d.shape[1:]} and {s.shape[1:]}"
        )
    if len(d) != len(s) and min(len(d), len(s)) != 1:
        raise InputError(
            f"deep and sharp must have as many planes, or one of them one, got {len(d)} and "
            f"{len(s)}"
        )
    if not 0 <= amount <= 1:
        raise InputError(f"amount must be from 0 to 1, got {amount}")
    if isinstance(flux_scale, str) and flux_scale not in ("picture", "star"):
        raise InputError(f"flux_scale must be 'picture', 'star' or a number, got {flux_scale!r}")
    if flux_scale is None:
        flux_scale = "star" if len(d) > len(s) else "picture"
    if not isinstance(flux_scale, str) and not (np.isfinite(flux_scale) and flux_scale > 0):
        raise InputError(f"flux_scale must be above 0, got {flux_scale}")
    weight = sharp.weight if sharp_weight is None and isinstance(sharp, Stack) else sharp_weight
    if weight is not None:
        if np.shape(weight) != d.shape[1:]:
            raise InputError(
                f"sharp_weight must have the shape {d.shape[1:]}, got {np.shape(weight)}"
            )
        s = np.where(np.asarray(weight) > 0, s, np.float32(np.nan))
    saturation = (
        own_d if saturation_deep is None else saturation_deep,
        own_s if saturation_sharp is None else saturation_sharp,
    )
    units = natural_unit(d), natural_unit(s)
    d, s = (v if unit == 1 else v / np.float32(unit) for v, unit in zip((d, s), units, strict=True))
    saturation = (saturation[0] / units[0], saturation[1] / units[1])
    d, s = fill_saturated_cores(d, saturation[0]), fill_saturated_cores(s, saturation[1])
    settings = ReplacementSettings(
        noise=None if deep_noise is None else deep_noise / units[0],
        saturation=saturation,
        given=places_table(stars, "stars"),
        keep=places_table(keep, "keep"),
        force=places_table(force, "force"),
        limits=(
            None if brightest is None else brightest / units[0],
            None if faintest is None else faintest / units[0],
        ),
        amount=float(amount),
        per_star=flux_scale == "star",
        scale=None if isinstance(flux_scale, str) else float(flux_scale) * units[1] / units[0],
        seed=int(np.random.default_rng(0 if rng is None else rng).integers(2**31)),
        sharp_colours=len(s) > len(d),
        detail=bool(detail),
    )
    planes = max(len(d), len(s))
    lead = fit_lead(mean_plane(d), mean_plane(s), settings) if planes > 1 else None
    jobs = [(d[min(k, len(d) - 1)], s[min(k, len(s) - 1)], settings, lead) for k in range(planes)]
    results = list(run_tasks(change_plane, jobs, executor=executor, progress=progress))
    lead = results[0][6] if lead is None else lead
    count = int(np.sum(lead.reason == ""))
    if count < FEWEST:
        raise NotEnoughFramesError(
            f"{count} stars can be replaced, {FEWEST} are needed for "
            "a profile; check that both stacks show the same field on one grid"
        )
    layers = [np.stack([r[i] for r in results]) if planes > 1 else results[0][i] for i in range(3)]
    after = widths_after(lead.field, mean_plane(layers[0]), lead.applied, lead.reason == "")
    share = np.max([r[4] for r in results], axis=0)
    table = make_table(lead, share, after)
    if planes > 1:
        applied = np.array([r[5] for r in results]).T
        table["flux_applied_planes"] = np.where((lead.reason == "")[:, None], applied, np.nan)
        table["flux_applied_planes"].unit = "adu"
        table["flux_applied_planes"].info.description = "flux given to each plane"
    table.sort("flux_deep", reverse=True)
    made = Replacement(
        final=layers[0],
        stars=layers[1],
        background=layers[2],
        mask=np.bitwise_or.reduce([r[3] for r in results]),
        table=table,
        notes=make_notes(lead.field, lead.reason),
    )
    return scale_replacement(made, *units)
