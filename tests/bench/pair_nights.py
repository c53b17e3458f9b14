"""Pairs of nights without images, with known truth: the plan's values with measured noise."""

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.comparison import Configuration
from framesort.simulation import Scenario
from framesort.simulation._light import heated_profile
from framesort.simulation._scenario import Event, Filter, Heater, Run, Seeing
from framesort.simulation._timeline import plan_exposures

SCALE = 0.08
"""Relative error of a spike's share that the frames of a night have in common."""

TRAILED = 0.03
"""Share of frames that are trailed by wind."""


@dataclass(frozen=True, kw_only=True)
class Night:
    """What a night is drawn from.

    Attributes
    ----------
    filters, exposures
        One entry a series of frames, taken one after another.
    powers : tuple of float
        Above 0.
    frames, off_frames : int
        At each power in each series, and with the heater off.
    rounds : int
        Times that the heater goes through its powers.
    """

    seed: int
    blur: float = 2.4
    spike: float = 0.06
    spike_from: float = 33.0
    spike_angle: float = 62.0
    fwhm: float = 2.6
    jitter: float = 0.02
    walk: float = 0.04
    focus: float = 0.0
    filters: tuple[str, ...] = ("L",)
    exposures: tuple[float, ...] = (60.0,)
    powers: tuple[float, ...] = (50.0,)
    frames: int = 6
    off_frames: int = 8
    rounds: int = 2
    spike_err: float = 0.004
    spike_scale: float = 1.0


