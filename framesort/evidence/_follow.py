"""How the spike follows the nights: fixed to the frames, to the tube, or to neither."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["SpikeFollows", "SpikeOnSide", "angle_apart", "follow_spike", "mean_spike_angle"]

SURE = 3.0
"""Standard errors of a single frame's spike from which its angle counts."""

USUAL = 1.5
"""Standard errors that the middle one of several frames must reach, if they agree in angle."""

AGREE = 7.0
"""n R^2 of axial data from which they agree: by chance once in 1100 (Rayleigh's test, Mardia &
Jupp, Directional Statistics, sec. 6.3.1, from memory)."""

LEAST_ERROR = 1.0
"""Degrees: no mean angle is taken to be better known (distortion, bins of two degrees)."""

TURNED = 4.0
"""Degrees of camera turn from which staying and turning can be told apart at all."""


@dataclass(frozen=True, kw_only=True)
class SpikeOnSide:
    """The spike in frames of one night and one side of the meridian.

    Attributes
    ----------
    name : str
        What to call them: the night, with "before" or "after the flip" where both occur.
    angle, error : float
        Mean angle on the frames and its standard error, degrees; NaN without a spike.
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
class SpikeFollows:
    """How the spike follows flips and turns of the camera.

    Attributes
    ----------
    sides : tuple of SpikeOnSide
        In order of time.
    verdict : str
        "frame" (it stays at its angle on the frames: fixed to tube and camera), "sky" (it stays
        on the common grid, so it turned against the camera: fixed to the tube in which the
        camera was turned), "neither", or "unknown".
    sentence : str
        For the user, with figures.
    """

    sides: tuple[SpikeOnSide, ...]
    verdict: str
    sentence: str


def angle_apart(one: float, two: float) -> float:
    """Difference of two spikes' angles, degrees [-90, 90)."""
    return float((one - two + 90) % 180 - 90)


def mean_spike_angle(
    angle: ArrayLike, strength: ArrayLike, error: ArrayLike
) -> tuple[float, float, int]:
    """Mean angle of the spikes of several frames.

    Parameters
    ----------
    angle, strength, error : (n,) float array_like
        Degrees; share of light and its uncertainty, of frames with the heater on.

    Returns
    -------
    angle, error : float
        Degrees [0, 180) and standard error of the mean; NaN where no spike is seen: neither by
        three standard errors in one frame, nor by half of that in most of several frames
        that agree in the angle.
    frames : int
        How many counted.

    Notes
    -----
    The axial mean, half the direction of the sum of ``w exp(2 i angle)`` (Mardia & Jupp,
    sec. 9.4, from memory), w being the squared significance. Its error is from the scatter of the
    frames; of less than three frames each is taken to be good to 20 degrees over its
    significance, ten being half the width of the spike's template.
    """
    degrees, size, sigma = (np.asarray(v, dtype=float) for v in (angle, strength, error))
    good = np.isfinite(degrees) & (size > 0) & (sigma > 0)
    nothing = np.nan, np.nan, 0
    if not good.any():
        return nothing
    degrees, sure = degrees[good], np.minimum(size[good] / sigma[good], 30.0)
    resultant = abs(np.mean(np.exp(2j * np.deg2rad(degrees))))
    if not (np.median(sure) > USUAL and len(sure) * resultant**2 > AGREE):
        degrees, sure = degrees[sure > SURE], sure[sure > SURE]
    if not len(sure):
        return nothing
    weight = sure**2
    total = np.sum(weight * np.exp(2j * np.deg2rad(degrees)))
    mean = float(np.degrees(np.angle(total)) / 2 % 180)
    rest = (degrees - mean + 90) % 180 - 90
    if len(sure) < 3:
        scatter = 20.0 / np.sqrt(weight.sum())
    else:
        scatter = np.sqrt(np.sum(weight**2 * rest**2)) / weight.sum()
    return mean, float(max(scatter, LEAST_ERROR)), len(sure)


def follow_spike(sides: Sequence[SpikeOnSide]) -> SpikeFollows:
    """Say whether the spike stayed at its angle on the frames or turned against the camera.

    Parameters
    ----------
    sides : sequence of SpikeOnSide
        One for each night and side of the meridian.

    Returns
    -------
    SpikeFollows
    """
    known = [side for side in sides if np.isfinite(side.angle)]
    shown = ", ".join(f"{s.name}: {s.angle:.0f} ± {s.error:.0f}°" for s in known)
    if not known:
        return SpikeFollows(sides=tuple(sides), verdict="unknown", sentence="")
    if len(known) == 1:
        text = f"The spike stands at {known[0].angle:.0f} ± {known[0].error:.0f}° on the "
        text += "frames (counter-clockwise from the right)."
        return SpikeFollows(sides=tuple(sides), verdict="unknown", sentence=text)
    verdict, text = _follow(known, shown)
    return SpikeFollows(sides=tuple(sides), verdict=verdict, sentence=text)


def _follow(known: Sequence[SpikeOnSide], shown: str) -> tuple[str, str]:
    """Verdict and sentence from two or more sides."""
    first, rest = known[0], known[1:]
    limit = [max(3 * float(np.hypot(s.error, first.error)), 2.0) for s in rest]
    stays = all(
        abs(angle_apart(s.angle, first.angle)) < m for s, m in zip(rest, limit, strict=True)
    )
    turns = all(
        abs(angle_apart(s.angle + s.turn, first.angle + first.turn)) < m
        for s, m in zip(rest, limit, strict=True)
    )
    camera = [angle_apart(s.turn, first.turn) for s in rest]
    if not np.isfinite(camera).all():
        kept = "has one angle" if stays else "changed its angle"
        return "unknown", f"The spike {kept} on the frames ({shown})."
    turned = max(abs(c) for c in camera)
    sky = f"The frames are turned by up to {turned:.0f}° on the sky, and the spike "
    if turned <= TURNED and stays:
        text = f"The spike stayed at its angle on the frames ({shown})"
        if any(abs(abs(s.turn - first.turn) - 180) < 30 for s in rest):
            return "frame", (
                f"{text}, through the meridian flip as well, as one fixed to the tube does. (Half "
                "a turn brings any spike onto itself: a turn of the camera would tell more.)"
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
