"""Whether two stacks suit star replacement: one grid, which is the sharper, are they linear.

Looks at nothing but the two images and the stars found on each.
"""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.errors import InputError, NotEnoughFramesError
from framesort.records import CHECK_LIMITS, Note, Transform
from framesort.replacement._arrays import Array, Floats, Image, Mask
from framesort.replacement._robust import robust_std
from framesort.stars import find_stars, match_star_lists

__all__ = ["PairCheck", "check_pair"]

FEWEST = 8
"""With fewer stars than this nothing is concluded."""

MOST = 1000
"""Brightest stars that are measured."""

APART = 0.5
"""Pixels: stacks nearer to one another than this are on one grid; the fit follows such shifts."""

GROSS = 0.5
"""Share of the deep stack's star width from which stacks are too far apart to be used."""

GROSS_LEAST = 1.5
"""Pixels: and never less than this."""

BENT = 0.01
"""Slope of ln width (or of ln flux ratio) over ln flux from which stacks are taken for stretched.

Of 41 simulated linear pairs the mean slope of both stacks is 0.0035 at the most; logarithm, square
root and inverse hyperbolic sine of them have 0.03 to 0.25."""

SURE = 5.0
"""Standard deviations that such a slope must have."""


@dataclass(frozen=True, kw_only=True)
class PairCheck:
    """What two stacks are to one another.

    Attributes
    ----------
    stars_deep, stars_sharp : int
        Stars found, at most 1000.
    matched : int
        Stars of both that are one and the same.
    apart : float
        Largest distance, over the parts of the picture, between the places of the same stars in
        both, pixels; NaN with too few stars.
    offset : tuple of float
        Median of it along x and y, pixels, sharp less deep.
    fwhm_deep, fwhm_sharp : float
        Median width of clean stars, pixels.
    flux_ratio : float
        Median light of a star in the deep stack over that in the sharp one.
    bend_deep, bend_sharp, bend_ratio : tuple of float
        Slope of the logarithm of width, width and flux ratio over that of flux, and its
        uncertainty; NaN with too few stars.
    same : bool
        The two are one picture, but for level and scale.
    notes : tuple of Note
        Reasons against the pair, a sentence each; empty if there are none.
    """

    stars_deep: int = 0
    stars_sharp: int = 0
    matched: int = 0
    apart: float = np.nan
    offset: tuple[float, float] = (np.nan, np.nan)
    fwhm_deep: float = np.nan
    fwhm_sharp: float = np.nan
    flux_ratio: float = np.nan
    bend_deep: tuple[float, float] = (np.nan, np.nan)
    bend_sharp: tuple[float, float] = (np.nan, np.nan)
    bend_ratio: tuple[float, float] = (np.nan, np.nan)
    same: bool = False
    notes: tuple[Note, ...] = ()


def check_pair(
    deep: Image,
    sharp: Image,
    *,
    stars_deep: Table | None = None,
    names: tuple[str, str] = ("deep", "sharp"),
    registered: bool = False,
) -> PairCheck:
    """Compare two stacks on one grid before stars are replaced.

    Parameters
    ----------
    deep, sharp : (ny, nx) float32 ndarray
        ADU; NaN where there is no data.
    stars_deep : `~astropy.table.Table` or None
        The deep stack's stars where they are known, from `framesort.stars.find_stars`.
    names : (str, str)
        What to call the two in messages.
    registered : bool
        The sharp stack was brought onto the deep one's grid by its stars: stacks that are apart
        all the same are noted, not refused.

    Returns
    -------
    PairCheck

    Raises
    ------
    InputError
        The stacks are not on one grid: the same stars stand further apart than half the width of
        the deep stack's (1.5 pixels at least).
    NotEnoughFramesError
        One of them shows no stars, or their stars are not the same.
    """
    tables = [
        find_stars(deep, limit=MOST) if stars_deep is None else stars_deep[:MOST],
        find_stars(sharp, limit=MOST),
    ]
    for table, name in zip(tables, names, strict=True):
        if not len(table):
            raise NotEnoughFramesError(
                f"{name}: 0 stars found; a linear stack with stars is needed"
            )
    fwhm = [_median_width(table) for table in tables]
    pairs, apart, offset = _compare_places(tables, fwhm[0])
    clear = min(int(np.sum(table["clean"])) for table in tables) >= FEWEST
    if not pairs.size and clear and not _alike(tables, fwhm[0]):
        raise NotEnoughFramesError(
            f"{names[1]}: its {len(tables[1])} stars are not the {len(tables[0])} of {names[0]}; "
            f"check that both show the same field{'' if registered else ', or leave out --aligned'}"
        )
    limit = max(GROSS_LEAST, GROSS * fwhm[0]) if np.isfinite(fwhm[0]) else GROSS_LEAST
    if apart > limit and not registered:
        raise InputError(
            f"{names[1]} is not on the grid of {names[0]}: their stars stand up to {apart:.2f} px "
            f"apart, {limit:.2f} is the most; leave out --aligned to register them by their stars"
        )
    bends = _bend_width(tables[0]), _bend_width(tables[1]), _bend_ratio(tables, pairs)
    check = PairCheck(
        stars_deep=len(tables[0]),
        stars_sharp=len(tables[1]),
        matched=len(pairs),
        apart=apart,
        offset=offset,
        fwhm_deep=fwhm[0],
        fwhm_sharp=fwhm[1],
        flux_ratio=_flux_ratio(tables, pairs),
        bend_deep=bends[0],
        bend_sharp=bends[1],
        bend_ratio=bends[2],
        same=_is_same(deep, sharp),
    )
    notes = _notes(check, names, _noise_ratio(deep, sharp, check.flux_ratio), registered)
    return PairCheck(**{**vars(check), "notes": notes})