def scenario_of(night: Night) -> Scenario:
    """Blocks of frames: off, first power, off, second power ..., in several rounds."""
    runs, events, minute = [], [], 0.0
    blocks = night.rounds * len(night.powers)
    offs = _parts(night.off_frames, blocks + 1)
    heated = {power: _parts(night.frames, night.rounds) for power in night.powers}
    for name, exposure in zip(night.filters, night.exposures, strict=True):
        step = (exposure + 8) / 60
        for block in range(blocks + 1):
            power = night.powers[block % len(night.powers)]
            counts = [(0.0, offs[block])]
            if block < blocks:
                counts.append((power, heated[power][block // len(night.powers)]))
            for level, count in counts:
                if count:
                    # The frame during which the heater was switched is heated for a part of it.
                    events.append((minute + (0.5 * exposure / 60 if level else -0.05), level))
                    extra = int(level > 0)
                    runs.append(Run(filter=name, exposure=exposure, count=count + extra))
                    minute += step * (count + extra)
    events = [(max(when, 0.0), level) for when, level in events if when > 0]
    refocus = [
        Event(kind="refocus", minute=m) for m in np.arange(70.0, minute, 70.0) if night.focus > 0
    ]
    return Scenario(
        start=datetime(2025, 10, 14, 19, 30, tzinfo=UTC) + timedelta(days=night.seed % 1000),
        seed=night.seed,
        seeing=Seeing(
            fwhm=night.fwhm, jitter=night.jitter, walk=night.walk, focus_drift=night.focus
        ),
        heater=Heater(
            events=tuple(events), blur=night.blur, spike=night.spike, spike_from=night.spike_from
        ),
        filter=tuple(Filter(name=name) for name in sorted(set(night.filters))),
        run=tuple(runs),
        event=tuple(refocus),
    )


def _parts(total: int, count: int) -> list[int]:
    return [total // count + (k < total % count) for k in range(count)]


def night_table(night: Night) -> Table:
    """The rows of frames.ecsv that a measurement of the night would give."""
    scenario = scenario_of(night)
    planned = plan_exposures(scenario)
    rng = np.random.default_rng([night.seed, 83])
    share = np.array([sum(part for part, power in one.heating if power > 0) for one in planned])
    power = np.array([sum(part * power for part, power in one.heating) for one in planned])
    rows = [
        heated_profile(scenario, p.fwhm, w, p.exposure) for p, w in zip(planned, power, strict=True)
    ]
    n = len(planned)
    trail = np.where(rng.uniform(size=n) < TRAILED, rng.uniform(1, 4, n), 0.0)
    fwhm = np.hypot(np.array([row[0] for row in rows]), 0.6 * trail)
    true = np.array([row[2] for row in rows]) * night.spike_scale
    error = night.spike_err * np.exp(rng.normal(0, 0.2, n))
    noise = error * (rng.normal(size=n) + 1j * rng.normal(size=n))
    off = share == 0
    vector = true * np.exp(2j * np.radians(night.spike_angle)) + noise
    vector = vector - noise[off].mean()
    return Table(
        {
            "start": Time([p.start for p in planned], format="unix"),
            "exposure": [p.exposure for p in planned],
            "filter": [p.filter for p in planned],
            "heater_share": share,
            "heater_power": power,
            "fwhm": fwhm * np.exp(rng.normal(0, 0.005, n)),
            "eccentricity": np.clip(rng.normal(0.3, 0.04, n) + 0.05 * trail, 0, 1),
            "spike_strength": np.abs(vector),
            "spike_strength_err": error,
            "spike_angle": np.degrees(np.angle(vector)) / 2 % 180,
        }
    )


@dataclass(frozen=True, kw_only=True)
class PairOfNights:
    """Two nights, and by what factors blur and spike were changed in the second."""

    first: Night
    second: Night
    blur_factor: float = 1.0
    spike_factor: float = 1.0
    configurations: list[Configuration] = field(default_factory=list)

    def true_blur(self, power: float, exposure: float) -> float:
        """Blur in the first configuration, pixels."""
        scenario = scenario_of(self.first)
        return float(np.sqrt(heated_profile(scenario, 1e-6, power, exposure)[0] ** 2))

    def true_spike(self, power: float) -> float:
        return float(heated_profile(scenario_of(self.first), 1.0, power, 60.0)[2])


def make_pair(seed: int, *, changed: bool) -> PairOfNights:
    """A pair with different seeing, focus, camera angle; sometimes other filters, exposures."""
    rng = np.random.default_rng([seed, int(changed), 84])
    blur_factor = spike_factor = 1.0
    if changed:
        blur_factor = float(rng.choice([rng.uniform(0.2, 0.85), rng.uniform(1.15, 1.5)]))
        spike_factor = float(rng.choice([1.0, rng.uniform(0, 0.8)]))
    blur, spike = float(rng.uniform(1.2, 3.2)), float(rng.choice([0.0, rng.uniform(0.02, 0.1)]))
    powers = sorted(rng.choice([25, 40, 50, 75, 100], int(rng.integers(1, 4)), replace=False))
    filters, exposures = [("L",), ("L", "R")][int(rng.integers(2))], [60.0, 120.0]
    common_scale = float(np.exp(rng.normal(0, SCALE)))
    seeings = rng.uniform(2.0, 3.8, 2)
    apart = min(1.0, abs(float(np.log(seeings[1] / seeings[0]))) / 0.3)
    nights = []
    for k in range(2):
        mine = filters if k == 0 or rng.uniform() < 0.7 else ("L",)
        seconds = [exposures[0], exposures[int(rng.integers(2))]]
        if rng.uniform() < 0.15:
            seconds[0] = 120.0
        extra = [] if rng.uniform() < 0.6 else [float(rng.choice([10, 90]))]
        nights.append(
            Night(
                seed=100000 * int(changed) + 10 * seed + k,
                blur=blur * (blur_factor if k else 1),
                spike=spike * (spike_factor if k else 1),
                spike_angle=float(rng.uniform(0, 180)),
                fwhm=float(seeings[k]),
                jitter=float(rng.uniform(0.01, 0.03)),
                walk=float(rng.uniform(0.02, 0.06)),
                focus=float(rng.choice([0.0, rng.uniform(0.2, 1.5)])),
                filters=mine,
                exposures=tuple(seconds[: len(mine)]),
                powers=tuple(map(float, sorted({*powers, *extra}))),
                frames=int(rng.integers(2, 13)),
                off_frames=int(rng.integers(3, 16)),
                rounds=int(rng.integers(1, 4)),
                spike_err=float(rng.uniform(0.002, 0.006)),
                spike_scale=common_scale
                * float(np.exp(rng.normal(0, np.sqrt(2) * SCALE * apart) if k else 0)),
            )
        )
    tables = [night_table(one) for one in nights]
    names = ("before", "after")
    return PairOfNights(
        first=nights[0],
        second=nights[1],
        blur_factor=blur_factor,
        spike_factor=spike_factor,
        configurations=[Configuration(n, t) for n, t in zip(names, tables, strict=True)],
    )
