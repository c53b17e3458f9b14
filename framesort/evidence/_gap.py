"""Whether a gap in the heating ring explains the spike.

An edge before the aperture sends light at right angles to itself, both ways (Goodman,
Introduction to Fourier Optics, ch. 4; Born & Wolf, Principles of Optics, sec. 8.5; section
numbers from memory). A gap in a heating ring at the position angle g has two radial edges,
whose spike stands at g + 90 degrees, or acts as one tangential edge, whose spike stands at g. A
spike has no direction: angles count modulo 180 degrees.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from framesort.errors import InputError
from framesort.evidence._follow import angle_apart

__all__ = ["GapVerdict", "compare_gap", "read_gap_angle"]

HOUR_ERROR = 8.66
"""Degrees: a clock position given to the hour is off by up to 15, 30 / sqrt(12) on average."""

DEGREE_ERROR = 3.0
"""Degrees: how well an angle on a ring is read off by eye (common practice)."""


@dataclass(frozen=True, kw_only=True)
class GapVerdict:
    """Whether a gap at a stated place explains the spike.

    Attributes
    ----------
    gap : float
        Position angle of the gap, degrees counter-clockwise from +x, as it was given.
    spike, error : float
        Angle of the spike, degrees, and its error together with that of the gap's place.
    candidates : tuple of (str, bool, float)
        Kind of edge ("radial" or "tangential"), mirrored or not, and how far the spike is from
        what that edge gives, degrees [-90, 90).
    fits : tuple of (str, bool)
        Those within two errors.
    sentence : str
        For the user.
    """

    gap: float
    spike: float
    error: float
    candidates: tuple[tuple[str, bool, float], ...]
    fits: tuple[tuple[str, bool], ...]
    sentence: str


def read_gap_angle(value: str | float) -> tuple[float, float]:
    """Position angle of a gap and its standard error, degrees counter-clockwise from +x.

    Parameters
    ----------
    value : str or float
        A clock position on the plate (12 is up, clockwise): "5 o'clock", "5h", "5:30"; or an
        angle in degrees counter-clockwise from +x (3 o'clock): 300, "300 deg".

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
    """Hold the spike against a gap whose place is known.

    Parameters
    ----------
    spike, error : float
        Angle of the spike on the frames and its standard error, degrees.
    gap : str or float
        As `read_gap_angle` takes it.
    camera_angle : float or None
        Degrees by which the image must be turned clockwise so that the plate's 12 o'clock is at
        its top; None takes 0 and says what it would have to be for each kind of edge.
    mirrored : bool or None
        Whether the image shows the plate as in a mirror, seen from where the gap's place was
        read off; None if that is not known.

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
        sentence=_tell_gap(spike, gap, total, candidates, fits, camera_angle),
    )


def _tell_gap(
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
    under = " if the camera stands upright in the tube" if upright else ""
    off = {(kind, flip): value for kind, flip, value in candidates}
    if not fits:
        near = min(candidates, key=lambda c: abs(c[2]))
        text = (
            f"{seen} does not fit a gap at {given}{under}: nearest is {name(*near[:2])}, "
            f"{abs(near[2]):.0f}° off (allowed: {2 * total:.0f}°)."
        )
    elif len(fits) == 1:
        text = (
            f"{seen} fits a gap at {given}{under}: {name(*fits[0])} gives it "
            f"({abs(off[fits[0]]):.0f}° off)."
        )
    elif len({kind for kind, _ in fits}) == 1:
        text = f"{seen} fits a gap at {given}{under}: a {fits[0][0]} edge, mirrored or not."
    else:
        both = " and ".join(name(*fit) for fit in fits)
        text = f"{seen} fits a gap at {given}{under}, but {both} both give it: that cannot tell."
    if upright:
        turns = "; ".join(
            f"{value:+.0f}° for {name(kind, flip)}" for kind, flip, value in candidates
        )
        text += f" With the camera turned it would fit at {turns} (--camera-angle)."
    return text
