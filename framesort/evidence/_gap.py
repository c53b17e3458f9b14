"""Whether a gap in the heating ring explains the spike.

A straight edge in the aperture diffracts light at right angles to itself, to both sides (Goodman,
Introduction to Fourier Optics; Born & Wolf, Principles of Optics). A gap in a heating ring at
position angle g has two radial edges, with a spike at g + 90 degrees, or acts as one tangential
edge, with a spike at g. A spike is two-sided: angles are modulo 180 degrees.
"""

import re
from collections.abc import Sequence

import numpy as np

from framesort.errors import InputError
from framesort.evidence._follow import angle_apart
from framesort.records import GapVerdict

__all__ = ["compare_gap", "read_gap_angle"]

HOUR_ERROR = 8.66
"""Standard error of a clock position given to the hour, degrees: 30 / sqrt(12)."""

DEGREE_ERROR = 3.0
"""Standard error of an angle read off a ring by eye, degrees (common practice)."""


def read_gap_angle(value: str | float) -> tuple[float, float]:
    """Position angle of a gap and its standard error, degrees counter-clockwise from +x.

    Parameters
    ----------
    value : str or float
        A clock position on the corrector plate (12 is up, clockwise): "5 o'clock", "5h",
        "5:30"; or an angle in degrees counter-clockwise from +x (3 o'clock): 300, "300 deg".

    Raises
    ------
    InputError
        Neither of these.

    Examples
    --------
    >>> read_gap_angle("4 o'clock")[0], read_gap_angle("-30 deg")[0]
    (330.0, 330.0)
    """
    text = str(value).strip().lower()
    clock = re.fullmatch(r"(\d{1,2})(?::(\d{2}))?\s*(h|o'?\s*clock|uhr|)", text)
    if clock and (clock.group(2) or clock.group(3)):
        hour, minute = int(clock.group(1)), int(clock.group(2) or 0)
        if hour <= 12 and minute < 60:
            error = HOUR_ERROR / 2 if clock.group(2) else HOUR_ERROR
            return float((90 - 30 * (hour % 12 + minute / 60)) % 360), error
    degrees = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(°|deg|degrees?|)", text)
    if degrees and abs(float(degrees.group(1))) <= 360:
        return float(degrees.group(1)) % 360, DEGREE_ERROR
    raise InputError(
        f'gap angle must be a clock position such as "5 o\'clock" or 5h, or degrees, got {value!r}'
    )


def compare_gap(
    spike: float,
    error: float,
    gap: str | float,
    *,
    camera_angle: float | None = None,
    mirrored: bool | None = None,
) -> GapVerdict:
    """Compare the spike with a gap of known position.

    Parameters
    ----------
    spike, error : float
        Angle of the spike on the frames and its standard error, degrees.
    gap : str or float
        As `read_gap_angle` takes it.
    camera_angle : float or None
        Clockwise rotation in degrees that brings the corrector plate's 12 o'clock to the top of
        the image; None assumes 0 and states the value required for each kind of edge.
    mirrored : bool or None
        Whether the image is mirrored relative to the view from which the gap's position was
        read off; None if unknown.

    Returns
    -------
    GapVerdict
    """
    place, spread = read_gap_angle(gap)
    total = float(np.hypot(error, spread))
    turn = 0.0 if camera_angle is None else float(camera_angle)
    flips = (False, True) if mirrored is None else (mirrored,)
    candidates = []
    for flip in flips:
        where = (180 - place if flip else place) + turn
        for kind, beside in (("radial", 90.0), ("tangential", 0.0)):
            candidates.append((kind, flip, angle_apart(spike, where + beside)))
    fits = tuple((kind, flip) for kind, flip, off in candidates if abs(off) <= 2 * total)
    return GapVerdict(
        gap=place,
        spike=spike,
        error=total,
        candidates=tuple(candidates),
        fits=fits,
        sentence=_describe_gap(spike, gap, total, candidates, fits, camera_angle),
    )


def _describe_gap(
    spike: float,
    gap: str | float,
    total: float,
    candidates: Sequence[tuple[str, bool, float]],
    fits: Sequence[tuple[str, bool]],
    camera_angle: float | None,
) -> str:
    def name(kind: str, flip: bool) -> str:
        return f"a {kind} edge" + (" in a mirrored image" if flip else "")

    upright = camera_angle is None
    given = str(gap) if re.search(r"[a-z':°]", str(gap).lower()) else f"{gap}°"
    seen = f"The spike at {spike:.0f}°"
    under = " for a camera upright in the tube" if upright else ""
    off = {(kind, flip): value for kind, flip, value in candidates}
    if not fits:
        near = min(candidates, key=lambda c: abs(c[2]))
        text = (
            f"{seen} does not match a gap at {given}{under}: nearest is {name(*near[:2])}, "
            f"{abs(near[2]):.0f}° off (tolerance {2 * total:.0f}°)."
        )
    elif len(fits) == 1:
        text = (
            f"{seen} matches a gap at {given}{under}: {name(*fits[0])} "
            f"({abs(off[fits[0]]):.0f}° off)."
        )
    elif len({kind for kind, _ in fits}) == 1:
        text = f"{seen} matches a gap at {given}{under}: a {fits[0][0]} edge, mirrored or not."
    else:
        both = " and ".join(name(*fit) for fit in fits)
        text = f"{seen} matches a gap at {given}{under}, ambiguously: {both} both match."
    if upright:
        turns = "; ".join(
            f"{value:+.0f}° for {name(kind, flip)}" for kind, flip, value in candidates
        )
        text += f" It matches with the camera rotated by {turns} (--camera-angle)."
    return text
