"""Simulated nights as tables: what frames would measure, by a model independent of the code tested.

Stars: seeing wanders as a random walk of its logarithm, focus drifts and is reset, single frames
are trailed along x. Heater: blur in quadrature, a spike above a third of full power.
"""

import numpy as np
from astropy.table import Table
from astropy.time import Time

T0 = 1710442800.0  # 2024-03-14T19:00:00 UTC
ANGLE = 62.0


def draw_night(
    rng,
    switches,
    *,
    frames=120,
    exposure=60.0,
    pause=20.0,
    blur=2.4,
    spike=0.06,
    spike_from=33.0,
    walk=0.04,
    noise=0.02,
    spike_noise=0.006,
    trailed=0.08,
    focus=0.0,
    seeing_jump=(),
    fwhm=2.8,
    name="L",
):
    """Table of a night, with columns true_* for the truth.

    `switches` is a list of (hour, percent); `seeing_jump` of (hour, factor on the FWHM).
    """
    start = np.arange(frames) * (exposure + pause) + rng.uniform(0, pause)
    fine = (np.arange(200) + 0.5) / 200 * exposure
    times = start[:, None] + fine[None, :]
    power = np.zeros_like(times)
    for hour, percent in switches:
        power[times >= 3600 * hour] = percent
    hours = start / 3600
    base = fwhm * np.exp(
        np.cumsum(rng.normal(0, walk * np.sqrt((exposure + pause) / 3600), frames))
    )
    for hour, factor in seeing_jump:
        base = np.where(hours >= hour, base * factor, base)
    base = np.hypot(base, focus * (hours % 1.5))
    widths = np.hypot(base[:, None], blur * power / 100)
    spikes = spike * np.clip((power - spike_from) / (100 - spike_from), 0, None)
    trail = np.abs(rng.normal(0, 0.3, frames)) + rng.exponential(1.5, frames) * (
        rng.random(frames) < trailed
    )
    true = widths.mean(axis=1)
    measured = np.hypot(true, 0.8 * trail) * np.exp(rng.normal(0, noise, frames))
    vector = 0.01 * trail + 0j
    vector += spikes.mean(axis=1) * np.exp(2j * np.radians(ANGLE))
    vector += rng.normal(0, spike_noise, frames) + 1j * rng.normal(0, spike_noise, frames)
    excess = (vector * np.exp(-2j * np.radians(ANGLE))).real - 0.01 * trail.mean() * np.cos(
        2 * np.radians(ANGLE)
    )
    flat = 0.08 + 0.10 * trail
    return Table(
        {
            "start": Time(T0 + start, format="unix", scale="utc"),
            "exposure": np.full(frames, exposure),
            "filter": np.full(frames, name),
            "heater_share": (power > 0).mean(axis=1),
            "heater_power": power.mean(axis=1),
            "fwhm": measured,
            "eccentricity": np.sqrt(1 - np.clip(1 - flat, 0.2, 1) ** 2),
            "elongation_angle": np.zeros(frames),
            "spike_raw": np.abs(vector),
            "spike_raw_angle": np.degrees(np.angle(vector)) / 2 % 180,
            "spike_strength": excess,
            "spike_strength_err": np.full(frames, spike_noise),
            "true_fwhm_off": base,
        }
    )
