"""The first run of a small night after an installation, and the next one.

    python tests/bench/bench_first_run.py [--frames 8] [--rows 1044] [--columns 1562] [--workers 2]

Compiled loops go to an empty folder of their own, so that the installation's stay as they are.
Seconds by the clock depend on what else runs; core seconds less so.
"""

import argparse
import os
import sys
import tempfile
from pathlib import Path

from tools import machine, make_night, show, watch


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--rows", type=int, default=1044)
    parser.add_argument("--columns", type=int, default=1562)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    print(machine())
    with tempfile.TemporaryDirectory() as scratch:
        paths = make_night(scratch, options.frames, (options.rows, options.columns))
        cache = Path(scratch, "compiled")
        env = {**os.environ, "NUMBA_CACHE_DIR": str(cache)}
        results = []
        for name in ("first run", "second run"):
            command = [
                sys.executable, "-m", "framesort", "night", *paths, "--quiet",
                "--heater", str(Path(scratch, "heater.csv")), "--out", str(Path(scratch, name)),
                "--workers", str(options.workers),
            ]  # fmt: skip
            results.append(watch(command, env=env))
            show(name, results[-1])
            functions = {path.name for path in cache.rglob("*.nbi")}
            compiled = {path.name for path in cache.rglob("*.nbc")}
            print(f"  {len(functions)} functions, {len(compiled)} signatures compiled so far")
        first, second = results
        print(
            f"the first run takes {first['seconds'] - second['seconds']:.1f} s, "
            f"{first['core'] - second['core']:.1f} core seconds more"
        )


if __name__ == "__main__":
    main()
