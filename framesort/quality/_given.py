"""Star lists that were measured elsewhere, taken as measurements of frames."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import Table
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import STAR_COLUMNS, FrameQuality, empty_star_list

__all__ = ["adopt_star_list"]

_LEAST_STARS = 5  # as for frames measured here

ALIASES = {
    "x": ("x", "x_centroid", "xcentroid", "x_fit", "X_IMAGE"),
    "y": ("y", "y_centroid", "ycentroid", "y_fit", "Y_IMAGE"),
    "flux": ("flux", "segment_flux", "kron_flux", "flux_fit", "aperture_sum", "FLUX_AUTO"),
    "flux_err": ("flux_err", "fluxerr", "segment_flux_err", "kron_flux_err", "aperture_sum_err"),
    "peak": ("peak", "max_value", "FLUX_MAX"),
    "fwhm": ("fwhm", "FWHM_IMAGE"),
    "half_flux_radius": ("half_flux_radius", "FLUX_RADIUS"),
    "eccentricity": ("eccentricity",),
    "elongation_angle": ("elongation_angle", "orientation", "theta"),
}
"""Names under which common libraries give the columns of a star list."""


def adopt_star_list(
    stars: Table,
    *,
    sky: float = np.nan,
    noise: float = np.nan,
    saturation: float = np.inf,
    columns: Mapping[str, str] | None = None,
) -> FrameQuality:
    """Make a frame's measurement of a star list that was measured elsewhere.

    Parameters
    ----------
    stars : `~astropy.table.Table` or `~astropy.table.QTable`
        Places [pix, (0, 0) is the centre of the first pixel], flux and FWHM [pix] are needed;
        what else `framesort.records.STAR_COLUMNS` names is used where it is there. photutils'
        and sep's names are known. An orientation without unit is in degrees, but ``theta`` in
        radians, as sep gives it. Without ``eccentricity`` it is made of ``a`` and ``b``.
        ``saturated`` and ``clean`` (used for the frame's medians) are taken as no and yes where
        they are not there; ``flag`` or ``flags`` other than 0 mean not clean.
    sky, noise : float
        Background and its standard deviation per pixel, ADU; NaN where not known: the frame then
        counts like its group's usual one.
    saturation : float
        Level from which pixels are saturated, ADU.
    columns : mapping or None
        Further names, for example ``{"fwhm": "width_px"}``.

    Returns
    -------
    FrameQuality
        Medians over clean stars. The spike is not known from a list and is NaN. Reason
        "few stars" with fewer than five clean ones.

    Raises
    ------
    InputError
        A column that is needed is not there, or has a unit that is none of pixels.
    """
    found = {name: _find(stars, name, (columns or {}).get(name)) for name in ALIASES}
    missing = [name for name in ("x", "y", "flux", "fwhm") if found[name] is None]
    if missing:
        raise InputError(
            f"star list lacks {', '.join(missing)}; it has {', '.join(stars.colnames)}: name "
            f"the column with columns={{{missing[0]!r}: NAME}}"
        )
    made = {name: column for name, column in found.items() if column is not None}
    if "eccentricity" not in made and {"a", "b"} <= set(stars.colnames):
        a, b = _values(stars, "a", None), _values(stars, "b", None)
        with np.errstate(divide="ignore", invalid="ignore"):
            made["eccentricity"] = np.sqrt(
                np.maximum(1 - (np.minimum(a, b) / np.maximum(a, b)) ** 2, 0)
            )
    flagged = np.zeros(len(stars), dtype=bool)
    for name in ("flag", "flags"):
        if name in stars.colnames:
            flagged |= _values(stars, name, None) != 0
    saturated = _truths(stars, "saturated", np.zeros(len(stars), dtype=bool))
    clean = _truths(stars, "clean", ~flagged & ~saturated) & np.isfinite(made["fwhm"])
    table = empty_star_list()
    order = np.argsort(-np.nan_to_num(made["flux"], nan=-np.inf), kind="stable")
    good = order[np.isfinite(made["x"][order]) & np.isfinite(made["y"][order])]
    complete = Table()
    for name in STAR_COLUMNS:
        values = {"saturated": saturated, "clean": clean}.get(name)
        if values is None:
            values = made.get(name, np.full(len(stars), np.nan))
        complete[name] = values[good]
        complete[name].unit = table[name].unit
        complete[name].info.description = table[name].info.description
    use = np.asarray(complete["clean"], dtype=bool)
    if use.sum() < _LEAST_STARS:
        return FrameQuality(
            stars=len(complete), sky=sky, noise=noise, saturation=saturation, star_list=complete,
            reason="few stars",
        )  # fmt: skip
    angle = np.radians(2 * np.asarray(complete["elongation_angle"])[use])
    mean = np.nanmean(np.exp(1j * angle)) if np.isfinite(angle).any() else np.nan
    return FrameQuality(
        stars=len(complete),
        fwhm=_median(complete, "fwhm", use),
        half_flux_radius=_median(complete, "half_flux_radius", use),
        eccentricity=_median(complete, "eccentricity", use),
        elongation_angle=float(np.degrees(np.angle(mean)) / 2 % 180),
        sky=float(sky),
        noise=float(noise),
        saturation=float(saturation),
        star_list=complete,
    )


def _median(table: Table, name: str, use: NDArray[np.bool_]) -> float:
    values = np.asarray(table[name], dtype=float)[use]
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def _find(stars: Table, name: str, given: str | None) -> NDArray[np.float64] | None:
    """The first column that is there under one of the names, in the unit of a star list."""
    if given is not None and given not in stars.colnames:
        raise InputError(f"star list has no column {given!r}; it has {', '.join(stars.colnames)}")
    for column in (given,) if given is not None else ALIASES[name]:
        if column in stars.colnames:
            # sep gives theta in radians, everybody else names a unit or means degrees.
            bare = u.rad if column == "theta" else STAR_COLUMNS[name].unit
            values = _values(stars, column, STAR_COLUMNS[name].unit, bare=bare)
            return values % 180 if name == "elongation_angle" else values
    return None


def _values(stars: Table, name: str, unit: Any, *, bare: Any = None) -> NDArray[np.float64]:
    """A column as floats in a unit, NaN where masked."""
    column = stars[name]
    own = getattr(column, "unit", None)
    own = bare if own is None or own == "" else own
    plain: NDArray[np.float64] = np.asarray(
        np.ma.filled(np.ma.asarray(getattr(column, "value", column), dtype=float), np.nan)
    )
    if unit is None or own is None or not u.Unit(own).is_equivalent(unit):
        if unit == u.pix and own is not None:
            raise InputError(f"star list: column {name} is in {own}, pixels are needed")
        return plain  # flux in any unit: ratios count
    return np.asarray((plain * u.Unit(own)).to_value(unit))


def _truths(stars: Table, name: str, fallback: NDArray[np.bool_]) -> NDArray[np.bool_]:
    if name not in stars.colnames:
        return fallback
    return np.asarray(np.ma.filled(np.ma.asarray(stars[name]), False), dtype=bool)
