"""Which finds are replaced, and why the others are left alone."""

import numpy as np
from numpy.typing import NDArray

from framesort.replacement import _compose as compose
from framesort.replacement._finds import WEAKEST, Field, signal_to_noise
from framesort.replacement._fit import Places

__all__ = ["REASONS", "judge_finds"]

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


def judge_finds(
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
