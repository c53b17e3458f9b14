"""Grades of frames relative to the heater-off frames of the night, with the reasons.

A grade compares the stars of a frame with those of the reference frames, the heater-off frames of
the same group. `sharp` frames are as good, heated or not; `usable` ones have good signal and worse
stars; `poor` ones add little. The limits below were chosen for this project.
"""

from dataclasses import dataclass

import numpy as np
from astropy.table import Table

from framesort.records import add_column, add_reason
from framesort.tags._dew import find_dew
from framesort.tags._heated import find_harmless_heat
from framesort.tags._reference import (
    ReferenceQuality,
    flattening,
    measure_reference_quality,
    measured_rows,
)

__all__ = ["GradeLimits", "tag_frames"]


@dataclass(frozen=True, kw_only=True)
class GradeLimits:
    """Limits of the grades.

    Attributes
    ----------
    max_share : float
        Largest heater share of reference frames. A share of one fifth already widens stars
        (common practice), so it is small.
    wide, too_wide : float
        FWHM relative to the reference frames from which a frame is no longer sharp; from which it
        is poor if the heater is off (a heated frame of that width still has its signal).
    scatter : float
        Smallest tolerance of the first limit, in standard deviations of the reference frames.
    trailed, badly_trailed : float
        Flattening ``1 - b/a`` above that of the reference frames for the same two limits.
        Eccentricity is not suitable: a change from 0 to 0.13 is less than 0.01 in b/a.
    thin, opaque : float
        Transparency under which a frame is no longer sharp, and poor.
    spike_sigma : float
        Significance of the spike from which a frame is not sharp.
    sky_factor : float
        Noise relative to the reference frames from which the sky counts as bright.
    """

    max_share: float = 0.02
    wide: float = 1.08
    too_wide: float = 1.8
    scatter: float = 1.5
    trailed: float = 0.05
    badly_trailed: float = 0.35
    thin: float = 0.80
    opaque: float = 0.45
    spike_sigma: float = 3.0
    sky_factor: float = 1.5


def tag_frames(table: Table, *, limits: GradeLimits | None = None) -> None:
    """Set `grade` and add to `reason`.

    Parameters
    ----------
    table : `~astropy.table.Table`
        The night's table with the columns of heater, quality and (where known) spike excess
        and transparency; changed in place. Values of NaN do not lower a grade.
    limits : GradeLimits or None
        Limits of the grades; None for the defaults.
    """
    limits = GradeLimits() if limits is None else limits
    grades = np.full(len(table), "", dtype=object)
    reasons = np.array([str(reason) for reason in table["reason"]], dtype=object)
    good = measured_rows(table)
    dew = find_dew(table, max_share=limits.max_share)
    for group in sorted(set(table["group"][good])):
        reference = measure_reference_quality(table, group, max_share=limits.max_share)
        if reference is None:
            continue
        own = good & np.asarray(table["group"] == group)
        harmless = find_harmless_heat(table, own, reference, max_share=limits.max_share)
        for i in np.flatnonzero(own):
            grades[i], codes = _grade(
                table[int(i)], reference, limits, dewing=bool(dew[i]), harmless=bool(harmless[i])
            )
            for code in codes:
                reasons[i] = add_reason(reasons[i], code)
    add_column(table, "grade", grades)
    add_column(table, "reason", reasons)


def _number(row: Table.Row, name: str) -> float:
    if name not in row.colnames:
        return np.nan
    value = getattr(row[name], "value", row[name])  # a QTable gives quantities
    return float(np.ma.filled(value, np.nan))


def _is_one_sided(row: Table.Row, reference: ReferenceQuality, wide: float) -> bool:
    """True if stars are wide towards one side of the image only: neither heat nor focus."""
    tilt = _number(row, "fwhm_tilt") - reference.fwhm_tilt
    centre = _number(row, "fwhm_centre") / reference.fwhm_centre
    growth = _number(row, "fwhm") - reference.fwhm
    # A linear tilt does not change the centre and widens one side by half the tilt.
    return bool(tilt > 3 * _number(row, "fwhm_tilt_err") and tilt > 2 * growth and centre < wide)


def _grade(
    row: Table.Row,
    reference: ReferenceQuality,
    limits: GradeLimits,
    *,
    dewing: bool,
    harmless: bool,
) -> tuple[str, list[str]]:
    """Grade of one frame and the codes of its reasons."""
    # Frames of another exposure, or merely the best ones, are a less accurate reference.
    tolerance = 1.0 if reference.source == "off" else 2.0
    share = _number(row, "heater_share")
    wide = max(
        (limits.wide - 1) * tolerance, limits.scatter * reference.fwhm_scatter / reference.fwhm
    )
    trailed = max(limits.trailed * tolerance, limits.scatter * reference.flattening_scatter)
    growth = _number(row, "fwhm") / reference.fwhm
    elongation = float(flattening(_number(row, "eccentricity"))) - reference.flattening
    transparency = _number(row, "transparency")
    spike = _number(row, "spike_strength") / _number(row, "spike_strength_err")
    heated = share > limits.max_share
    codes = []
    if heated and harmless:
        codes.append("heated but sharp")
    elif heated:
        codes.append("heated" if share > 0.995 else "part heated")
    elif np.isnan(share):
        codes.append("state unknown")
    if spike > limits.spike_sigma:
        codes.append("spike")
    if elongation > trailed:
        codes.append("trailed")
    if growth > 1 + wide:
        if _is_one_sided(row, reference, 1 + wide):
            codes.append("tilted field")
        else:
            codes.append(
                "wide stars" if heated or elongation > trailed or np.isnan(share) else "poor focus"
            )
    if dewing:
        codes.append("dew")
    elif transparency < limits.thin:
        codes.append("cloud")
    if _number(row, "noise") > limits.sky_factor * reference.noise * max(1.0, tolerance - 0.5):
        codes.append("bright sky")
    # Without any known heater-off frame only the stars determine what is sharp.
    accepted = {"heated but sharp"} | ({"state unknown"} if reference.source == "best" else set())
    if reference.source != "off":
        codes.append("no heater-off reference")
        accepted.add("no heater-off reference")
    poor = (
        elongation > limits.badly_trailed
        or transparency < limits.opaque
        or (growth > limits.too_wide and not heated)
    )
    if poor:
        return "poor", codes
    return ("usable" if set(codes) - accepted else "sharp"), codes
