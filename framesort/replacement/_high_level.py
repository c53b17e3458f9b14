"""The door: takes arrays, `CCDData` or stacks, checks them, and hands them to the core."""

from typing import Any, Literal

import numpy as np
from astropy import units as u
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import Replacement, Stack
from framesort.replacement import _compose as compose
from framesort.replacement import _detect as detect
from framesort.replacement._field import fit_field
from framesort.replacement._finds import WEAKEST, Field, signal_to_noise
from framesort.replacement._fit import Places, draw, probe
from framesort.replacement._input import as_planes, places_table
from framesort.replacement._kernels import fit_stars
from framesort.replacement._profile import profile_fwhm
from framesort.stars import estimate_background
from framesort.workers import Progress, run_tasks

FEWEST = 3
"""Fewer stars than this do not give a profile."""

REASONS = {
    "": "Replaced.",
    "kept by hand": "In the list of places to leave alone.",
    "not covered": "The sharp stack has no pixels here.",
    "not a star": "As wide in the sharp stack as in the deep one, or on a hump of light.",
    "too bright": "Brighter than the limit given.",
    "too faint": "Fainter than the limit given.",
    "no light": "Too weak to be told from noise.",
}
"""Why a star was left alone: codes of the column `reason`."""


def _within(places: Places, spots: NDArray | None) -> NDArray[np.bool_]:
    inside = np.zeros(len(places), dtype=bool)
    for x, y, radius in spots if spots is not None else ():
        inside |= np.hypot(places.x - x, places.y - y) <= radius
    return inside


def _uncovered(places: Places, sharp: NDArray, width: float) -> NDArray[np.bool_]:
    """Stars with a pixel missing in the sharp stack within one width, or beyond its edge."""
    hole = ~np.isfinite(sharp)
    out = np.zeros(len(places), dtype=bool)
    if not hole.any():
        return out
    r = max(1, round(width))
    for k, (x, y) in enumerate(zip(places.x, places.y, strict=True)):
        i, j = round(x), round(y)
        out[k] = hole[max(0, j - r) : j + r + 1, max(0, i - r) : i + r + 1].any()
    return out


def _verdict(
    field: Field,
    deep: NDArray,
    sharp: NDArray,
    *,
    keep: NDArray | None,
    force: NDArray | None,
    limits: tuple[float | None, float | None],
) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """A reason for each star that is left alone, "" for the others; and the doubt."""
    p = field.places
    doubt, change = compose.star_doubt(field, deep, sharp)
    reason = np.full(len(p), "", dtype=object)
    reason[~compose.is_star(field, doubt, change)] = "not a star"
    flux = field.deep.flux
    if limits[0] is not None:
        reason[flux > limits[0]] = "too bright"
    if limits[1] is not None:
        reason[flux < limits[1]] = "too faint"
    reason[_within(p, force)] = ""
    reason[(flux <= 0) | (signal_to_noise(field) < WEAKEST)] = "no light"
    reason[_uncovered(p, sharp, field.sharp.profile.width)] = "not covered"
    reason[_within(p, keep)] = "kept by hand"
    return reason, doubt


def _widths_after(field: Field, final: NDArray, put: NDArray, pick: NDArray) -> NDArray:
    """FWHM of the replaced stars, measured on the result with the sharp profile."""
    p = field.places
    out = np.zeros((len(p), 10))
    q = 1 / (field.sharp.profile.width * p.factor)
    model = draw(
        field.sharp, p, shifted=False, flux=np.where(pick, put, 0.0), out=np.zeros_like(final)
    )
    bare = final - field.offset
    bare -= np.float32(field.scale) * field.nebula
    fit_stars(
        bare,
        model,
        field.deep.noise,
        field.sharp.eps,
        p.x,
        p.y,
        np.maximum(put, 1e-6),
        q,
        1.9 / q,
        field.sharp.profile.tables,
        2,
        out,
    )
    width = profile_fwhm(field.sharp.profile) * p.factor * np.exp(np.clip(out[:, 5], -1, 1))
    return np.where(pick & (out[:, 6] > 0) & (out[:, 6] < 0.3), width, np.nan)


