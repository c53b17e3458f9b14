"""Where the line of light comes from: fixed to the tube or not, and whether a gap explains it.

An edge before the aperture sends light at right angles to itself, both ways (Goodman,
Introduction to Fourier Optics, ch. 4; Born & Wolf, Principles of Optics, sec. 8.5; section
numbers from memory). A gap in a heating ring at the position angle g has two radial edges,
whose line stands at g + 90 degrees, or acts as one tangential edge, whose line stands at g. A
line has no direction: angles count modulo 180 degrees.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError

__all__ = [
    "GapVerdict",
    "LineOnSide",
    "LineVerdict",
    "compare_gap",
    "follow_line",
    "mean_line_angle",
    "read_gap_angle",
]

Floats = NDArray[np.float64]

SURE = 3.0
"""Standard errors of a frame's line from which its angle counts."""

LEAST_ERROR = 0.5
"""Degrees: no mean angle is taken to be better known (distortion, a bin of two degrees)."""

HOUR_ERROR = 8.66
"""Degrees: a clock position given to the hour is off by up to 15, 30 / sqrt(12) on average."""

DEGREE_ERROR = 3.0
"""Degrees: how well an angle on a ring is read off by eye (common practice)."""

TURNED = 4.0
"""Degrees of camera turn from which staying and turning can be told apart at all."""


@dataclass(frozen=True, kw_only=True)
class LineOnSide:
    """The line of light in frames of one night and one side of the meridian.

    Attributes
    ----------
    name : str
        What to call them: the night, with "before" or "after the flip" where both occur.
    angle, error : float
        Mean angle on the frames and its standard error, degrees; NaN without a line.
    turn : float
        Turn of the frames onto the common grid, degrees counter-clockwise; NaN if unknown.
    frames : int
        Frames that it rests on.
    """

    name: str
    angle: float
    error: float
    turn: float
    frames: int


@dataclass(frozen=True, kw_only=True)
class LineVerdict:
    """How the line follows flips and turns of the camera.

    Attributes
    ----------
    sides : tuple of LineOnSide
        In order of time.
    verdict : str
        "frame" (it stays at its angle on the frames: fixed to tube and camera), "sky" (it stays
        on the common grid, so it turned against the camera: fixed to the tube in which the
        camera was turned), "neither", or "unknown".
    sentence : str
        For the user, with figures.
    """

    sides: tuple[LineOnSide, ...]
    verdict: str
    sentence: str


@dataclass(frozen=True, kw_only=True)
class GapVerdict:
    """Whether a gap at a stated place explains the line.

    Attributes
    ----------
    gap : float
        Position angle of the gap, degrees counter-clockwise from +x, as it was given.
    line, error : float
        Angle of the line, degrees, and its error together with that of the gap's place.
    candidates : tuple of (str, bool, float)
        Kind of edge ("radial" or "tangential"), mirrored or not, and how far the line is from
        what that edge gives, degrees [-90, 90).
    fits : tuple of (str, bool)
        Those within two errors.
    sentence : str
        For the user.
    """

    gap: float
    line: float
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


def _apart(one: float, two: float) -> float:
    """Difference of two lines' angles, degrees [-90, 90)."""
    return float((one - two + 90) % 180 - 90)


def mean_line_angle(
    angle: ArrayLike, strength: ArrayLike, error: ArrayLike
) -> tuple[float, float, int]:
    """Mean angle of the lines of several frames.

    Parameters
    ----------
    angle, strength, error : (n,) float array_like
        Degrees; share of light and its uncertainty. Frames with a strength below three errors
        are passed over.

    Returns
    -------
    angle, error : float
        Degrees [0, 180) and standard error of the mean; NaN without a frame.
    frames : int
        How many counted.

    Notes
    -----
    The axial mean, half the direction of the sum of ``w exp(2 i angle)`` (Mardia & Jupp,
    Directional Statistics, sec. 9.4, from memory), weighted by the squared significance; a
    single frame is taken to be good to 57.3 degrees over its significance.
    """
    degrees, size, sigma = (np.asarray(v, dtype=float) for v in (angle, strength, error))
    good = np.isfinite(degrees) & (size > SURE * sigma) & (sigma > 0)
    if not good.any():
        return np.nan, np.nan, 0
    turn = 2 * np.deg2rad(degrees[good])
    weight = np.minimum(size[good] / sigma[good], 30.0) ** 2
    total = np.sum(weight * np.exp(1j * turn))
    mean = float(np.degrees(np.angle(total)) / 2 % 180)
    rest = (degrees[good] - mean + 90) % 180 - 90
    stated = np.degrees(1 / np.sqrt(weight.sum()))
    seen = np.sqrt(np.sum(weight**2 * rest**2)) / weight.sum()
    return mean, float(max(stated, seen, LEAST_ERROR)), int(good.sum())


