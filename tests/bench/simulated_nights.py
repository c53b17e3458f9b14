"""Simulated nights drawn, measured and sorted; how often what comes out is right.

    python tests/bench/simulated_nights.py [--seeds 20] [--kinds dew,cloud] [--keep DIR] [--verbose]

A script, not a test: each night is drawn as images of 500 x 400 pixels, measured, and sorted
twice: with the log of power samples and with none; the supply current and shifted clocks are
judged beside. Rates over all nights are printed. `--keep` keeps the images, so that a second run
only sorts.
"""

import argparse
import tempfile
import warnings
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from simulated_rates import NightRates, print_rates

from framesort.evidence import estimate_clock_offset
from framesort.heater import LogOptions, read_heater_log
from framesort.night import sort_frames
from framesort.records import HeaterTrace
from framesort.simulation import Scenario, simulate_night
from framesort.simulation._scenario import (
    Camera,
    Event,
    Filter,
    Heater,
    Logger,
    Mount,
    Run,
    Seeing,
    Sky,
    Stars,
)

KINDS = (
    "plain",
    "focus drift",
    "restless seeing",
    "cloud",
    "dew",
    "heater off all night",
    "heater on all night",
    "one heated frame",
    "two heated frames",
    "few frames",
    "filters and exposures",
    "four powers",
    "weak line",
    "seeing jump, no heater",
    "cloud, no heater",
    "wind",
    "focus drift, no heater",
    "dew, no heater",
    "spider",
    "poor field",
)
"""What is particular about each night; seed k draws kind k modulo their number."""

SHIFTS = (0.0, 3600.0, -420.0)
"""Seconds by which the logger's clock is put ahead."""


def _switches(rng: np.random.Generator, length: float, powers: list[float]) -> list[Any]:
    """Off, a power, off, the next power and so on, of about equal length; minutes."""
    stretches = 2 * len(powers) + 1
    cuts = length * (np.arange(1, stretches) + rng.uniform(-0.25, 0.25, stretches - 1)) / stretches
    levels = [level for power in powers for level in (power, 0.0)]
    return [(float(cut), level) for cut, level in zip(cuts, levels, strict=True)]


def make_night(seed: int) -> tuple[str, Scenario]:
    """The scenario of a seed and its kind."""
    kind = KINDS[seed % len(KINDS)]
    rng = np.random.default_rng([seed, 77])
    exposure = float(rng.choice([60, 120]))
    count = int(rng.choice([48, 60]))
    pause = float(rng.uniform(5, 30))
    length = count * (exposure + pause) / 60
    filters = (Filter(name="L"), Filter(name="Ha", stars=0.1, sky=0.5))
    night = Scenario(
        start=datetime(2025, 10, 14, 19, 30, tzinfo=UTC) + timedelta(days=seed),
        title=kind,
        seed=seed,
        camera=Camera(width=500, height=400, hot_pixels=40),
        stars=Stars(count=int(rng.integers(250, 500)), brightest=1e5),
        seeing=Seeing(
            fwhm=float(rng.uniform(2.2, 3.6)),
            jitter=float(rng.uniform(0.01, 0.03)),
            walk=float(rng.uniform(0.02, 0.06)),
            trail=float(rng.uniform(0.2, 0.8)),
            trail_angle=float(rng.uniform(0, 180)),
            corners=float(rng.uniform(0, 0.1)),
        ),
        sky=Sky(extinction=0.02, drift=0.05),
        mount=Mount(dither=8.0, drift=8.0),
        heater=Heater(
            events=tuple(_switches(rng, length, [float(rng.choice([50, 75])), 100.0])),
            blur=float(rng.uniform(1.8, 3.2)),
            spike=float(rng.uniform(0.04, 0.08)),
            spike_angle=float(rng.uniform(0, 180)),
        ),
        logger=Logger(full=float(rng.uniform(1.0, 3.0)), interval=2.0),
        filter=filters[:1],
        run=(Run(filter="L", exposure=exposure, count=count, pause=pause),),
    )
    return kind, _particular(night, kind, filters, length, rng)


