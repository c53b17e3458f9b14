"""Stacking: time and peak memory, `ccdproc.combine` with the same clipping beside.

    python tests/bench/bench_stack.py [--frames 12] [--rows 1000] [--columns 1500] [--folder DIR]
                                      [--repeats 1] [--only framesort | turned | ccdproc]

Makes frames (16 bit, noise, stars, a few hot pixels), then runs each way in a process of its
own, one after the other: this library with frames that need no resampling, the same with turned
and dithered ones, and `ccdproc.combine` (median and MAD clipping at 3 sigma, then the mean) with
frames that need none. Each way writes its stack. Full size: ``--frames 40 --rows 4176 --columns
6248`` writes 2 GB of frames. ``--folder`` is kept and used again; ratios are of the best of the
repeats, taken in turn.
"""

import argparse
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from astropy.io import fits
from tools import disk_speed, machine, memory_speed, run_child, serve_child, show, show_ratio

MEMORY_LIMIT = 2e9  # what ccdproc.combine is allowed
WORKERS = 2


def make_frames(folder, count, shape):
    rng = np.random.default_rng(1)
    base = np.full(shape, 1000.0, dtype=np.float32)
    for y, x in rng.uniform(10, np.array(shape) - 10, (shape[0] * shape[1] // 6500, 2)):
        flux = 10 ** rng.uniform(2.5, 4.8)
        yy, xx = np.mgrid[int(y) - 6 : int(y) + 8, int(x) - 6 : int(x) + 8]
        base[yy, xx] += flux / 11.3 * np.exp(-((yy - y) ** 2 + (xx - x) ** 2) / 3.6)
    paths = []
    for k in range(count):
        image = base + rng.standard_normal(shape, dtype=np.float32) * 20
        image[rng.integers(0, shape[0], 500), rng.integers(0, shape[1], 500)] += 5000
        path = folder / f"frame_{k:03d}.fits"
        pixels = np.clip(image, 0, 65535).astype(np.uint16)
        fits.writeto(path, pixels, fits.Header({"BUNIT": "adu"}), overwrite=True)
        paths.append(str(path))
    return paths


def by_framesort(paths, shape, turned):
    from framesort.records import Transform
    from framesort.stacking import Execution, stack_frames, write_stack
    from framesort.workers import open_executor

    rng = np.random.default_rng(2)
    transforms = []
    for _ in paths:
        turn = np.deg2rad(rng.uniform(-0.2, 0.2)) if turned else 0.0
        dx, dy = rng.uniform(-20, 20, 2) if turned else (0.0, 0.0)
        c, s = np.cos(turn), np.sin(turn)
        transforms.append(Transform(matrix=np.array([[c, -s, dx], [s, c, dy], [0, 0, 1]])))
    with open_executor(WORKERS) as pool:
        stack = stack_frames(
            paths,
            transforms,
            sets={"deep": np.ones(len(paths))},
            shape=shape,
            execution=Execution(executor=pool),
        )["deep"]
    write_stack(Path(paths[0]).with_name("stack.fits"), stack)
    return {"median": float(np.nanmedian(stack.data))}


def by_ccdproc(paths):
    import ccdproc
    from astropy import log
    from astropy.stats import mad_std

    log.setLevel("ERROR")
    stack = ccdproc.combine(
        paths,
        method="average",
        unit="adu",
        mem_limit=MEMORY_LIMIT,
        sigma_clip=True,
        sigma_clip_low_thresh=3,
        sigma_clip_high_thresh=3,
        sigma_clip_func=np.ma.median,
        sigma_clip_dev_func=mad_std,
        dtype=np.float32,
    )
    fits.writeto(Path(paths[0]).with_name("other.fits"), stack.data, overwrite=True)
    return {"median": float(np.nanmedian(stack.data))}


TASKS = {"framesort": by_framesort, "ccdproc": by_ccdproc}


def run(name, paths, shape):
    if name == "ccdproc":
        result = run_child(__file__, "ccdproc", paths=paths)
    else:
        result = run_child(__file__, "framesort", paths=paths, shape=shape, turned=name == "turned")
    if not 950 < result["said"]["median"] < 1100:  # the sky
        raise SystemExit(f"{name}: the stack's median is {result['said']['median']}, not the sky's")
    show({"framesort": "framesort, whole pixels", "turned": "framesort, resampled"}.get(name, name),
         result)  # fmt: skip
    return result


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--rows", type=int, default=1000)
    parser.add_argument("--columns", type=int, default=1500)
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--only", choices=["framesort", "turned", "ccdproc"])
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    shape = (options.rows, options.columns)
    print(machine())
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        about, made = folder / "frames.json", json.dumps([options.frames, *shape])
        if about.exists() and about.read_text() == made:
            paths = [str(path) for path in sorted(folder.glob("frame_*.fits"))]
        else:
            paths = make_frames(folder, options.frames, shape)
            about.write_text(made)
        pixels = options.frames * shape[0] * shape[1]
        write, read = disk_speed(folder)
        memory = memory_speed()
        print(
            f"{options.frames} frames of {shape[0] * shape[1] / 1e6:.1f} megapixels, "
            f"{2 * pixels / 1e9:.2f} GB; disk reads {read / 1e9:.2f} GB/s, writes "
            f"{write / 1e9:.2f} GB/s, so that reading takes {2 * pixels / read:.1f} s; one core "
            f"copies {memory / 1e9:.1f} GB/s, so that a pass over the resampled frames (float32, "
            f"written and read) takes {8 * pixels / memory / WORKERS:.1f} s of {WORKERS} cores"
        )
        names = [options.only] if options.only else ["framesort", "turned", "ccdproc"]
        kept = folder / "results.json"
        best = json.loads(kept.read_text()) if kept.exists() and options.only else {}
        for _ in range(options.repeats):
            for name in names:
                got = run(name, paths, shape)
                got = {key: got[key] for key in ("seconds", "core", "memory")}
                old = best.get(name)
                if old is None or options.only or got["seconds"] < old["seconds"]:
                    best[name] = got
        kept.write_text(json.dumps(best))
        for name, text in (("framesort", "whole pixels"), ("turned", "resampled")):
            if name in best:
                spent = best[name]["core"] / pixels * 1e9
                print(
                    f"{text}: {spent:.1f} ns of one core for each pixel of a frame, start included"
                )
            if name in best and "ccdproc" in best:
                show_ratio(text, best[name], best["ccdproc"], "ccdproc")


if __name__ == "__main__":
    if not serve_child(TASKS):
        sys.exit(main())
