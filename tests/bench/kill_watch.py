"""Kill `framesort watch` at random moments, and let go wrong what can go wrong during a night.

    python tests/bench/kill_watch.py --kills 20 --out /tmp/kill_watch      # as root, on Linux

A simulated night of small frames is replayed with its heater log while the watch is started,
killed with SIGKILL after a random time and started again. At the end, frames, measurements, events
and the status are compared with those of one undisturbed watch over the finished folder. Then each
fault is made while a watch runs. Printed for each: whether the watch went on and what it said on
standard error. The watch runs in a fork of this process, which has the libraries loaded.
"""

import argparse
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from watch_faults import FAULTS, one_fault
from watch_forks import Watch, caches, commands, count, prepare

from framesort.simulation import ReplayOptions, replay_night

SCENARIO = """
start = 2026-02-11T20:00:00Z
seed = {seed}
[camera]
width = 400
height = 320
[stars]
count = 260
faintest = 8.0
brightest = 1e5
[seeing]
fwhm = 2.8
[mount]
dither = 6.0
flip = 40.0
[heater]
events = [[9.8, 100], [24.0, 0], [41.0, 100], [52.0, 0]]
[[filter]]
name = "L"
sky = 6.0
[[filter]]
name = "Ha"
stars = 0.2
sky = 0.4
[[run]]
filter = "L"
exposure = 60.0
count = 30
[[run]]
filter = "Ha"
exposure = 60.0
count = 10
[[run]]
filter = "L"
exposure = 60.0
count = 20
[[event]]
kind = "cloud"
minute = 47.0
until = 53.0
strength = 0.75
[[event]]
kind = "dew"
minute = 55.0
until = 75.0
strength = 0.8
"""


def make_night(folder: Path, seed: int) -> Path:
    """The simulated night's folder."""
    folder.mkdir(parents=True)
    (folder / "scenario.toml").write_text(SCENARIO.format(seed=seed))
    night = folder / "night"
    words = ["simulate", str(folder / "scenario.toml"), "--out", str(night), "--workers", "2"]
    call = [sys.executable, "-m", "framesort", *words]
    subprocess.run(call, check=True, capture_output=True)
    return night


def compare(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """In how many frames two states of a night differ, by column, and by how much at most."""
    mine, theirs = ({frame["file"]: frame for frame in s["frames"]} for s in (one, other))
    differs: dict[str, Any] = {"files": len(set(mine) ^ set(theirs))}
    for name in set(mine) & set(theirs):
        for column, value in mine[name].items():
            twin = theirs[name][column]
            if value != twin and not (value != value and twin != twin):
                number, most = differs.get(column, (0, 0.0))
                size = abs(value - twin) if isinstance(value, float) else math.inf
                differs[column] = (number + 1, max(most, size))
    differs["minutes"] = str(one["minutes"]) != str(other["minutes"])
    differs["heater"] = one["heater"] != other["heater"]
    return {key: value for key, value in differs.items() if value}


def kill_often(base: Path, night: Path, kills: int, seed: int) -> dict[str, Any]:
    """Replay, kill, compare."""
    rng = random.Random(seed)
    live, out, told = base / "live", base / "killed", base / "told"
    (live / "frames").mkdir(parents=True)
    replayed = os.fork()
    if replayed == 0:
        try:
            replay_night(night, live, speed=60, options=ReplayOptions(writing=0.2), overwrite=True)
        finally:
            os._exit(0)
    words = ["--heater", str(live / "heater_power.csv"), "--goal", "L=20", *commands(told)]
    again = lost = left = at_work = 0
    before: dict[str, int] = {}
    for _ in range(kills):
        done, alive = count(), Watch(live / "frames", out, *words)
        time.sleep(rng.uniform(0.05, 3.0))
        alive.end(signal.SIGKILL)
        left += len(list(out.glob("**/.*.part")))
        after = caches(out)
        again += sum(after[name] != inode for name, inode in before.items())
        lost += count() - done - len(set(after) - set(before))
        before = after
        at_work += count() > done
        time.sleep(rng.uniform(0.0, 2.5))  # frames gather, so that some kills hit while measuring
    os.waitpid(replayed, 0)
    frames = len(list((live / "frames").glob("*.fits")))
    last = Watch(live / "frames", out, *words)
    went_on = last.until(lambda: last.frames >= frames, 120)
    last.end()
    measured = count()
    calm = Watch(live / "frames", base / "undisturbed", *words[:4])
    calm.until(lambda: calm.frames >= frames, 120)
    calm.end()
    journal = [json.loads(line) for line in (out / "events.jsonl").read_text().splitlines()]
    lines = told.read_text().splitlines() if told.exists() else []
    keys = [event["key"] for event in journal]
    kinds = [sorted((e["kind"], e["key"].split()[0]) for e in some)
             for some in (journal, calm.status()["events"])]  # fmt: skip
    return {
        "kills": kills,
        "killed after having measured": at_work,
        "frames": frames,
        "all shown at the end": went_on,
        "kept measurements": len(caches(out)),
        "measurements": measured,
        "lost by a kill before they were kept": lost,
        "kept and measured again": again,
        "events": len(journal),
        "told twice": len(keys) - len(set(keys)) + len(lines) - len(set(lines)),
        "commands run": len(lines),
        "events that only one of killed and undisturbed has": [
            e for e in kinds[0] + kinds[1] if kinds[0].count(e) != kinds[1].count(e)
        ],
        "temporary files seen after kills": left,
        "temporary files at the end": len(list(out.glob("**/.*.part"))),
        "status differs in": compare(last.status(), calm.status()),
    }


def main() -> int:
    """Kills, then every fault or those named."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("kill_watch"))
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=list(FAULTS), metavar="FAULT")
    options = parser.parse_args()
    base = options.out.absolute()
    shutil.rmtree(base, ignore_errors=True)
    night = make_night(base, options.seed)
    prepare(base, night)
    if options.kills:
        found = kill_often(base / "kills", night, options.kills, options.seed)
        print(json.dumps(found, indent=1), flush=True)
    results = [one_fault(name, base / f"fault{k}", night) for k, name in enumerate(options.only)]
    return int(not all(results))


if __name__ == "__main__":
    sys.exit(main())
