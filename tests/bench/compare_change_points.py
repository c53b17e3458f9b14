"""Steps of a supply current: this library's search against a change-point library.

    pip install ruptures && python tests/bench/compare_change_points.py [--nights 8]

A script, not a test. Simulated rigs with a heater, a camera cooler, slews, drift and noise; each
method gets the current after the same running median. A step is found if the method has one
within 15 s of it; "others" are steps where neither heater nor cooler was switched.
"""

import argparse
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from framesort.heater._steps import find_steps

Floats = NDArray[np.float64]

CADENCE = 5.0
NEAR = 15.0


def draw_rig(seed: int) -> tuple[Floats, list[float], list[float]]:
    """Amperes, and the seconds at which the heater and other devices were switched."""
    rng = np.random.default_rng(seed)
    hours = 6.0
    t = np.arange(int(hours * 3600 / CADENCE)) * CADENCE
    current = 1.9 + 0.06 * np.sin(t / 1900 + rng.uniform(0, 6)) + 5e-6 * t
    full, level, heater = rng.uniform(0.8, 3.0), 0.0, []
    for second in np.sort(rng.uniform(0.5, 5.5, rng.integers(4, 9))) * 3600:
        if heater and second - heater[-1] < 240:
            continue
        new = float(rng.choice([p for p in (0, 20, 30, 50, 80, 100) if p != level]))
        current[t >= second] += (new - level) / 100 * full
        level = new
        heater.append(float(second))
    cooler = float(rng.uniform(60, 1500))
    current += rng.uniform(0.4, 1.5) * (t > cooler)
    for begin in rng.uniform(0, t[-1], 25):
        current[(t >= begin) & (t < begin + rng.uniform(2, 12))] += rng.uniform(0.5, 2)
    return current + rng.normal(0, rng.choice([0.01, 0.03, 0.05]), t.size), heater, [cooler]


def ours(current: Floats, clean: Floats, noise: float) -> list[float]:
    steps, _ = find_steps(current, cadence=CADENCE)
    return [step.index * CADENCE for step in steps if step.sudden]


def with_library(kind: str, model: str, penalty: float) -> Callable[..., list[float]]:
    """A search of the library with a penalty in noise variances times log n."""

    import ruptures  # here, since only this script needs it

    def find(current: Floats, clean: Floats, noise: float) -> list[float]:
        signal = clean
        if model == "linear":  # level and slope of each piece
            line = np.arange(len(clean)) / len(clean)
            signal = np.column_stack([clean, np.ones(len(clean)), line])
        options = {"width": 24} if kind == "Window" else {}
        search = getattr(ruptures, kind)(model=model, min_size=12, jump=3, **options)
        price = penalty * noise**2 * np.log(len(clean))
        return [index * CADENCE for index in search.fit(signal).predict(pen=price)[:-1]]

    return find


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--nights", type=int, default=8)
    options = parser.parse_args()
    methods: dict[str, Callable[..., list[float]]] = {"this library": ours}
    for penalty in (60.0, 600.0, 3000.0):
        methods[f"PELT, levels, penalty {penalty:g}"] = with_library("Pelt", "l2", penalty)
    for penalty in (60.0, 600.0, 3000.0):
        methods[f"binary, levels, penalty {penalty:g}"] = with_library("Binseg", "l2", penalty)
    for penalty in (60.0, 600.0):
        methods[f"binary, straight lines, penalty {penalty:g}"] = with_library(
            "Binseg", "linear", penalty
        )
    for penalty in (60.0, 600.0):
        methods[f"window, levels, penalty {penalty:g}"] = with_library("Window", "l2", penalty)
    rigs = [draw_rig(seed) for seed in range(options.nights)]
    total = sum(len(heater) for _, heater, _ in rigs)
    print(f"{options.nights} nights, {total} heater steps")
    for name, method in methods.items():
        found = others = 0
        begin = time.process_time()
        for current, heater, rest in rigs:
            half = round(25.0 / CADENCE)
            clean = median_filter(current, size=2 * half + 1, mode="nearest")
            noise = 1.4826 * float(np.median(np.abs(np.diff(current)))) / np.sqrt(2)
            places = np.array(method(current, clean, noise))
            for second in heater:
                found += bool(places.size and np.abs(places - second).min() <= NEAR)
            known = np.array(heater + rest)
            others += sum(np.abs(known - place).min() > NEAR for place in places)
        seconds = (time.process_time() - begin) / options.nights
        print(f"| {name} | {found} of {total} | {others} | {seconds:.2f} s |", flush=True)


if __name__ == "__main__":
    main()
