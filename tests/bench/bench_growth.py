"""Growth of the whole night with the number of frames: time and memory of all processes.

    python tests/bench/bench_growth.py [--counts 5 10 20 40] [--rows 600] [--columns 900]
                                       [--folder DIR] [--stage night | again]

Full size: ``--counts 10 20 40 80 --rows 4176 --columns 6248 --folder DIR`` writes 4.2 GB; with
``--stage again`` measurements kept from before are used: what is left is registration, stacking,
replacement and report.
"""

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

from bench_night import by_framesort
from tools import machine, make_night, run_child, serve_child, show


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--counts", type=int, nargs="+", default=[5, 10, 20, 40])
    parser.add_argument("--rows", type=int, default=600)
    parser.add_argument("--columns", type=int, default=900)
    parser.add_argument("--stage", choices=["night", "again"], default="night")
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    shape = (options.rows, options.columns)
    print(machine())
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        frames = folder / "frames"
        frames.mkdir(parents=True, exist_ok=True)
        about, made = folder / "frames.json", json.dumps([max(options.counts), *shape])
        if not about.exists() or about.read_text() != made:
            make_night(frames, max(options.counts), shape)
            about.write_text(made)
        paths = sorted(frames.glob("frame_*.fits"))
        results = {}
        for count in options.counts:
            part = folder / f"night-{count}"
            part.mkdir(exist_ok=True)
            for path in paths[:count]:
                if not (part / path.name).exists():
                    os.link(path, part / path.name)
            (part / "heater.csv").write_text((frames / "heater.csv").read_text())
            results[count] = run_child(
                __file__, "framesort", folder=str(part), workers=2, again=options.stage == "again"
            )
            show(f"{count} frames", results[count])
        for few, many in zip(options.counts, options.counts[1:], strict=False):
            one, other = results[few], results[many]
            print(
                f"{many} frames against {few}: {other['seconds'] / one['seconds']:.2f} times the "
                f"time, {other['core'] / one['core']:.2f} times the core seconds, "
                f"{other['memory'] / one['memory']:.2f} times the memory"
            )


if __name__ == "__main__":
    if not serve_child({"framesort": by_framesort}):
        sys.exit(main())
