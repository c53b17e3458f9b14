"""Heater states from the stars alone on simulated tables of frames: how often they are right.

    python tests/bench/states_without_log.py [--nights 20]

A script, not a test. The nights are those of tests/evidence/nights.py, drawn as numbers, not as
images: quick, and independent of the measuring. See simulated_nights.py for images.
"""

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "evidence"))
from nights import draw_night

from framesort.evidence import sort_states

SWITCHES = [(0.6, 30), (1.0, 100), (1.4, 0), (1.8, 60), (2.2, 0)]
LONG = [(0.5, 60), (1.1, 0), (1.6, 100), (2.1, 0)]

KINDS: dict[str, tuple[Any, dict[str, Any]]] = {
    "heater at 30, 100, 60 %": (SWITCHES, {}),
    "same, focus runs away 0.6 px/h": (SWITCHES, {"focus": 0.6}),
    "same, a quarter of the frames trailed": (SWITCHES, {"trailed": 0.25}),
    "same, seeing worsens by 30 % at once": (SWITCHES, {"seeing_jump": [(1.6, 1.3)]}),
    "same, seeing wanders 15 % an hour": (SWITCHES, {"walk": 0.15}),
    "switched 2 to 4 times at random": ("random", {}),
    "30 frames of 300 s": (LONG, {"frames": 30, "exposure": 300.0}),
    "spike a third as strong (2 % at full power)": (SWITCHES, {"spike": 0.02}),
    "no heater, calm": ([], {}),
    "no heater, seeing +40 % at once": ([], {"seeing_jump": [(1.0, 1.4)]}),
    "no heater, focus runs away": ([], {"focus": 0.8}),
    "no heater, a quarter trailed": ([], {"trailed": 0.25}),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--nights", type=int, default=20)
    options = parser.parse_args()
    print("| | right | unheated called heated | strongly heated called off | unknown |")
    for name, (switches, changes) in KINDS.items():
        right, false, missed, unknown = [], [], [], []
        for seed in range(options.nights):
            rng = np.random.default_rng(seed)
            plan = switches
            if switches == "random":
                hours = np.sort(rng.uniform(0.2, 2.5, rng.integers(2, 5)))
                plan = [(h, (60, 0, 100, 0)[k]) for k, h in enumerate(hours.tolist())]
            table = draw_night(rng, plan, **changes)
            state = sort_states(table).state.astype(str)
            share, power = np.array(table["heater_share"]), np.array(table["heater_power"])
            cold, hot = share < 0.005, power >= 50
            on = np.isin(state, ["on", "part"])
            right += [*~on[cold], *on[hot]]  # unknown counts as not heated
            false += [*on[cold]]
            missed += [*(state == "off")[hot]]
            unknown += [*(state == "unknown")]
        missing = f"{np.mean(missed):.3f}" if missed else ""
        print(
            f"| {name} | {np.mean(right):.3f} | {np.mean(false):.3f} | {missing} | "
            f"{np.mean(unknown):.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
