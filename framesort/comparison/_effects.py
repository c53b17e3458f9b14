"""What each power does in one configuration, as draws from the posterior."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.comparison._configuration import Frames
from framesort.comparison._drift import Group, steady_slope
from framesort.comparison._posterior import Priors, fit_groups
from framesort.records import MAD_TO_SIGMA

__all__ = ["BLUR", "KERNEL_BLUR", "Drawn", "find_spike_angle", "measure_effects", "signed_root"]

Floats = NDArray[np.float64]

BLUR, KERNEL_BLUR = "blur_squared", "kernel_blur_squared"
"""Added blur, squared, from FWHM and from profiles: what is fitted, since it may be below 0."""

_SEEING = Priors(walk=0.12, scatter=0.05)
"""Of squared FWHM over that with the heater off: twice the 6 % an hour and 2 to 3 % from frame to
frame that FWHM commonly shows."""

_KERNEL = Priors(walk=0.06, scatter=0.05)
"""Of the squared kernel width over the squared FWHM with the heater off."""

_TREND_FRAMES = 5
"""Heater-off frames from which a steady change of seeing is followed."""


@dataclass(frozen=True)
class Drawn:
    """The effect of one power in one filter and exposure of a configuration.

    Attributes
    ----------
    quantity : str
        A key of `records.QUANTITIES`, or `BLUR`, `KERNEL_BLUR`.
    filter, exposure, power
        As in `records.Effect`.
    frames, off_frames : int
        Heated and heater-off frames used.
    draws : (DRAWS,) float ndarray
        Posterior; angles in the comparison's unit.
    variance : float
        At given scatter, see `Posterior.variance`.
    seeing : float
        Median FWHM with the heater off in that filter and exposure.
    """

    quantity: str
    filter: str
    exposure: float
    power: float
    frames: int
    off_frames: int
    draws: Floats
    variance: float
    seeing: float


def signed_root(squared: Floats) -> Floats:
    """Root of the size, with the sign kept."""
    return np.asarray(np.sign(squared) * np.sqrt(np.abs(squared)))


def find_spike_angle(frames: Frames) -> float:
    """Direction of the spike over heated frames, degrees; NaN where none is significant."""
    vector, weight = _spike_vectors(frames)
    heated = np.isfinite(vector) & ~frames.off
    total = complex(np.sum((vector * weight)[heated]))
    # Each of the two components has the variance sum(weight) / 2 without a spike.
    if not heated.any() or abs(total) ** 2 < 9 * np.sum(weight[heated]):
        return np.nan
    return float(np.degrees(np.angle(total)) / 2 % 180)


def _spike_vectors(frames: Frames) -> tuple[NDArray[np.complex128], Floats]:
    """``strength * exp(2 i angle)`` and the inverse variance of each frame."""
    strength, error = frames.values("spike_strength"), frames.values("spike_strength_err")
    angle = frames.values("spike_angle")
    vector = np.asarray(strength * np.exp(2j * np.radians(angle)), dtype=np.complex128)
    weight = np.where(error > 0, 1 / np.where(error > 0, error, 1.0) ** 2, 0.0)
    return vector, weight


def along_heater(frames: Frames, given: float) -> Floats:
    """Component of each frame's spike along that of the heater.

    A frame's strength is the largest over all angles and so above zero without any spike; as
    vectors such spikes cancel. The direction is that of the weighted sum over the *other* heated
    frames: with its own share in it, every frame would lean to the direction it helped to choose,
    and the mean of no spike at all would be above zero.
    """
    vector, weight = _spike_vectors(frames)
    if not np.isfinite(frames.values("spike_angle")).any():
        return frames.values("spike_strength")
    if np.isfinite(given):
        return np.asarray((vector * np.exp(-2j * np.radians(given))).real)
    share = np.where(np.isfinite(vector) & ~frames.off, vector * weight * _power(frames), 0)
    total = share.sum() - share
    size = np.abs(total)
    direction = np.where(size > 0, total / np.where(size > 0, size, 1.0), np.nan)
    return np.asarray((vector * np.conj(direction)).real)


def _power(frames: Frames) -> Floats:
    return np.asarray(frames.powers[frames.level])


@dataclass(frozen=True)
class _Values:
    """Values of a quantity and how they are fitted.

    `over` divides both values and the columns of powers: effects are in the values' own unit,
    while scatter and walk are relative to it.
    """

    values: Floats
    over: Floats
    priors: Priors
    spread: Floats
    absolute: bool = False


def _typical_scatter(frames: Frames, values: Floats) -> float:
    """Robust scatter between successive frames of one group and power."""
    steps = []
    for group, level in {(int(g), int(k)) for g, k in zip(frames.group, frames.level, strict=True)}:
        mine = values[(frames.group == group) & (frames.level == level)]
        steps.append(np.diff(mine[np.isfinite(mine)]))
    apart = np.concatenate(steps) if steps else np.empty(0)
    if not len(apart):
        return 0.0
    return float(MAD_TO_SIGMA * np.median(np.abs(apart)) / np.sqrt(2))


def _seeing_trend(frames: Frames, group: int) -> Floats:
    """Squared heater-off FWHM at each of a group's frames: its median, and a steady change.

    Any smooth positive function is right, since what it misses is left to the walk.
    """
    mine = frames.group == group
    hours, squared = frames.hours[mine], frames.values("fwhm")[mine] ** 2
    off = frames.off[mine]
    level = float(np.median(squared[off])) if off.any() else float(np.median(squared))
    if off.sum() < _TREND_FRAMES:
        return np.full(len(hours), level)
    t, y = hours[off], np.log(squared[off])
    slope = steady_slope(t, y)
    return np.asarray(np.exp(np.median(y - slope * t) + slope * hours))


def _width(frames: Frames) -> _Values:
    over = np.ones(len(frames.hours))
    for group in range(len(frames.groups)):
        over[frames.group == group] = _seeing_trend(frames, group)
    ones = np.ones(len(over))
    return _Values(frames.values("fwhm") ** 2, over, _SEEING, ones)


def _kernel(frames: Frames) -> _Values:
    width = _width(frames)
    return _Values(frames.values("kernel_blur_squared"), width.over, _KERNEL, width.spread)


def _plain(frames: Frames, values: Floats, *, least: float, absolute: bool = False) -> _Values:
    ones = np.ones(len(values))
    scatter = max(_typical_scatter(frames, values), least)
    priors = Priors(walk=0.5 * scatter, scatter=scatter)
    return _Values(values, ones, priors, ones, absolute)


def _spike(frames: Frames, angle: float) -> _Values:
    values, error = along_heater(frames, angle), frames.values("spike_strength_err")
    known = np.isfinite(values) & (error > 0)
    if not known.any():
        return _plain(frames, values, least=1e-3)
    typical = float(np.median(error[known]))
    spread = np.where(known, error / typical, np.nan)
    values = np.where(known, values, np.nan)
    return _Values(values, np.ones(len(values)), Priors(0.2 * typical, typical), spread)


def _base_quantities(frames: Frames, angle: float) -> dict[str, Callable[[], _Values]]:
    return {
        BLUR: lambda: _width(frames),
        KERNEL_BLUR: lambda: _kernel(frames),
        "spike": lambda: _spike(frames, angle),
        "spike_length": lambda: _plain(
            frames, frames.values("spike_length"), least=0.05, absolute=True
        ),
        "eccentricity": lambda: _plain(frames, frames.values("eccentricity"), least=5e-3),
        "halo": lambda: _plain(frames, frames.values("halo"), least=1e-3),
        "flux_loss": lambda: _plain(frames, _log(frames.values("transparency")), least=2e-3),
    }


def _log(values: Floats) -> Floats:
    return np.log(np.where(values > 0, values, np.nan))


_POWER_OF_SCALE = {BLUR: 2, KERNEL_BLUR: 2, "spike_length": 1}
"""How each base quantity goes with the pixel scale; others do not."""


def measure_effects(
    frames: Frames, *, scale: float, spike_angle: float, rng: np.random.Generator
) -> list[Drawn]:
    """Draw the effect of every power from its posterior, for every quantity that is known.

    Parameters
    ----------
    frames : Frames
    scale : float
        Unit of angles a pixel: arcsec, or 1 for pixels.
    spike_angle : float
        Direction of the spike, degrees; NaN for that of the frames.
    rng : `~numpy.random.Generator`
    """
    drawn: list[Drawn] = []
    for name, read in _base_quantities(frames, spike_angle).items():
        values = read()
        parts = [(g, _build_group(frames, values, g)) for g in range(len(frames.groups))]
        usable = [(g, part) for g, part in parts if part is not None]
        if not usable:
            continue
        posterior = fit_groups([part.group for _, part in usable], values.priors, rng)
        factor = scale ** _POWER_OF_SCALE.get(name, 0)
        for i, (g, part) in enumerate(usable):
            off = frames.values("fwhm")[(frames.group == g) & frames.off]
            for j in range(len(part.levels)):
                column = j if values.absolute else j + 1
                draws = factor * posterior.draws[i][:, column]
                drawn.append(
                    Drawn(
                        name,
                        *frames.groups[g],
                        float(part.powers[j]),
                        int(part.counts[j]),
                        part.off_frames,
                        -np.expm1(draws) if name == "flux_loss" else draws,
                        float(factor**2 * posterior.variance[i][column]),
                        scale * float(np.median(off)) if len(off) else np.nan,
                    )
                )
    return drawn


@dataclass(frozen=True)
class _Part:
    """One group ready to be fitted, and the powers of its columns."""

    group: Group
    levels: Sequence[int]
    powers: Floats
    counts: Sequence[int]
    off_frames: int


_FEWEST = 2
"""Frames with the heater off, and at a power, below which nothing is fitted."""


def _build_group(frames: Frames, values: _Values, group: int) -> _Part | None:
    """Frames and design of one filter and exposure; None where too few are known."""
    mine = (frames.group == group) & np.isfinite(values.values)
    off = int(np.sum(mine & frames.off))
    counts = np.bincount(frames.level[mine], minlength=len(frames.powers))
    levels = [k for k in range(1, len(frames.powers)) if counts[k] >= _FEWEST]
    if not levels or (off < _FEWEST and not values.absolute):
        return None
    kept = np.isin(frames.level, levels if values.absolute else [0, *levels])
    rows = np.flatnonzero(mine & kept)
    over, level = values.over[rows], frames.level[rows]
    columns = [(level == k) / over for k in levels]
    if not values.absolute:
        columns.insert(0, np.ones(len(rows)))
    power = frames.values("heater_power")
    return _Part(
        Group(
            frames.hours[rows],
            values.values[rows] / over,
            np.column_stack(columns),
            values.spread[rows],
        ),
        levels,
        np.array([power[rows[level == k]].mean() for k in levels]),
        [int(counts[k]) for k in levels],
        0 if values.absolute else off,
    )
