"""Angle of the spike over nights and meridian flips: fixed to the frames, to the tube, or not."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from framesort.records import SpikeFollows, SpikeOnSide

__all__ = ["angle_apart", "follow_spike", "mean_spike_angle"]

SURE = 3.0
"""Significance of a single frame's spike from which its angle is used."""

USUAL = 1.5
"""Median significance required of several frames that agree in angle."""

AGREE = 7.0
"""n R^2 of axial data from which they agree: probability exp(-7), one in 1100, for uniform angles
(Rayleigh's test; Mardia & Jupp, Directional Statistics)."""

LEAST_ERROR = 1.0
"""Smallest error of a mean angle, degrees (distortion, bins of two degrees)."""

TURNED = 4.0
"""Rotation of the camera in degrees from which a fixed and a rotating spike can be separated."""


def angle_apart(one: float, two: float) -> float:
    """Difference of two spike angles, degrees [-90, 90)."""
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
        Degrees [0, 180) and standard error of the mean; NaN without a spike of three standard
        errors in one frame, or of half of that in most of several frames that agree in angle.
    frames : int
        Number of frames used.

    Notes
    -----
    The axial mean, half the direction of the sum of ``w exp(2 i angle)`` (Mardia & Jupp,
    Directional Statistics), with the squared significance as weight w. Its error follows from the
    scatter of the frames; for fewer than three frames it is 20 degrees over the significance,
    twice half the width of the spike's template.
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
    """Whether the spike kept its angle on the frames or rotated relative to the camera.

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
        text = f"Angle of the spike on the frames: {known[0].angle:.0f} ± {known[0].error:.0f}° "
        text += "(counter-clockwise from +x)."
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
        kept = "kept" if stays else "changed"
        return "unknown", f"The spike {kept} its angle on the frames ({shown})."
    turned = max(abs(c) for c in camera)
    sky = f"The frames are rotated by up to {turned:.0f}° on the sky; the spike "
    if turned <= TURNED and stays:
        text = f"The spike kept its angle on the frames ({shown})"
        if any(abs(abs(s.turn - first.turn) - 180) < 30 for s in rest):
            return "frame", (
                f"{text}, also after the meridian flip, as expected for a cause fixed to the "
                "tube. (A rotation by 180° maps any spike onto itself; another rotation of the "
                "camera is a stronger test.)"
            )
        return "frame", f"{text}."
    if stays and not turns:
        return "frame", (
            f"{sky}kept its angle on the frames ({shown}): it is fixed to the camera and the "
            "parts that rotate with it."
        )
    if turns:
        return "sky", (
            f"{sky}rotated on the frames by the opposite angle ({shown}): it is fixed to the "
            "tube, in which the camera was rotated, and does not come from the camera."
        )
    return "neither", (
        f"{sky}neither kept its angle on the frames nor rotated by the opposite angle "
        f"({shown}): its cause was moved."
    )
