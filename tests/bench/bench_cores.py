"""The whole night of `bench_night` on 2, 4, 8, 16 cores: seconds by stage, memory, speed-up.

    python tests/bench/bench_cores.py [--frames 8] [--rows 1044] [--columns 1562] [--folder DIR]
                                      [--cores 2 4 8 16] [--filters Ha] [--pattern RGGB] [--glued]

Full size: ``--frames 40 --rows 4176 --columns 6248``. Each run is held to so many cores
(`os.sched_setaffinity`, Linux) and starts as many workers. A small night is run first, so that
compiled loops are there. ``--glued`` also runs the script of general libraries, on two cores.
"""

import argparse
import json
import os
import sys
import tempfile
from pathlib import Path

from bench_night import by_framesort, by_glue
from tools import machine, make_night, run_child, serve_child, show, show_ratio

KINDS = ("replacing", "measuring", "stacking", "placing")
COLUMNS = (*KINDS, "other")


def by_stage(result):
    """Seconds of each kind of stage; stages that overlap count from the first one's begin."""
    marks, moments = result["said"]["stages"], result["moments"]
    spent = dict.fromkeys(COLUMNS, 0.0)
    ends = [*[moment for _, moment in marks[1:]], moments[-1][0]]
    for (name, begin), end in zip(marks, ends, strict=True):
        kind = next((kind for kind in KINDS if kind in name), "other")
        spent[kind] += end - begin
    spent["other"] += marks[0][1] - moments[0][0]
    return spent


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=8)
    parser.add_argument("--rows", type=int, default=1044)
    parser.add_argument("--columns", type=int, default=1562)
    parser.add_argument("--cores", type=int, nargs="+", default=[2, 4, 8, 16])
    parser.add_argument("--filters", nargs="+", default=["Ha"])
    parser.add_argument("--pattern", default="", help="of a colour camera, RGGB")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--glued", action="store_true")
    options = parser.parse_args()
    print(machine())
    every = sorted(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        small = folder / "small"
        small.mkdir(parents=True, exist_ok=True)
        shape = (options.rows, options.columns)
        made = json.dumps([options.frames, *shape, options.filters, options.pattern])
        about = folder / "cores.json"
        if not about.exists() or about.read_text() != made:
            for old in folder.glob("frame_*.fits"):
                old.unlink()
            form = {"filters": options.filters, "pattern": options.pattern}
            make_night(small, 8, (400, 600), **form)
            make_night(folder, options.frames, shape, **form)
            about.write_text(made)
        print(f"{options.frames} frames of {shape[0] * shape[1] / 1e6:.1f} megapixels")
        run_child(__file__, "framesort", one_thread=True, folder=str(small), workers=2, again=False)
        results = {}
        for cores in [c for c in options.cores if c <= len(every)]:
            os.sched_setaffinity(0, every[:cores])
            result = run_child(
                __file__, "framesort", one_thread=True, folder=str(folder), workers=cores,
                again=False,
            )  # fmt: skip
            show(f"{cores} cores", result)
            stages = by_stage(result)
            text = ", ".join(f"{name} {stages[name]:.1f}" for name in COLUMNS)
            print(f"  seconds: {text}", flush=True)
            results[cores] = result
        first = min(results)
        for cores, result in results.items():
            ratio = results[first]["seconds"] / result["seconds"]
            print(f"{cores} cores: {ratio:.2f} times as fast as {first}")
        if options.glued:
            os.sched_setaffinity(0, every[:2])
            glued = run_child(__file__, "glued", folder=str(folder))
            show("glued, two stacks", glued)
            print("  " + ", ".join(f"{k} {v:.1f}" for k, v in glued["said"].items()))
            show_ratio(f"framesort, {first} cores", results[first], glued, "the glued script")


if __name__ == "__main__":
    if not serve_child({"framesort": by_framesort, "glued": by_glue}):
        sys.exit(main())
