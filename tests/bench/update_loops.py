"""Make the list of compiled loops anew, framesort/compiled/loops.json, from small nights.

    python tests/bench/update_loops.py

To be run when a compiled loop, or what it is called with, has changed. Each function that a night
calls must appear once: a second set of types costs every user its compiling again.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

from astropy.io import fits
from tools import make_night

import framesort
from framesort.compiled import record_loops

PACKAGE = Path(framesort.__file__).parent
SUBPACKAGES = ("colour", "replacement", "stacking", "stars")
SHAPE = (700, 900)


def make_nights(folder):
    """A night of a camera without colours, and one of a camera with a filter array."""
    plain, colour = Path(folder, "plain"), Path(folder, "colour")
    for night in (plain, colour):
        night.mkdir()
        make_night(night, 8, SHAPE)
    for path in colour.glob("*.fits"):
        fits.setval(path, "BAYERPAT", value="RGGB")
    return plain, colour


def record(*nights):
    """Record in this process, which has nothing to load; prints the list as JSON."""
    with record_loops() as found:
        from framesort.night import process_night

        for night in map(Path, nights):
            frames = sorted(night.glob("*.fits"))
            process_night(frames, out=night / "out", heater=night / "heater.csv")
    print(json.dumps([[r.module, r.name, round(r.seconds, 1), r.types] for r in found if r.called]))


def main():
    with tempfile.TemporaryDirectory() as folder:
        nights = map(str, make_nights(folder))
        env = {**os.environ, "NUMBA_CACHE_DIR": str(Path(folder, "cache"))}
        command = [sys.executable, __file__, "--record", *nights]
        output = subprocess.run(command, env=env, check=True, stdout=subprocess.PIPE, text=True)
    loops = json.loads(output.stdout.splitlines()[-1])
    lines, seen = [], set()
    for name in SUBPACKAGES:
        sources = sorted((PACKAGE / name).glob("*.py"))
        modules = [
            f"framesort.{name}.{path.stem}"
            for path in sources
            if re.search(r"^@(loop|part)\(", path.read_text(), re.MULTILINE)
        ]
        own = []
        for loop in loops:
            if loop[0] not in modules or loop[3] is None:
                continue
            if tuple(loop[:2]) in seen:
                print("left out, being for a second set of types:", *loop)
            else:
                own.append(loop)
            seen.add(tuple(loop[:2]))
        own.sort()
        text = ",\n".join(f"      {json.dumps(loop)}" for loop in own)
        listed = json.dumps(modules)
        lines.append(
            f'  "{name}": {{\n    "modules": {listed},\n    "loops": [\n{text}\n    ]\n  }}'
        )
    Path(PACKAGE, "compiled", "loops.json").write_text("{\n" + ",\n".join(lines) + "\n}\n")
    print(len(loops), "loops,", round(sum(loop[2] for loop in loops), 1), "processor seconds")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--record"]:
        record(*sys.argv[2:])
    else:
        main()