def _star_table(
    field: Field,
    put: NDArray,
    reason: NDArray,
    doubt: NDArray,
    after: NDArray,
    share: NDArray,
    before: NDArray,
) -> Table:
    p = field.places
    wide = profile_fwhm(field.deep.profile) * p.factor * np.exp(np.clip(before[:, 5], -1, 1))
    shape = field.full_deep.shape
    y = np.clip(np.round(p.y).astype(int), 0, shape[0] - 1)
    x = np.clip(np.round(p.x).astype(int), 0, shape[1] - 1)
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
        ("fwhm_after", after, u.pix, "width measured on the result; NaN where not replaced"),
        (
            "method",
            method.astype(str),
            None,
            "what the core is made of: pixels of the sharp stack, its profile, or none",
        ),
        ("reason", reason.astype(str), None, "why the star was left alone; empty if replaced"),
        ("flux_deep_err", field.deep.error, u.adu, "uncertainty of flux_deep"),
        ("flux_sharp_err", field.sharp.error * field.scale, u.adu, "uncertainty of flux_sharp"),
        ("flux_put", np.where(reason == "", put, np.nan), u.adu, "light given to the result"),
        ("full_deep", field.full_deep[y, x], None, "the deep stack is full at the centre"),
        ("full_sharp", field.full_sharp[y, x], None, "the sharp stack is full at the centre"),
        ("doubt", doubt, None, "what tells against a star, sum of squared standard deviations"),
    ]
    table = Table()
    for name, values, unit, text in columns:
        table[name] = values
        table[name].info.description = text
        if unit is not None:
            table[name].unit = unit
    table.sort("flux_deep", reverse=True)
    table.meta["flux_scale"] = field.scale
    table.meta["line_angles"] = [float(np.degrees(a) % 180) for a in field.deep.angles]
    return table


