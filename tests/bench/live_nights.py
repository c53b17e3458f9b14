"""Simulated nights fed frame by frame to the judgement of dew and cloud; how often it is right.

    python tests/bench/live_nights.py --keep DIR [--seeds 1-4] [--train 1001-1008] [--without sky]

A script, not a test: each night is drawn as images of 600 x 450 pixels and measured, and its
frames are given to `judge_sky` one by one with what is known at that time. The measured series are
kept in a folder, so that a second run only judges. Other methods are compared where `--train` names
seeds for them to learn from; those of `--seeds` are only counted.
"""

import argparse
import tempfile
import warnings
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from live_methods import SlopeClassifier, judge_hinge, judge_models, judge_sums
from live_series import (
    WORTHLESS,
    Method,
    Series,
    choose_threshold,
    count_rates,
    print_rates,
    score_night,
)

from framesort.live import DEW_CALL, judge_sky
from framesort.quality import measure_frames, measure_transparency
from framesort.simulation import Scenario, simulate_night
from framesort.simulation._scenario import (
    Camera,
    Event,
    Filter,
    Heater,
    Mount,
    Run,
    Seeing,
    Sky,
    Stars,
)
from framesort.simulation._timeline import plan_exposures

KINDS = ("dew", "cloud", "focus", "airmass", "calm")

EXTINCTION = 0.2
"""Typical loss an airmass, as a natural logarithm; each night's is drawn around it."""


@dataclass(frozen=True)
class LiveNight:
    """A scenario and what it does not hold itself."""

    scenario: Scenario
    airmass: np.ndarray
    dew_loss: np.ndarray
    minutes: np.ndarray