def follow_line(sides: Sequence[LineOnSide]) -> LineVerdict:
    """Say whether the line stayed at its angle on the frames or turned against the camera.

    Parameters
    ----------
    sides : sequence of LineOnSide
        One for each night and side of the meridian.

    Returns
    -------
    LineVerdict
    """
    known = [side for side in sides if np.isfinite(side.angle)]
    shown = ", ".join(f"{s.name}: {s.angle:.0f} ± {s.error:.0f}°" for s in known)
    if not known:
        return LineVerdict(sides=tuple(sides), verdict="unknown", sentence="")
    if len(known) == 1:
        text = f"The line of light stands at {known[0].angle:.0f} ± {known[0].error:.0f}° on the "
        text += "frames (counter-clockwise from the right)."
        return LineVerdict(sides=tuple(sides), verdict="unknown", sentence=text)
    verdict, text = _follow(known, shown)
    return LineVerdict(sides=tuple(sides), verdict=verdict, sentence=text)


def _follow(known: Sequence[LineOnSide], shown: str) -> tuple[str, str]:
    """Verdict and sentence from two or more sides."""
    first, rest = known[0], known[1:]
    limit = [max(3 * float(np.hypot(s.error, first.error)), 2.0) for s in rest]
    stays = all(abs(_apart(s.angle, first.angle)) < m for s, m in zip(rest, limit, strict=True))
    turns = all(
        abs(_apart(s.angle + s.turn, first.angle + first.turn)) < m
        for s, m in zip(rest, limit, strict=True)
    )
    camera = [_apart(s.turn, first.turn) for s in rest]
    if not np.isfinite(camera).all():
        kept = "has one angle" if stays else "changed its angle"
        return "unknown", f"The line of light {kept} on the frames ({shown})."
    turned = max(abs(c) for c in camera)
    sky = f"The frames are turned by up to {turned:.0f}° on the sky, and the line of light "
    if turned <= TURNED and stays:
        text = f"The line of light stayed at its angle on the frames ({shown})"
        if any(abs(abs(s.turn - first.turn) - 180) < 30 for s in rest):
            return "frame", (
                f"{text}, through the meridian flip as well, as one fixed to the tube does. (Half "
                "a turn brings any line onto itself: a turn of the camera would tell more.)"
            )
        return "frame", f"{text}."
    if stays and not turns:
        return "frame", (
            f"{sky}stayed at its angle on the frames ({shown}): it is fixed to the camera and "
            "whatever turned with it."
        )
    if turns:
        return "sky", (
            f"{sky}turned on the frames by as much the other way ({shown}): it is fixed to the "
            "tube, in which the camera was turned, and does not come from the camera."
        )
    return "neither", (
        f"{sky}neither stayed at its angle on the frames nor turned by as much the other way "
        f"({shown}): what makes it was moved."
    )


def compare_gap(
    line: float,
    error: float,
    gap: str | float,
    *,
    camera_angle: float | None = None,
    mirrored: bool | None = None,
) -> GapVerdict:
    """Hold the line against a gap whose place is known.

    Parameters
    ----------
    line, error : float
        Angle of the line on the frames and its standard error, degrees.
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
            candidates.append((kind, flip, _apart(line, where + beside)))
    fits = tuple((kind, flip) for kind, flip, off in candidates if abs(off) <= 2 * total)
    return GapVerdict(
        gap=place,
        line=line,
        error=total,
        candidates=tuple(candidates),
        fits=fits,
        sentence=_tell_gap(line, gap, total, candidates, fits, camera_angle),
    )


def _tell_gap(
    line: float,
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
    seen = f"The line of light at {line:.0f}°"
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
