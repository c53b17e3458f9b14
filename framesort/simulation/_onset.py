"""How the effect of a simulated heater follows its power, and counts within an exposure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from framesort.records import HeaterTrace
from framesort.simulation._heater import Heater

__all__ = ["Effect", "follow_power", "split_power", "weigh_parts"]

_Parts = tuple[tuple[float, float], ...]

_PIECES = 16
"""Pieces of an exposure in which a changing effect is drawn."""

_LEAST = 0.05
"""Percent by which an effect may differ from the power and count as it."""


@dataclass(frozen=True, eq=False)
class Effect:
    """The effect of a heater as a function of time, in percent of full power.

    Attributes
    ----------
    trace : HeaterTrace
        The power that it follows.
    begin : (N,) float ndarray
        Effect where each step of power begins.
    tau : (N,) float ndarray
        Time constant in each step, seconds; 0 for an effect that follows at once.
    """

    trace: HeaterTrace
    begin: NDArray[np.float64]
    tau: NDArray[np.float64]

    def split(self, start: float, stop: float) -> _Parts:
        """Shares of an exposure by effect, in order of time.

        Parameters
        ----------
        start, stop : float
            Seconds since 1970.
        """
        parts: list[tuple[float, float]] = []
        edges, powers = self.trace.edges, self.trace.power
        for k in np.flatnonzero(np.minimum(edges[1:], stop) > np.maximum(edges[:-1], start)):
            low, high = max(edges[k], start), min(edges[k + 1], stop)
            share, power = (high - low) / (stop - start), powers[k]
            apart, tau = self.begin[k] - power, self.tau[k]
            fall = np.exp(-(low - edges[k]) / tau) if tau > 0 else 0.0
            if abs(apart) * fall < _LEAST:
                parts.append((float(share), float(power)))
                continue
            cuts = np.exp(-(np.linspace(low, high, _PIECES + 1) - edges[k]) / tau)
            # The mean of an exponential over a piece: the difference of its ends times tau.
            mean = power - apart * np.diff(cuts) * tau * _PIECES / (high - low)
            parts += [(float(share / _PIECES), float(level)) for level in mean]
        return tuple(parts)


def follow_power(trace: HeaterTrace, *, warming: float, cooling: float) -> Effect:
    """Solve ``dx/dt = (power - x) / tau`` from an effect equal to the first power.

    Parameters
    ----------
    trace : HeaterTrace
        Power, known at all times.
    warming, cooling : float
        Time constants in minutes where the power is above and below the effect.
    """
    begin, tau = np.empty(len(trace.power)), np.zeros(len(trace.power))
    level = float(trace.power[0])
    for k, power in enumerate(trace.power):
        begin[k] = level
        tau[k] = 60 * (warming if power > level else cooling)
        if tau[k] > 0 and level != power:
            level = float(power + (level - power) * np.exp(-np.diff(trace.edges)[k] / tau[k]))
        else:
            level = float(power)
    return Effect(trace, begin, tau)


def split_power(trace: HeaterTrace, start: float, stop: float) -> _Parts:
    """Shares of an exposure by heater power, in order of time."""
    return follow_power(trace, warming=0.0, cooling=0.0).split(start, stop)


def weigh_parts(heater: Heater, parts: _Parts) -> _Parts:
    """Shares of the star light by effect, from shares of the exposure.

    By the law "whole", the share S of the exposure in which the effect exceeds a level acts as
    ``(1 - exp(-S / s)) / (1 - exp(-1 / s))``, so that short and strong parts count most.
    """
    if heater.share_law == "mixture":
        return parts
    ordered = sorted(parts, key=lambda part: -part[1])
    exceeding = np.minimum(np.cumsum([0.0, *(share for share, _ in ordered)]), 1.0)
    exceeding[-1] = 1.0
    counted = np.expm1(-exceeding / heater.share_scale) / np.expm1(-1 / heater.share_scale)
    return tuple(
        (float(share), level) for share, (_, level) in zip(np.diff(counted), ordered, strict=True)
    )