def _one_plane(job: tuple[Any, ...]) -> tuple[Any, ...]:
    """Replace the stars of one plane; with a `lead` field its places and verdict are kept."""
    deep, sharp, settings, lead = job
    noise = (
        settings["noise"] or float(np.median(estimate_background(deep).noise)),
        float(np.median(estimate_background(sharp).noise)),
    )
    full = settings["full"]
    full = tuple(
        level if np.isfinite(level) else detect.guess_saturation(image)
        for level, image in zip(full, (deep, sharp), strict=True)
    )
    known = None if lead is None else lead[0]
    field = fit_field(
        deep,
        sharp,
        noise=noise,
        full=full,
        known=known,
        given=settings["given"] if lead is None else None,
        scale=settings["scale"],
    )
    per_star = settings["per_star"]
    put = compose.put_fluxes(field, per_star=per_star)
    if lead is None:
        reason, doubt = _verdict(
            field,
            deep,
            sharp,
            keep=settings["keep"],
            force=settings["force"],
            limits=settings["limits"],
        )
    else:
        reason, doubt = lead[1], lead[2]
    pick = (reason == "") & (field.deep.flux > 0)
    before = probe(field.deep, field.places, shifted=True, mode=2)
    # Not needed any more, and large.
    field.deep.image = field.sharp.image = field.deep.model = np.empty((0, 0), np.float32)
    if not per_star:
        field.sharp.model = np.empty((0, 0), np.float32)
    change = compose.plan_change(field, sharp, pick, put)
    final, stars, ground, mask = compose.apply_change(
        field,
        deep,
        sharp,
        change,
        put,
        per_star=per_star,
        amount=settings["amount"],
        rng=np.random.default_rng(settings["seed"]),
    )
    y = np.clip(np.round(field.places.y).astype(int), 0, deep.shape[0] - 1)
    x = np.clip(np.round(field.places.x).astype(int), 0, deep.shape[1] - 1)
    return field, put, reason, doubt, change.share[y, x], final, stars, ground, mask, before


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
    brightest: float | None = None,
    faintest: float | None = None,
    flux_scale: Literal["picture", "star"] | float = "picture",
    rng: np.random.Generator | int | None = None,
    progress: Progress | None = None,
    executor: Any = None,
) -> Replacement:
    """Take the stars of the deep stack away and put the sharp stack's in.

    Both stacks lie on one pixel grid. Star profiles of both are made of many stars without noise,
    fluxes are solved for together, the deep stack keeps its own pixels wherever starlight is
    merely taken away, and the sharp stack's pixels are used where the profile's error would
    exceed their noise. See ``docs/replacement.md`` for the formulas.

    Parameters
    ----------
    deep, sharp : ndarray, `~astropy.nddata.CCDData` or `~framesort.records.Stack`
        ADU, [y, x], or [plane, y, x] with up to 8 planes. NaN or a mask where there is no data:
        in the deep stack such pixels stay NaN, and a star that the sharp stack does not cover is
        left alone.
    sharp_weight : (ny, nx) array_like or None
        Weight or coverage of the sharp stack; 0 means not covered.
    deep_noise : float or None
        Standard deviation of a sky pixel of the deep stack, ADU; None to measure it.
    saturation_deep, saturation_sharp : float or None
        Level from which a pixel is taken as full, ADU; None for the stack's own, else a plateau in
        the brightest star is looked for.
    stars : `~astropy.table.Table` or None
        Places (x, y) to use instead of looking for stars.
    keep, force : `~astropy.table.Table` or (n, 3) array_like or None
        Places (x, y, radius in pixels) where finds are left alone, or taken for stars whatever
        they look like.
    amount : float
        1 replaces wholly, 0 changes nothing.
    brightest, faintest : float or None
        Stars with more or less flux in the deep stack, ADU, are left alone.
    flux_scale : "picture", "star" or float
        One scale for all stars from the sharp to the deep stack; or each star's own, so that it
        keeps its deep flux; or a scale that is known.
    rng : `~numpy.random.Generator`, int or None
        For the grain of the starless layer where the deep stack has nothing to show; None for a
        fixed seed. The final picture does not depend on it.
    progress : callable or None
        Wraps the iteration over planes, as `tqdm.tqdm` does.
    executor : `~concurrent.futures.Executor` or None
        Runs the planes of a colour image.

    Returns
    -------
    `~framesort.records.Replacement`
        ``final == stars + background``; pixels with mask 0 are the deep stack's own.

    Raises
    ------
    InputError
        Shapes differ, or an argument is out of range.
    NotEnoughFramesError
        Too few stars to make a profile.
    """
    d, own_d = as_planes(deep, "deep")
    s, own_s = as_planes(sharp, "sharp")
    if d.shape != s.shape:
        raise InputError(f"deep and sharp must have one shape, got {d.shape} and {s.shape}")
    if not 0 <= amount <= 1:
        raise InputError(f"amount must be from 0 to 1, got {amount}")
    if isinstance(flux_scale, str) and flux_scale not in ("picture", "star"):
        raise InputError(f"flux_scale must be 'picture', 'star' or a number, got {flux_scale!r}")
    weight = sharp.weight if sharp_weight is None and isinstance(sharp, Stack) else sharp_weight
    if weight is not None:
        if np.shape(weight) != d.shape[1:]:
            raise InputError(
                f"sharp_weight must have the shape {d.shape[1:]}, got {np.shape(weight)}"
            )
        s = np.where(np.asarray(weight) > 0, s, np.float32(np.nan))
    where = places_table(stars, "stars")
    settings = {
        "noise": deep_noise,
        "full": (
            own_d if saturation_deep is None else saturation_deep,
            own_s if saturation_sharp is None else saturation_sharp,
        ),
        "given": where,
        "keep": places_table(keep, "keep"),
        "force": places_table(force, "force"),
        "limits": (brightest, faintest),
        "amount": float(amount),
        "per_star": flux_scale == "star",
        "scale": None if isinstance(flux_scale, str) else float(flux_scale),
        "seed": int(np.random.default_rng(0 if rng is None else rng).integers(2**31)),
    }
    lead = None
    if len(d) > 1:
        first = _one_plane((d.mean(axis=0), s.mean(axis=0), settings, None))
        lead = (first[0].places, first[2], first[3])
    jobs = [(d[k], s[k], settings, lead) for k in range(len(d))]
    results = list(run_tasks(_one_plane, jobs, executor=executor, progress=progress))
    field, put, reason, doubt, share = results[0][:5] if lead is None else first[:5]
    if np.sum(reason == "") < FEWEST:
        raise NotEnoughFramesError(
            f"{int(np.sum(reason == ''))} stars can be replaced, {FEWEST} are needed to know "
            "their profile; check that both stacks show the same field on one grid"
        )
    layers = [np.stack([r[i] for r in results]) if len(d) > 1 else results[0][i] for i in (5, 6, 7)]
    mask = np.bitwise_or.reduce([r[8] for r in results])
    lum = layers[0].mean(axis=0) if len(d) > 1 else layers[0]
    before = (results[0] if lead is None else first)[9]
    after = _widths_after(field, lum, put, reason == "")
    return Replacement(
        final=layers[0],
        stars=layers[1],
        background=layers[2],
        mask=mask,
        table=_star_table(field, put, reason, doubt, after, share, before),
        notes=_notes(field, reason),
    )


def _notes(field: Field, reason: NDArray) -> tuple[str, ...]:
    """What the user should know before trusting the result."""
    out = []
    n = int(np.sum(reason == ""))
    if n < 50:
        out.append(f"Only {n} stars: the profiles rest on few.")
    wide, narrow = profile_fwhm(field.deep.profile), profile_fwhm(field.sharp.profile)
    if narrow > 0.97 * wide:
        out.append(
            f"The sharp stack's stars are hardly sharper ({narrow:.2f} px against {wide:.2f} px)."
        )
    for code in ("not covered", "not a star", "kept by hand"):
        if count := int(np.sum(reason == code)):
            out.append(f"{count} finds left alone: {code}.")
    return tuple(out)
