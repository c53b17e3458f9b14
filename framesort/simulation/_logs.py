"""The heater logs of a simulated night: power samples, switch events, supply current."""

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from framesort.records import HeaterTrace
from framesort.simulation._scenario import Scenario
from framesort.simulation._timeline import PlannedExposure, heater_trace

__all__ = ["power_samples", "supply_current", "switch_events"]


def _stamps(seconds: NDArray[np.float64], *, utc: bool) -> list[str]:
    moments = (datetime.fromtimestamp(round(float(s), 3), UTC) for s in seconds)
    if utc:
        return [m.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-5] + "Z" for m in moments]
    return [m.strftime("%Y-%m-%d %H:%M:%S") for m in moments]


def _clock(
    scenario: Scenario, exposures: list[PlannedExposure], interval: float
) -> NDArray[np.float64]:
    """True times of the samples, seconds since 1970."""
    margin = 60 * scenario.logger.margin
    begin, end = exposures[0].start - margin, exposures[-1].start + exposures[-1].exposure + margin
    # Not in step with the frames: a logger knows nothing of the camera.
    steps = np.arange(int((end - begin) / interval), dtype=np.float64)
    return begin + (0.37 + steps) * interval


def _power_at(trace: HeaterTrace, times: NDArray[np.float64]) -> NDArray[np.float64]:
    return trace.power[np.searchsorted(trace.edges, times, side="right") - 1]


def power_samples(scenario: Scenario, exposures: list[PlannedExposure]) -> str:
    """CSV of the heater's power every few seconds, UTC by the logger's clock."""
    times = _clock(scenario, exposures, scenario.logger.interval)
    power = _power_at(heater_trace(scenario), times)
    stamps = _stamps(times + scenario.logger.clock_offset, utc=True)
    rows = [f"{stamp},{percent:g}" for stamp, percent in zip(stamps, power, strict=True)]
    return "\n".join(["time_utc,heater_percent", *rows, ""])


def switch_events(scenario: Scenario) -> str:
    """CSV of the moments at which the heater's power was changed, UTC by the logger's clock."""
    start = scenario.start.timestamp() + scenario.logger.clock_offset
    events = scenario.heater.events
    stamps = _stamps(np.array([start + 60 * minute for minute, _ in events]), utc=True)
    rows = [f"{stamp},{percent:g}" for stamp, (_, percent) in zip(stamps, events, strict=True)]
    return "\n".join(["time_utc,heater_percent", *rows, ""])


def supply_current(scenario: Scenario, exposures: list[PlannedExposure]) -> str:
    """CSV of the current that the whole rig draws, in local time without a zone.

    Heater steps are hidden among the camera cooler (a step that decays to a plateau), slews
    between frames (seconds), the meridian flip (a minute), slow drift and noise.
    """
    logger = scenario.logger
    rng = np.random.default_rng([scenario.seed, 11])
    times = _clock(scenario, exposures, logger.current_interval)
    night = scenario.start.timestamp()
    hours = (times - night) / 3600
    current = logger.base + logger.full / 100 * _power_at(heater_trace(scenario), times)
    cooling = times - night - 60 * logger.cooler_from
    current += np.where(
        cooling > 0, logger.cooler * (0.55 + 0.45 * np.exp(-np.clip(cooling, 0, None) / 240)), 0
    )
    current += 0.05 * np.sin(2 * np.pi * hours / 2.7 + 1) + 0.02 * hours
    for planned in exposures[1:]:
        length = rng.uniform(2, 6)
        slewing = (times > planned.start - 1.5 - length) & (times < planned.start - 1.5)
        current[slewing] += logger.slew * rng.uniform(0.5, 1)
    flip = night + 60 * scenario.mount.flip
    current[(times > flip) & (times < flip + 60)] += logger.slew
    current += rng.normal(0, logger.noise, len(times))
    stamps = _stamps(times + logger.clock_offset + 3600 * logger.utc_offset, utc=False)
    rows = [f"{stamp},{value:.3f}" for stamp, value in zip(stamps, current, strict=True)]
    return "\n".join(["local time,amps", *rows, ""])