def _particular(
    night: Scenario, kind: str, filters: tuple[Filter, ...], length: float, rng: np.random.Generator
) -> Scenario:
    """What is particular about a kind of night."""
    run, seeing, heater = night.run[0], night.seeing, night.heater
    frame = (run.exposure + run.pause) / 60
    quiet = replace(night, heater=replace(heater, events=()))
    first = heater.events[0][0]
    last = heater.events[-1][0]
    drifting = replace(seeing, focus_drift=float(rng.uniform(1.0, 1.8)))
    refocus = (Event(kind="refocus", minute=0.55 * length),)
    begin = float(rng.uniform(0.3, 0.6)) * length
    cloud = (
        Event(kind="cloud", minute=begin, until=begin + 9 * frame, strength=0.6),
        Event(kind="cloud", minute=begin + 13 * frame, until=begin + 16 * frame, strength=0.4),
    )
    dew = Event(kind="dew", minute=last + 0.5, until=length + frame, strength=0.35)
    several = tuple(
        replace(run, filter=name, exposure=exposure, count=10)
        for name, exposure in (("L", 60.0), ("Ha", 180.0), ("L", 20.0), ("Ha", 180.0), ("L", 60.0))
    )
    long = sum(one.count * (one.exposure + one.pause) for one in several) / 60
    few = int(rng.integers(5, 9))
    changes: dict[str, dict[str, Any]] = {
        "focus drift": {"seeing": drifting, "event": refocus},
        "restless seeing": {"seeing": replace(seeing, walk=0.15, jitter=0.04)},
        "cloud": {"event": cloud},
        "dew": {"event": (replace(dew, minute=0.0, until=first),)},
        "heater on all night": {"heater": replace(heater, events=((-30.0, 100.0),))},
        "one heated frame": {
            "heater": replace(heater, events=((20 * frame - 0.1, 100.0), (21 * frame - 0.1, 0.0)))
        },
        "two heated frames": {
            "heater": replace(heater, events=((20 * frame - 0.1, 75.0), (22 * frame - 0.1, 0.0)))
        },
        "few frames": {
            "run": (replace(run, count=few),),
            "heater": replace(heater, events=(((few // 2) * frame - 0.1, 75.0),)),
        },
        "filters and exposures": {
            "run": several,
            "filter": filters,
            "heater": replace(heater, events=tuple(_switches(rng, long, [75.0, 50.0, 100.0]))),
        },
        "four powers": {
            "run": (replace(run, count=72),),
            "heater": replace(
                heater, events=tuple(_switches(rng, 72 * frame, [25.0, 50.0, 75.0, 100.0]))
            ),
        },
        "weak line": {"heater": replace(heater, spike=0.02)},
        "wind": {
            "event": (
                Event(kind="wind", minute=begin, until=begin + 10 * frame, length=2.5, angle=20.0),
            )
        },
        "spider": {"camera": replace(night.camera, spider=0.04, spider_angle=25.0)},
        "poor field": {"stars": replace(night.stars, count=60, brightest=2e4)},
    }
    unheated: dict[str, dict[str, Any]] = {
        "seeing jump, no heater": {
            "event": (Event(kind="seeing", minute=begin, until=begin + 99 * frame, strength=0.35),)
        },
        "cloud, no heater": {"event": cloud},
        "focus drift, no heater": {"seeing": drifting, "event": refocus},
        "dew, no heater": {"event": (replace(dew, minute=0.6 * length),)},
        "heater off all night": {},
    }
    if kind in unheated:
        return replace(quiet, **unheated[kind])
    return replace(night, **changes.get(kind, {}))


def run_night(seed: int, keep: str) -> NightRates:
    """Draw (unless kept), measure and sort one night; what was right."""
    kind, scenario = make_night(seed)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(keep or scratch) / f"{seed:03d}"
        if not (folder / "truth.ecsv").exists():
            simulate_night(scenario, folder, overwrite=True)
        truth = Table.read(folder / "truth.ecsv")
        cache = folder / "cache"
        frames = [folder / str(file) for file in truth["file"]]
        rates = NightRates(kind=kind, scenario=scenario, truth=truth)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            has_log = bool(scenario.heater.events)
            log: Any = folder / "heater_power.csv"
            rates.add_log(sort_frames(frames, heater=log, cache=cache))
            rates.add_stars(sort_frames(frames, cache=cache))
            if has_log:
                rates.add_current(
                    read_heater_log(
                        folder / "supply_current.csv",
                        LogOptions(zone="UTC", full_current=scenario.logger.full),
                    )
                )
                trace = read_heater_log(log)
                for shift in SHIFTS:
                    shifted = HeaterTrace(edges=trace.edges + shift, power=trace.power)
                    rates.add_clock(shift, estimate_clock_offset(rates.table, shifted))
    rates.forget()
    return rates


def _all_nights(options: argparse.Namespace) -> Iterator[NightRates]:
    wanted = options.kinds.split(",") if options.kinds else KINDS
    seeds = [
        seed for seed in range(options.first, options.first + options.seeds)
        if KINDS[seed % len(KINDS)] in wanted
    ]  # fmt: skip
    if options.workers < 2:
        yield from (run_night(seed, options.keep) for seed in seeds)
        return
    with ProcessPoolExecutor(options.workers) as pool:
        yield from pool.map(run_night, seeds, [options.keep] * len(seeds))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", type=int, default=20, help="number of nights")
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--kinds", default="", help="only these, separated by commas")
    parser.add_argument("--keep", default="", help="folder that keeps the images")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--verbose", action="store_true", help="a line for each night")
    options = parser.parse_args()
    nights = []
    for night in _all_nights(options):
        nights.append(night)
        if options.verbose:
            print(night.line(), flush=True)
    print_rates(nights)


if __name__ == "__main__":
    main()
