"""Which detections are replaced, and why the others are not."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from framesort.replacement import _compose as compose
from framesort.replacement._around import structure_at
from framesort.replacement._arrays import Array, Floats, Mask
from framesort.replacement._candidates import WEAKEST, StarField, signal_to_noise
from framesort.replacement._fluxes import saturated_centres
from framesort.replacement._options import ReplacementSettings
from framesort.replacement._side import Places, Stacks

__all__ = ["STAR_REASONS", "Verdict", "judge_detections"]

NEAR, FINE = 4.0, 1.5
"""Widths of the square around a detection searched for structure, and the scale below which
structure counts (standard deviation of a Gaussian)."""

STRUCTURED = 0.13
"""Structure over a detection's own peak that few stars have beside them."""

ALLOWED = (0.09, 0.2, 0.35), (0.5, 0.13, 0.055)
"""Share of such detections in a field; structure over its peak that a star may have there."""

FEW = 8
"""Fewest detections that must remain, else structure is not considered."""

STAR_REASONS = {
    "": "Replaced.",
    "kept by user": "In the list of places to keep.",
    "no sharp data": "The sharp stack has no pixels here.",
    "not stellar": "As wide in the sharp stack as in the deep one, on a hump of light, or a knot "
    "of structure.",
    "too bright": "Brighter than the limit given.",
    "too faint": "Fainter than the limit given.",
    "no light": "Too weak to be distinguished from noise.",
}
"""Why a star is not replaced: codes of the column `reason`."""


class Verdict(NamedTuple):
    """What is known of each detection.

    Attributes
    ----------
    reason : (n,) object ndarray
        Why the star is not replaced, "" where it is.
    nonstellar_chi2 : (n,) float ndarray
        Of `measure_nonstellar_chi2`.
    extended : (n,) bool ndarray
        Detections that are no points by themselves, whatever is around them: they show how blur
        changed such light.
    """

    reason: NDArray[np.object_]
    nonstellar_chi2: Floats
    extended: Mask

    @property
    def replaced(self) -> Mask:
        """Stars that are replaced."""
        return np.asarray(self.reason == "")


def _within(places: Places, spots: Array | None) -> Mask:
    inside = np.zeros(len(places), dtype=bool)
    for x, y, radius in spots if spots is not None else ():
        inside |= np.hypot(places.x - x, places.y - y) <= radius
    return inside


def _uncovered(places: Places, sharp: Array, width: float) -> Mask:
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


def _structure_at(field: StarField) -> Floats:
    """Strongest fine structure of the sky near each detection, in the sharp stack's flux scale."""
    size = int(NEAR * field.sharp.profile.width) | 1
    places = field.places.pixels(field.sky.shape)
    return structure_at(field.sky, places, size, FINE * field.sharp.profile.width)


def _stands_out(field: StarField) -> Mask:
    """Detections that stand out of the structure around them, as a star does and a knot seldom.

    The structure's strength is its peak in the star-free sky, over that of the detection's profile.
    In a field where the structure itself makes many detections, less of it is allowed.
    """
    side = field.sharp
    peak = side.flux * side.profile.tables.radial[0, 0] * side.q(field.places) ** 2
    strength = _structure_at(field) / np.maximum(peak, 1e-30)
    bright = signal_to_noise(field) > WEAKEST
    share = float(np.mean(strength[bright] > STRUCTURED)) if bright.any() else 0.0
    out = np.asarray(strength <= np.interp(share, *ALLOWED))
    # Where hardly one does, some of the detections are the stars all the same.
    return out if np.count_nonzero(out & bright) >= FEW else np.ones_like(out)


def judge_detections(field: StarField, stacks: Stacks, settings: ReplacementSettings) -> Verdict:
    """Judge each detection."""
    p = field.places
    nonstellar_chi2, change = compose.measure_nonstellar_chi2(field, stacks)
    reason = np.full(len(p), "", dtype=object)
    both_saturated = np.logical_and(*saturated_centres(field))
    pointlike = compose.is_star(field, nonstellar_chi2, change)
    reason[~(pointlike & (_stands_out(field) | both_saturated))] = "not stellar"
    flux = field.deep.flux
    if settings.brightest is not None:
        reason[flux > settings.brightest] = "too bright"
    if settings.faintest is not None:
        reason[flux < settings.faintest] = "too faint"
    reason[_within(p, settings.force)] = ""
    reason[(flux <= 0) | (signal_to_noise(field) < WEAKEST)] = "no light"
    reason[_uncovered(p, stacks.sharp, field.sharp.profile.width)] = "no sharp data"
    reason[_within(p, settings.keep)] = "kept by user"
    return Verdict(reason, nonstellar_chi2, (reason == "not stellar") & ~pointlike)
