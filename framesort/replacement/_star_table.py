"""The table of stars of a replacement, and the notes on it."""

from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import KDTree

from framesort.records import CHECK_LIMITS
from framesort.replacement._candidates import StarField
from framesort.replacement._fit import draw
from framesort.replacement._fluxes import saturated_centres
from framesort.replacement._kernels import fit_stars
from framesort.replacement._planes import Lead
from framesort.replacement._profile import profile_fwhm

__all__ = ["make_notes", "make_table", "widths_after"]

SHIFTED = 0.15
"""Pixels: stacks further apart than this are worth a word."""


def widths_after(field: StarField, final: NDArray, applied: NDArray, pick: NDArray) -> NDArray:
    """FWHM of the replaced stars, measured on the result with the sharp profile.

    Returns
    -------
    (n,) float ndarray
        Pixels. NaN where the star was not replaced, the fit failed, or pixels that are saturated
        in the sharp stack lie within the radius of the fit: clipped light has no width.
    """
    p = field.places
    out = np.zeros((len(p), 10))
    q = 1 / (field.sharp.profile.width * p.factor)
    radius = 1.9 / q
    model = draw(
        field.sharp, p, shifted=False, flux=np.where(pick, applied, 0.0), out=np.zeros_like(final)
    )
    starless = final - field.offset
    starless -= np.float32(field.scale) * field.sky
    fit_stars(
        starless,
        model,
        field.deep.noise,
        field.sharp.eps,
        p.x,
        p.y,
        np.maximum(applied, 1e-6),
        q,
        radius,
        field.sharp.profile.tables,
        2,
        out,
    )
    width = profile_fwhm(field.sharp.profile) * p.factor * np.exp(np.clip(out[:, 5], -1, 1))
    known = pick & ~_near_saturated(field, radius) & (out[:, 6] > 0) & (out[:, 6] < 0.3)
    return np.where(known, width, np.nan)


def _near_saturated(field: StarField, radius: NDArray) -> NDArray:
    """Stars with a pixel within `radius` (pixels) that is saturated in the sharp stack."""
    y, x = np.nonzero(field.saturated_sharp)
    if len(x) == 0:
        return np.zeros(len(field.places), bool)
    places = np.column_stack([field.places.x, field.places.y])
    return np.asarray(KDTree(np.column_stack([x, y])).query(places)[0] <= radius)


def make_table(lead: Lead, share: NDArray, after: NDArray) -> Table:
    """Every detection: `share` of sharp pixels at its centre, width `after` on the result."""
    field, applied, before, nonstellar_chi2 = (
        lead.field,
        lead.applied,
        lead.before,
        lead.nonstellar_chi2,
    )
    reason = lead.reason
    p = field.places
    wide = profile_fwhm(field.deep.profile) * p.factor * np.exp(np.clip(before[:, 5], -1, 1))
    saturated_deep, saturated_sharp = saturated_centres(field)
    method = np.where(share > 0.5, "pixels", "profile").astype(object)
    method[reason != ""] = "none"
    columns: list[tuple[str, Any, Any, str]] = [
        ("x", p.x, u.pix, "centre in the sharp stack, pixel (0, 0) is the centre of the first"),
        ("y", p.y, u.pix, "centre in the sharp stack"),
        ("flux_deep", field.deep.flux, u.adu, "light in the deep stack"),
        (
            "flux_sharp",
            field.sharp.flux * field.scale,
            u.adu,
            "light in the sharp stack, deep flux scale",
        ),
        (
            "fwhm_before",
            np.where((before[:, 6] > 0) & (before[:, 6] < 0.3), wide, np.nan),
            u.pix,
            "width in the deep stack",
        ),
        (
            "fwhm_after",
            after,
            u.pix,
            "width measured on the result; NaN where not replaced or saturated",
        ),
        (
            "method",
            method.astype(str),
            None,
            "source of the core: pixels of the sharp stack, its profile, or none",
        ),
        ("reason", reason.astype(str), None, "why the star is not replaced; empty if replaced"),
        ("flux_deep_err", field.deep.error, u.adu, "uncertainty of flux_deep"),
        ("flux_sharp_err", field.sharp.error * field.scale, u.adu, "uncertainty of flux_sharp"),
        (
            "flux_applied",
            np.where(reason == "", applied, np.nan),
            u.adu,
            "flux given to the star in the result",
        ),
        ("saturated_deep", saturated_deep, None, "the deep stack is saturated at the centre"),
        ("saturated_sharp", saturated_sharp, None, "the sharp stack is saturated at the centre"),
        (
            "nonstellar_chi2",
            nonstellar_chi2,
            None,
            "evidence against a point source, sum of squared standard deviations",
        ),
    ]
    table = Table()
    for name, values, unit, text in columns:
        table[name] = values
        table[name].info.description = text
        if unit is not None:
            table[name].unit = unit
    table.meta["flux_scale"] = field.scale
    table.meta["spike_angles"] = [float(np.degrees(a) % 180) for a in field.deep.angles]
    return table


def make_notes(field: StarField, reason: NDArray) -> tuple[str, ...]:
    """What limits the result, a sentence each."""
    out = []
    n = int(np.sum(reason == ""))
    if n < 50:
        out.append(f"Only {n} stars: the profiles rest on few.")
    wide, narrow = profile_fwhm(field.deep.profile), profile_fwhm(field.sharp.profile)
    if narrow > CHECK_LIMITS.narrower * wide:
        out.append(
            f"The sharp stack's stars are hardly sharper ({narrow:.2f} px against {wide:.2f} px)."
        )
    away = float(np.median(np.hypot(field.places.shift_x, field.places.shift_y)))
    if away > SHIFTED:
        out.append(
            f"The stacks are {away:.2f} px apart; stars are placed where the sharp stack has them."
        )
    if not field.one_sky:
        out.append(
            f"The deep stack shows {field.nebula_ratio:.2f} of the sharp stack's nebula, as in "
            "another filter: the nebula under the brightest stars is less certain."
        )
    for code in ("no sharp data", "not stellar", "kept by user"):
        if count := int(np.sum(reason == code)):
            out.append(f"{count} detections not replaced: {code}.")
    return tuple(out)
