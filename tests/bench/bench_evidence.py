"""Growth of what follows measuring (evidence, grades, sets) with the number of frames.

    python tests/bench/bench_evidence.py [--counts 100 300 1000 3000] [--out FILE.json]

The frames are numbers, not images: a night of eight hours drawn as in tests/evidence/nights.py,
its exposures shorter the more they are. Seconds are processor time. `--out` keeps the answers, to
compare two versions of the code.
"""

import argparse
import json
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "evidence"))
from nights import ANGLE, T0, draw_night

from framesort.evidence import (
    compare_log,
    estimate_clock_offset,
    estimate_drift,
    estimate_response,
    fit_onset,
    measure_spike_excess,
    sort_states,
)
from framesort.records import SPIKE_BINS, HeaterTrace
from framesort.selection import choose_sets, report_selection
from framesort.tags import tag_frames

HOURS = 8.0
SWITCHES = [(1.0, 40), (2.0, 0), (3.0, 70), (4.2, 0), (5.0, 100), (6.2, 0), (7.0, 60), (7.6, 0)]


def make_night(count: int, seed: int, late: float) -> tuple[Any, Any, list[Any]]:
    """The table of a night, the log (its clock `late` seconds behind), light against angle."""
    rng = np.random.default_rng(seed)
    cadence = 3600 * HOURS / count
    night = draw_night(
        rng, SWITCHES, frames=count, exposure=0.8 * cadence, pause=0.2 * cadence, blur=2.0
    )
    for name, value in (
        ("file", [f"frame_{i:04d}.fits" for i in range(count)]),
        ("group", ["L"] * count),
        ("reason", np.array([""] * count, dtype=object)),
        ("heater_state", np.where(night["heater_share"] > 0.5, "on", "off").astype(object)),
        ("stars", np.full(count, 300)),
        ("noise", 15 * np.exp(rng.normal(0, 0.03, count))),
        ("transparency", 1 - np.abs(rng.normal(0, 0.03, count))),
        ("half_flux_radius", 0.55 * night["fwhm"] * np.exp(rng.normal(0, 0.01, count))),
        ("gain", np.ones(count)),
    ):
        night[name] = value
    times = T0 + 3600 * np.array([-1.0, *(hour for hour, _ in SWITCHES), HOURS + 1])
    power = np.array([0.0, *(percent for _, percent in SWITCHES)])
    trace = HeaterTrace(edges=times - late, power=power)
    angles = np.arange(SPIKE_BINS) * 180 / SPIKE_BINS
    vary = np.cos(np.radians(2 * (angles[None, :] - 20))) * rng.normal(0, 0.002, (count, 1))
    bump = np.exp(-0.5 * (((angles - ANGLE + 90) % 180 - 90) / 8) ** 2)
    profile = vary + 0.01 * bump * np.asarray(night["spike_strength"])[:, None]
    profile += 1 / SPIKE_BINS + rng.normal(0, 2e-4, profile.shape)
    qualities = [
        SimpleNamespace(spike_profile=p, spike_raw=float(r), spike_raw_err=0.004)
        for p, r in zip(profile, night["spike_raw"], strict=True)
    ]
    return night, trace, qualities


def run_night(count: int, seed: int, late: float) -> tuple[dict[str, float], dict[str, Any]]:
    """Processor seconds of each step, and the answers."""
    table, trace, qualities = make_night(count, seed, late)
    seconds: dict[str, float] = {}
    right = HeaterTrace(edges=trace.edges + late, power=trace.power)

    def timed(name: str, call: Any, *args: Any, **options: Any) -> Any:
        begin = time.process_time()
        found = call(*args, **options)
        seconds[name] = time.process_time() - begin
        return found

    states = timed("states", sort_states, table)
    clock = timed("clock", estimate_clock_offset, table, trace, states=states)
    cold = np.asarray(table["heater_share"]) < 0.005
    strength, error, angle = timed("spike", measure_spike_excess, qualities, table["group"], cold)
    table["spike_angle"] = np.full(count, ANGLE)
    onset = timed("onset", fit_onset, table, right)
    response = timed("response", estimate_response, table)
    drift = timed("drift", estimate_drift, table)
    check = timed("check", compare_log, table, states, clock=clock, trace=trace, response=response)
    timed("grades", tag_frames, table)
    timed("sets", choose_sets, table)
    report = timed("depth", report_selection, table, "L")
    both = onset.both
    answers = {
        "states": [str(s) for s in states.state],
        "heated": [float(p) for p in states.probability],
        "clock": [clock.seconds, clock.error, clock.significant],
        "spike": [[float(v) for v in values] for values in (strength, error, angle)],
        "onset": None if both is None else [
            [t.value, t.low, t.high] for t in (both.warming, both.cooling)
        ] + [both.whole, both.log_likelihood_difference],
        "growth": [[float(r["fwhm_growth"]), float(r["fwhm_growth_err"])] for r in response.points],
        "limit": [[float(r[n]) for n in ("power", "power_low", "power_high")]
                  for r in response.highest_acceptable],
        "drift": [drift.scatter, drift.drift],
        "check": [check.agree, check.compared, check.better],
        "grades": [str(g) for g in table["grade"]],
        "sets": [[bool(v) for v in table[n]] for n in ("sharp_set", "deep_set")],
        "curve": [float(v) for v in report.curve["depth"]],
    }  # fmt: skip
    return seconds, answers


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--counts", type=int, nargs="+", default=[100, 300, 1000, 3000])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--late", type=float, default=0.0, help="seconds the log's clock is behind")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    run_night(40, 0, 0.0)  # what is loaded or compiled once
    kept = {}
    for count in options.counts:
        for seed in options.seeds:
            seconds, kept[f"{count} {seed}"] = run_night(count, seed, options.late)
            parts = ", ".join(f"{name} {value:.2f}" for name, value in seconds.items())
            print(f"{count} frames: {sum(seconds.values()):.2f} s ({parts})", flush=True)
            if options.out:
                options.out.write_text(json.dumps(kept))


if __name__ == "__main__":
    main()