def _airmass(minutes: np.ndarray, kind: str, rng: np.random.Generator) -> np.ndarray:
    """Airmass at each frame: of an altitude that changes steadily; Kasten & Young 1989 (memory)."""
    setting = kind == "airmass"
    start = rng.uniform(48, 60) if setting else rng.uniform(50, 70)
    rate = -rng.uniform(11, 14) if setting else rng.uniform(-8, 8)
    altitude = np.clip(start + rate * minutes / 60, 20, 85)
    return 1 / (np.sin(np.deg2rad(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)


def _air_events(minutes: np.ndarray, airmass: np.ndarray, k: float) -> list[Event]:
    """Airmass as one cloud and one change of seeing a frame, each for its frame alone."""
    events = []
    for minute, x in zip(minutes, airmass, strict=True):
        loss = float(-np.expm1(-k * (x - airmass.min())))
        wider = float((x / airmass.min()) ** 0.6 - 1)
        span = {"minute": max(float(minute) - 0.3, 0.0), "until": float(minute) + 0.3}
        events.append(Event(kind="cloud", strength=loss, **span))
        events.append(Event(kind="seeing", strength=wider, **span))
    return events


def _clouds(length: float, rng: np.random.Generator) -> list[Event]:
    """One slow cloud or several short ones."""
    if rng.uniform() < 0.4:
        begin, span = rng.uniform(0.25, 0.5) * length, rng.uniform(50, 120)
        return [
            Event(
                kind="cloud",
                minute=float(begin),
                until=float(begin + span),
                strength=float(rng.uniform(0.15, 0.6)),
            )
        ]
    return [
        Event(
            kind="cloud",
            minute=float(begin),
            until=float(begin + rng.uniform(6, 40)),
            strength=float(rng.uniform(0.1, 0.7)),
        )
        for begin in rng.uniform(0.2, 0.95, int(rng.integers(2, 6))) * length
    ]


def make_night(kind: str, seed: int) -> LiveNight:
    """The night of a kind and a seed; dew costs a tenth of the light within 15 to 60 minutes."""
    rng = np.random.default_rng([seed, KINDS.index(kind), 81])
    exposure, pause = float(rng.choice([60, 90, 120])), float(rng.uniform(5, 20))
    count = int(rng.integers(64, 96))
    minutes = (np.arange(count) * (exposure + pause) + exposure / 2) / 60
    length = count * (exposure + pause) / 60
    airmass = _airmass(minutes, kind, rng)
    events = _air_events(minutes, airmass, float(rng.normal(EXTINCTION, 0.05)))
    loss = np.zeros(count)
    drift = 0.0
    if kind == "dew":
        begin = float(rng.uniform(0.3, 0.6)) * length
        tenth = float(np.exp(rng.uniform(np.log(15), np.log(60))))
        until = min(length + 5, begin + 8 * tenth)
        strength = 0.1 * (until - begin) / tenth
        events.append(Event(kind="dew", minute=begin, until=until, strength=strength))
        foggy = (minutes > begin) & (minutes < until)
        loss = np.where(foggy, 0.1 * (minutes - begin) / tenth, 0.0)
    elif kind == "cloud":
        events += _clouds(length, rng)
    elif kind == "focus":
        drift = float(rng.uniform(0.7, 1.8))
    heated = rng.uniform() < 0.5
    power = float(rng.choice([50, 75, 100]))
    cuts = rng.uniform(0.05, 0.12) * length, rng.uniform(0.18, 0.28) * length
    night = Scenario(
        start=datetime(2025, 10, 14, 19, 30, tzinfo=UTC) + timedelta(days=seed % 1000),
        title=kind,
        seed=100 * seed + KINDS.index(kind),
        camera=Camera(width=600, height=450, hot_pixels=40),
        stars=Stars(count=int(rng.integers(300, 600)), brightest=1e5),
        seeing=Seeing(
            fwhm=float(rng.uniform(2.2, 3.4)),
            jitter=float(rng.uniform(0.01, 0.03)),
            walk=float(rng.uniform(0.02, 0.06)),
            trail=float(rng.uniform(0.2, 0.6)),
            focus_drift=drift,
        ),
        sky=Sky(scatter=float(rng.uniform(0.005, 0.015))),
        mount=Mount(dither=8.0, drift=8.0),
        heater=Heater(
            events=((float(cuts[0]), power), (float(cuts[1]), 0.0)) if heated else (),
            blur=float(rng.uniform(1.8, 3.0)),
        ),
        filter=(Filter(name="L"),),
        run=(Run(filter="L", exposure=exposure, count=count, pause=pause),),
        event=tuple(events),
    )
    return LiveNight(night, airmass, loss, minutes)


def draw_series(kind: str, seed: int, keep: Path) -> Series:
    """Draw and measure a night unless its series is kept."""
    path = keep / f"{kind}-{seed}.npz"
    if path.exists():
        return Series.load(path)
    night = make_night(kind, seed)
    with tempfile.TemporaryDirectory() as scratch, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        truth = simulate_night(night.scenario, Path(scratch) / "night")
        files = [Path(scratch) / "night" / str(file) for file in truth["file"]]
        qualities = measure_frames(files, saturation=night.scenario.camera.saturation)
    count = len(files)
    known = np.full((count, count), np.nan)
    for k in range(count):
        known[k, : k + 1] = measure_transparency(qualities[: k + 1], ["L"] * (k + 1))
    series = Series(
        kind=kind,
        seed=seed,
        start=60 * night.minutes - night.scenario.run[0].exposure / 2,
        exposure=night.scenario.run[0].exposure,
        fwhm=np.array([one.fwhm for one in qualities]),
        half_flux_radius=np.array([one.half_flux_radius for one in qualities]),
        sky=np.array([one.sky for one in qualities]),
        noise=np.array([one.noise for one in qualities]),
        stars=np.array([one.stars for one in qualities]),
        transparency=known,
        share=np.array(truth["heater_share"], dtype=float),
        power=np.array(truth["heater_power"], dtype=float),
        airmass=night.airmass,
        loss=night.dew_loss,
        truth=np.array(truth["transparency"], dtype=float),
    )
    series.save(path)
    return series


def plan_series(kind: str, seed: int) -> Series:
    """A night without images: the plan's values with the noise that frames were seen to have.

    For many nights at once; of dew, halo and flux follow the light in the halo as on drawn frames.
    """
    night = make_night(kind, seed)
    scenario, planned = night.scenario, plan_exposures(night.scenario)
    rng = np.random.default_rng([seed, KINDS.index(kind), 82])
    run, count = scenario.run[0], len(planned)
    clear = np.array([one.transparency for one in planned])
    in_halo = np.array([one.halo for one in planned])
    share = np.array([sum(part for part, power in one.heating if power > 0) for one in planned])
    power = np.array([sum(part * power for part, power in one.heating) for one in planned])
    blur = scenario.heater.blur * (power / 100) ** 0.8 * (run.exposure / 60) ** 0.15
    width = np.array([one.fwhm for one in planned])
    halo = 0.617 * np.exp(0.3 * in_halo + 0.02 * share + rng.normal(0, 0.006, count))
    fwhm = np.hypot(width, blur) * (1 + 0.08 * in_halo) * np.exp(rng.normal(0, 0.005, count))
    flux = clear * (1 - WORTHLESS * in_halo) * np.exp(rng.normal(0, 0.006, count))
    light = scenario.filter[0].sky * run.exposure / scenario.camera.gain
    sky = 500 + light * np.array([one.sky for one in planned])
    return Series(
        kind=kind,
        seed=seed,
        start=60 * night.minutes - run.exposure / 2,
        exposure=run.exposure,
        fwhm=fwhm,
        half_flux_radius=halo * fwhm,
        sky=sky * np.exp(rng.normal(0, 0.0005, count)),
        noise=np.full(count, np.nan),
        stars=np.full(count, 300),
        transparency=np.tile(flux, (count, 1)),
        share=share,
        power=power,
        airmass=night.airmass,
        loss=night.dew_loss,
        truth=clear,
    )


def _seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def _draw(kind_and_seed: tuple[str, int], keep: Path) -> Series:
    return draw_series(*kind_and_seed, keep)


def _obtain(seeds: str, options: argparse.Namespace, *, planned: bool) -> list[Series]:
    """The series of all kinds of night."""
    jobs = [(kind, seed) for seed in _seeds(seeds) for kind in KINDS] if seeds else []
    if planned:
        return [plan_series(*job) for job in jobs]
    with ProcessPoolExecutor(options.workers) as pool:
        return list(pool.map(_draw, jobs, [Path(options.keep)] * len(jobs)))


def print_calibration(nights: Sequence[Series]) -> None:
    """How often there is dew (more than 2 % of the light) where it is said to be so probable."""
    said, true = [], []
    for series in nights:
        for k in range(8, len(series.start)):
            if not 0 < series.loss[k] < 0.02:
                said.append(judge_sky(series.frames(k)).dew)
                true.append(series.loss[k] > 0)
    said_, true_ = np.array(said), np.array(true)
    for low, high in ((0, 0.02), (0.02, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1.01)):
        rows = (said_ >= low) & (said_ < high)
        share = true_[rows].mean() if rows.any() else np.nan
        print(f"dew {low:.2f} to {min(high, 1):.2f}: {rows.sum()} frames, dew in {share:.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seeds", default="1-4", help="nights of each kind that are counted")
    parser.add_argument("--train", default="", help="nights that methods learn from")
    parser.add_argument("--without", default="", help="quantities not known, by commas")
    parser.add_argument("--planned", action="store_true", help="count nights without images")
    parser.add_argument("--every", type=int, default=1, help="use one frame of so many")
    parser.add_argument("--keep", required=True, help="folder for the series")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    Path(options.keep).mkdir(parents=True, exist_ok=True)
    nights = _obtain(options.seeds, options, planned=options.planned)
    nights = [one.every(options.every) for one in nights]
    train = _obtain(options.train, options, planned=False)
    without = options.without.split(",") if options.without else ()
    scores = [score_night(one, judge_models, without) for one in nights]
    print_rates("models", count_rates(nights, scores, DEW_CALL))
    if not train:
        return
    print_calibration(nights)
    methods: dict[str, Method] = {
        "hinge": judge_hinge,
        "cumulative sums": judge_sums,
        "logistic regression": SlopeClassifier(train),
    }
    for name, method in methods.items():
        level = choose_threshold(train, [score_night(one, method, without) for one in train])
        scores = [score_night(one, method, without) for one in nights]
        print_rates(f"{name} > {level:.3g}", count_rates(nights, scores, level))


if __name__ == "__main__":
    main()
