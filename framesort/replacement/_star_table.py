"""The table of stars of a replacement, and the notes on it."""

from dataclasses import replace

import numpy as np
from astropy import units as u
from astropy.table import Table
from scipy.spatial import KDTree

from framesort.records import CHECK_LIMITS, Note
from framesort.replacement._arrays import Array
from framesort.replacement._candidates import StarField
from framesort.replacement._fit import CORE, Unknowns, fit_stars, star_fwhm
from framesort.replacement._fluxes import saturated_centres
from framesort.replacement._planes import Lead
from framesort.replacement._profile import profile_fwhm
from framesort.replacement._side import draw
from framesort.replacement._smooth import combine

__all__ = ["make_notes", "make_table", "widths_after"]

SHIFTED = 0.15
"""Pixels: stacks further apart than this are worth a word."""


def widths_after(field: StarField, final: Array, applied: Array, pick: Array) -> Array:
    """FWHM of the replaced stars, measured on the result with the sharp profile.

    Returns
    -------
    (n,) float ndarray
        Pixels. NaN where the star was not replaced, the fit failed, or pixels that are saturated
        in the sharp stack lie within the radius of the fit: clipped light has no width.
    """
    p = field.places
    starless = combine(
        final,
        (1.0, field.offset),
        (field.scale, field.sky),
        saturated=np.zeros_like(field.one_sided),
    )
    model = draw(field.sharp, p, flux=np.where(pick, applied, 0.0), out=np.zeros_like(final))
    side = replace(field.sharp, image=starless, model=model, noise=field.deep.noise)
    reach = CORE / side.q(p)
    fits = fit_stars(side, p, Unknowns.WIDTH, flux=np.maximum(applied, 1e-6), reach=reach)
    known = pick & ~_near_saturated(field, reach)
    return np.where(known, star_fwhm(side, p, fits), np.nan)


def _near_saturated(field: StarField, radius: Array) -> Array:
    """Stars with a pixel within `radius` (pixels) that is saturated in the sharp stack."""
    y, x = np.nonzero(field.saturated_sharp)
    if len(x) == 0:
        return np.zeros(len(field.places), bool)
    places = np.column_stack([field.places.x, field.places.y])
    return np.asarray(KDTree(np.column_stack([x, y])).query(places)[0] <= radius)


COLUMNS: dict[str, tuple[u.UnitBase | None, str]] = {
    "x": (u.pix, "centre in the sharp stack, pixel (0, 0) is the centre of the first"),
    "y": (u.pix, "centre in the sharp stack"),
    "flux_deep": (u.adu, "light in the deep stack"),
    "flux_sharp": (u.adu, "light in the sharp stack, deep flux scale"),
    "fwhm_before": (u.pix, "width in the deep stack"),
    "fwhm_after": (u.pix, "width measured on the result; NaN where not replaced or saturated"),
    "method": (None, "source of the core: pixels of the sharp stack, its profile, or none"),
    "reason": (None, "why the star is not replaced; empty if replaced"),
    "flux_deep_err": (u.adu, "uncertainty of flux_deep"),
    "flux_sharp_err": (u.adu, "uncertainty of flux_sharp"),
    "flux_applied": (u.adu, "flux given to the star in the result"),
    "saturated_deep": (None, "the deep stack is saturated at the centre"),
    "saturated_sharp": (None, "the sharp stack is saturated at the centre"),
    "nonstellar_chi2": (
        None,
        "evidence against a point source, sum of squared standard deviations",
    ),
    "flux_applied_planes": (u.adu, "flux given to each plane"),
}
"""Unit and description of each column; the last one of colour images only."""


def make_table(lead: Lead, share: Array, after: Array, planes: Array | None = None) -> Table:
    """Every detection: `share` of sharp pixels at its centre, width `after` on the result.

    `planes`, (n, planes), is the light given in each plane of a colour image.
    """
    field, verdict, p = lead.field, lead.verdict, lead.field.places
    saturated_deep, saturated_sharp = saturated_centres(field)
    method = np.where(share > 0.5, "pixels", "profile")
    values = {
        "x": p.x,
        "y": p.y,
        "flux_deep": field.deep.flux,
        "flux_sharp": field.sharp.flux * field.scale,
        "fwhm_before": lead.fwhm,
        "fwhm_after": after,
        "method": np.where(verdict.replaced, method, "none"),
        "reason": verdict.reason.astype(str),
        "flux_deep_err": field.deep.error,
        "flux_sharp_err": field.sharp.error * field.scale,
        "flux_applied": np.where(verdict.replaced, lead.applied, np.nan),
        "saturated_deep": saturated_deep,
        "saturated_sharp": saturated_sharp,
        "nonstellar_chi2": verdict.nonstellar_chi2,
    }
    if planes is not None:
        values["flux_applied_planes"] = np.where(verdict.replaced[:, None], planes, np.nan)
    table = Table(values)
    for name in table.colnames:
        table[name].unit, table[name].info.description = COLUMNS[name]
    table.meta["flux_scale"] = field.scale
    table.meta["spike_angles"] = [float(np.degrees(a) % 180) for a in field.deep.angles]
    return table


def make_notes(field: StarField, reason: Array) -> tuple[Note, ...]:
    """What limits the result."""
    out = []
    n = int(np.sum(reason == ""))
    if n < 50:
        out.append(Note("few profile stars", f"Only {n} stars: the profiles rest on few."))
    wide, narrow = profile_fwhm(field.deep.profile), profile_fwhm(field.sharp.profile)
    if narrow > CHECK_LIMITS.narrower * wide:
        text = (
            f"The sharp stack's stars are hardly sharper ({narrow:.2f} px against {wide:.2f} px)."
        )
        out.append(Note("hardly sharper", text))
    away = float(np.median(np.hypot(field.places.shift_x, field.places.shift_y)))
    if away > SHIFTED:
        text = (
            f"The stacks are {away:.2f} px apart; stars are placed where the sharp stack has them."
        )
        out.append(Note("stacks apart", text))
    if not field.one_sky:
        text = (
            f"The deep stack shows {field.nebula_ratio:.2f} of the sharp stack's nebula, as in "
            "another filter: the nebula under the brightest stars is less certain."
        )
        out.append(Note("other nebula", text))
    for code in ("no sharp data", "not stellar", "kept by user"):
        if count := int(np.sum(reason == code)):
            out.append(Note(code, f"{count} detections not replaced: {code}."))
    return tuple(out)