def _median_width(table: Table) -> float:
    width = _floats(table, "fwhm")
    clean = np.asarray(table["clean"], bool) & np.isfinite(width)
    # What is not clean may be all knots of a nebula.
    return float(np.median(width[clean])) if clean.sum() >= 3 else np.nan


def _floats(table: Table, name: str) -> Floats:
    return np.asarray(table[name], dtype=float)


def _places(table: Table) -> Floats:
    return np.column_stack([_floats(table, "x"), _floats(table, "y")])


def _mutual(one: Array, two: Array, radius: float) -> NDArray[np.int_]:
    """Rows (k, m) of places nearest to one another and within a radius."""
    to_two, m = cKDTree(two).query(one)
    _, back = cKDTree(one).query(two)
    k = np.flatnonzero((to_two <= radius) & (back[m] == np.arange(len(one))))
    return np.column_stack([k, m[k]])


def _radius(fwhm: float) -> float:
    return float(np.clip(0.75 * fwhm, 2.0, 6.0)) if np.isfinite(fwhm) else 2.0


def _alike(tables: list[Table], fwhm: float) -> bool:
    """More stars of both stand on one another than chance would have it."""
    one, two = (_places(table)[:300] for table in tables)
    span = np.ptp(np.vstack([one, two]), axis=0) + 1
    radius = _radius(fwhm)
    chance = len(one) * len(two) * np.pi * radius**2 / float(span[0] * span[1])
    return bool(len(_mutual(one, two, radius)) > chance + 3 * np.sqrt(chance) + 1)


