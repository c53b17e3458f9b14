"""Heated frames in the sharp-star sets of simulated nights, by heater power.

    python tests/bench/heated_in_sharp.py [SEEDS]

Each night: 12 frames with the heater off, then six each at 15, 30, 50, 75 and 100 percent, small
images, seeing that scatters by 2, 5 or 10 percent.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np

from framesort.night import sort_frames
from framesort.simulation import read_scenario, simulate_night

POWERS = (15, 30, 50, 75, 100)

SCENARIO = """
start = 2024-10-14T20:12:00Z
seed = {seed}
[camera]
width = 400
height = 320
hot_pixels = 20
[stars]
count = 160
faintest = 40.0
brightest = 4e4
[seeing]
jitter = {jitter}
[heater]
events = {events}
[[filter]]
name = "L"
[[run]]
filter = "L"
count = 42
exposure = 60
pause = 5
"""


def sharp_by_power(seed, jitter, folder):
    """Frames in the sharp-star set and frames in all, by mean power, and heater-off ones lost."""
    step = 65 / 60
    events = [[(12 + 6 * k) * step - 0.04, power] for k, power in enumerate(POWERS)]
    path = folder / "night.toml"
    path.write_text(SCENARIO.format(seed=seed, jitter=jitter, events=events))
    simulate_night(read_scenario(path), folder / "night")
    frames = sorted((folder / "night" / "frames").iterdir())
    log = folder / "night" / "heater_power.csv"
    table = sort_frames(frames, heater=log).table
    power = np.asarray(table["heater_power"], dtype=float)
    sharp = np.asarray(table["sharp_set"], dtype=bool)
    found = {}
    for level in (0, *POWERS):
        rows = np.abs(power - level) < 5
        found[level] = (int(sharp[rows].sum()), int(rows.sum()))
    return found


def main():
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 9
    total = {level: np.zeros(2, dtype=int) for level in (0, *POWERS)}
    for seed in range(1, seeds + 1):
        jitter = (0.02, 0.05, 0.10)[seed % 3]
        with tempfile.TemporaryDirectory() as folder:
            found = sharp_by_power(seed, jitter, Path(folder))
        print(seed, jitter, {level: f"{n} of {m}" for level, (n, m) in found.items()}, flush=True)
        for level, counts in found.items():
            total[level] += counts
    print("all", {level: f"{n} of {m}" for level, (n, m) in total.items()})


if __name__ == "__main__":
    main()