def _compare_places(
    tables: list[Table], fwhm: float
) -> tuple[NDArray[np.int_], float, tuple[float, float]]:
    """Pairs of rows (deep, sharp), how far they are apart at most, and the median offset."""
    nothing = np.empty((0, 2), int), np.nan, (np.nan, np.nan)
    transform = match_star_lists(tables[1], tables[0], guess=Transform(matrix=np.eye(3)))
    one, two = _places(tables[0]), _places(tables[1])
    if transform:
        moved = np.column_stack(transform.map_points(two[:, 0], two[:, 1]))
        pairs = _mutual(one, moved, 2.0)
    elif _alike(tables, fwhm):
        pairs = _mutual(one, two, _radius(fwhm))
    else:
        return nothing
    if len(pairs) < 3:
        return nothing
    # The brightest have the best places; faint ones are more often paired by chance.
    pairs = pairs[np.argsort(pairs.sum(axis=1), kind="stable")]
    seen = np.isfinite(_floats(tables[0], "fwhm")[pairs[:, 0]])
    seen &= np.isfinite(_floats(tables[1], "fwhm")[pairs[:, 1]])
    best = pairs[seen] if seen.sum() >= FEWEST else pairs
    best = best[: max(50, len(best) // 2)]
    away = two[best[:, 1]] - one[best[:, 0]]
    middle = np.median(away, axis=0)
    apart = float(np.hypot(*middle))
    for cell in _cells(one[best[:, 0]]):
        apart = max(apart, float(np.hypot(*np.median(away[cell], axis=0))))
    return pairs, apart, (float(middle[0]), float(middle[1]))


def _cells(places: Array) -> list[Mask]:
    """Places in each of three by three parts of the picture, where there are enough stars."""
    low, span = places.min(axis=0), np.ptp(places, axis=0) + 1e-9
    index = np.minimum((3 * (places - low) / span).astype(int), 2)
    number = 3 * index[:, 1] + index[:, 0]
    return [number == k for k in range(9) if np.sum(number == k) >= FEWEST]


def _usable(table: Table) -> Mask:
    """Stars with reliable width and flux: clean, not saturated, far above the noise."""
    flux, error, width = (_floats(table, name) for name in ("flux", "flux_err", "fwhm"))
    good = np.asarray(table["clean"], bool) & ~np.asarray(table["saturated"], bool)
    good &= np.isfinite(width) & (width > 0) & (flux > 25 * error) & (flux > 0)
    return np.asarray(good)


def _slope(x: Array, y: Array) -> tuple[float, float]:
    """Slope that half of all far pairs of points exceed (Theil 1950), and its uncertainty."""
    if len(x) < FEWEST or not np.ptp(x) > np.log(2):
        return np.nan, np.nan
    i, j = np.triu_indices(len(x), 1)
    far = np.abs(x[j] - x[i]) > 0.3 * np.ptp(x)
    slope = float(np.median((y[j] - y[i])[far] / (x[j] - x[i])[far]))
    rest = y - slope * x
    scatter = max(float(robust_std(rest)), 0.005)
    return slope, scatter / float(np.std(x) * np.sqrt(len(x)))


def _bend_width(table: Table) -> tuple[float, float]:
    """How width grows with flux: not at all in a linear picture, as it has one profile."""
    good = _usable(table)
    return _slope(np.log(_floats(table, "flux")[good]), np.log(_floats(table, "fwhm")[good]))


def _pair_fluxes(tables: list[Table], pairs: Array) -> tuple[Array, Array]:
    good = _usable(tables[0])[pairs[:, 0]] & _usable(tables[1])[pairs[:, 1]]
    one, two = (_floats(t, "flux")[pairs[good, k]] for k, t in enumerate(tables))
    return one, two


def _bend_ratio(tables: list[Table], pairs: Array) -> tuple[float, float]:
    one, two = _pair_fluxes(tables, pairs)
    # Over the mean of both: over either alone, its own noise would make a slope.
    return _slope(0.5 * np.log(one * two), np.log(one / two))


def _flux_ratio(tables: list[Table], pairs: Array) -> float:
    one, two = _pair_fluxes(tables, pairs)
    return float(np.median(one / two)) if len(one) >= 3 else np.nan


def _sample(image: Array) -> Floats:
    """Differences of neighbours in some million pixels: noise and stars without the level."""
    rows = image[:: max(1, image.size // 1_000_000)].astype(np.float64)
    return np.asarray(np.diff(rows, axis=1))


def _noise_ratio(deep: Array, sharp: Array, scale: float) -> float:
    """Noise of the deep stack over that of the sharp one, as shares of the stars' light."""
    one, two = (float(np.nanmedian(np.abs(_sample(image)))) for image in (deep, sharp))
    return one / (scale * two) if two > 0 and np.isfinite(scale) else np.nan


def _is_same(deep: Array, sharp: Array) -> bool:
    one, two = _sample(deep), _sample(sharp)
    known = np.isfinite(one) & np.isfinite(two)
    one, two = one[known], two[known]
    size = float(np.sum(two**2))
    if not size > 0:
        return False
    rest = one - two * (float(np.sum(one * two)) / size)
    # Two stacks of different frames differ by their noise; the median leaves star cores out.
    return bool(np.median(np.abs(rest)) < 0.01 * np.median(np.abs(one)))


def _sure(bend: tuple[float, float]) -> bool:
    return abs(bend[0]) > BENT and abs(bend[0]) > SURE * bend[1]


def _stretched(check: PairCheck, names: tuple[str, str]) -> list[Note]:
    """A sentence where stars' light does not grow as in a linear picture."""
    bends = check.bend_deep, check.bend_sharp
    wider = [_sure(bend) and bend[0] > 0 for bend in bends]
    uneven = _sure(check.bend_ratio)
    mean = (bends[0][0] + bends[1][0]) / 2, float(np.hypot(bends[0][1], bends[1][1])) / 2
    if all(wider) or (_sure(mean) and min(bends)[0] > 0.25 * BENT):
        who = f"{names[0]} and {names[1]} look"
    elif any(wider) and uneven:
        who = f"{names[wider.index(True)]} looks"
    else:
        return []
    cause = f"bright stars are wider than faint ones (width grows as flux^{_most(check):.2f})"
    if uneven:
        cause += f", flux ratios change with brightness (as flux^{check.bend_ratio[0]:+.2f})"
    text = f"{who} stretched: {cause}; use the linear stacks, from before the stretch."
    return [Note("stretched", text)]


def _most(check: PairCheck) -> float:
    return float(np.nanmax([check.bend_deep[0], check.bend_sharp[0]]))


def _notes(
    check: PairCheck, names: tuple[str, str], noise: float, registered: bool
) -> tuple[Note, ...]:
    deep, sharp = names
    out = _stretched(check, names)
    widths = f"{check.fwhm_sharp:.2f} px against {check.fwhm_deep:.2f} px"
    if check.same:
        text = f"{deep} and {sharp} are one and the same picture: nothing can be gained."
        out.append(Note("same picture", text))
    elif check.fwhm_deep < CHECK_LIMITS.narrower * check.fwhm_sharp:
        text = f"The stars of {sharp} are wider than those of {deep} ({widths})"
        if noise > 1:
            text += f" and its noise is {1 / noise:.2f} of that of {deep}"
        text += ": are the two the wrong way round? The call is DEEP first, then SHARP."
        out.append(Note("wrong order", text))
    elif check.fwhm_sharp > CHECK_LIMITS.narrower * check.fwhm_deep:
        text = f"{sharp} is not sharper than {deep} ({widths}): nothing can be gained."
        out.append(Note("hardly sharper", text))
    if check.apart > APART:
        does = "after registration" if registered else "leave out --aligned to register them"
        text = (
            f"The stars of {sharp} stand up to {check.apart:.1f} px away from those of {deep} "
            f"({does}): stars far off are not replaced, or smeared."
        )
        out.append(Note("not aligned", text))
    return tuple(out)
