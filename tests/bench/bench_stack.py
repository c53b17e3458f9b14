"""Stacking and resampling: time and peak memory, ccdproc, reproject and scikit-image beside.

    python tests/bench/bench_stack.py [--frames 12] [--rows 1000] [--columns 1500] [--folder DIR]

Makes frames (16 bit, noise, stars, a few hot pixels), then runs each way in a process of its
own, one after the other: this library with dithered and turned frames, this library and
`ccdproc.combine` (median and MAD clipping at 3 sigma, then the mean) with frames that need no
resampling. Full size: ``--frames 40 --rows 4176 --columns 6248`` writes 2 GB.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

MEMORY_LIMIT = 2e9  # what ccdproc.combine is allowed


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


def run_framesort(paths, shape, turned):
    from framesort.records import Transform
    from framesort.stacking import stack_frames
    from framesort.workers import open_executor

    rng = np.random.default_rng(2)
    transforms = []
    for _ in paths:
        turn = np.deg2rad(rng.uniform(-0.2, 0.2)) if turned else 0.0
        dx, dy = rng.uniform(-20, 20, 2) if turned else (0.0, 0.0)
        c, s = np.cos(turn), np.sin(turn)
        transforms.append(Transform(matrix=np.array([[c, -s, dx], [s, c, dy], [0, 0, 1]])))
    with open_executor(2) as pool:
        stack = stack_frames(
            paths, transforms, sets={"deep": np.ones(len(paths))}, shape=shape, executor=pool
        )["deep"]
    return stack.data


def run_ccdproc(paths):
    import ccdproc

    return ccdproc.combine(
        paths,
        method="average",
        unit="adu",
        mem_limit=MEMORY_LIMIT,
        sigma_clip=True,
        sigma_clip_low_thresh=3,
        sigma_clip_high_thresh=3,
        sigma_clip_func=np.ma.median,
        sigma_clip_dev_func=__import__("astropy.stats", fromlist=["mad_std"]).mad_std,
        dtype=np.float32,
    ).data


def run_resample(name, paths):
    from astropy.wcs import WCS

    image = fits.getdata(paths[0]).astype(np.float32)
    turn = np.deg2rad(0.15)
    matrix = np.array([[np.cos(turn), -np.sin(turn), 3.3], [np.sin(turn), np.cos(turn), -2.7]])
    matrix = np.vstack([matrix, [0, 0, 1]])
    back = np.linalg.inv(matrix)
    if name.startswith("framesort"):
        from framesort.records import Transform
        from framesort.stacking import resample_image

        kernel = name.split()[1]
        resample_image(image[:64], Transform(matrix=matrix), (64, image.shape[1]), kernel=kernel)
        begin = time.perf_counter()
        resample_image(image, Transform(matrix=matrix), image.shape, kernel=kernel)
    elif name.startswith("warp"):
        from skimage.transform import ProjectiveTransform, warp

        begin = time.perf_counter()
        warp(image, ProjectiveTransform(back), order=int(name.split()[1]), preserve_range=True)
    else:
        from reproject import reproject_interp

        frame, grid = WCS(naxis=2), WCS(naxis=2)
        for wcs in (frame, grid):
            wcs.wcs.crpix, wcs.wcs.cdelt = [1, 1], [1, 1]
        grid.wcs.pc, grid.wcs.crval = back[:2, :2], back[:2, 2]
        begin = time.perf_counter()
        order = {"1": "bilinear", "3": "bicubic"}[name.split()[1]]
        reproject_interp((image, frame), grid, shape_out=image.shape, order=order)
    return time.perf_counter() - begin


def child(task, paths, shape):
    """Run one way in this process and print seconds and peak memory as JSON."""
    begin = time.perf_counter()
    if task.startswith("resample "):
        seconds = run_resample(task.removeprefix("resample "), paths)
    else:
        if task == "ccdproc":
            data = run_ccdproc(paths)
        else:
            data = run_framesort(paths, shape, task == "framesort turned")
        assert abs(np.nanmedian(data) - 1000) < 5
        seconds = time.perf_counter() - begin
    print(json.dumps({"seconds": seconds}))


def look_at_tree(root):
    """MiB that a process and its descendants hold, shared pages once; core seconds of each.

    From /proc, so Linux only.
    """
    parents, seconds = {}, {}
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            fields = (entry / "stat").read_text().rsplit(")")[-1].split()
        except OSError:
            continue
        parents[int(entry.name)] = int(fields[1])
        seconds[int(entry.name)] = (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    family, total = {root}, 0
    for _ in range(4):
        family |= {pid for pid, parent in parents.items() if parent in family}
    for pid in family:
        try:
            lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        except OSError:
            continue
        total += sum(int(line.split()[1]) for line in lines if line.startswith("Pss:"))
    return total / 1024, {pid: seconds[pid] for pid in family if pid in seconds}


def measure(task, paths, shape):
    """Run a task in a process of its own; seconds, and peak memory looked at every 50 ms."""
    request = json.dumps({"task": task, "paths": paths, "shape": shape})
    with subprocess.Popen(
        [sys.executable, __file__, "--child", "-"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        process.stdin.write(request)
        process.stdin.close()
        peak, spent = 0.0, {}
        while process.poll() is None:
            memory, seconds = look_at_tree(process.pid)
            peak = max(peak, memory)
            spent |= seconds
            time.sleep(0.05)
        output = process.stdout.read()
    if process.returncode:
        raise SystemExit(f"{task} failed")
    return {
        **json.loads(output.strip().splitlines()[-1]),
        "memory": peak,
        "core": sum(spent.values()),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=12)
    parser.add_argument("--rows", type=int, default=1000)
    parser.add_argument("--columns", type=int, default=1500)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--child", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        request = json.load(sys.stdin)
        child(request["task"], request["paths"], tuple(request["shape"]))
        return
    shape = (options.rows, options.columns)
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        paths = make_frames(Path(folder), options.frames, shape)
        result = {}
        print(f"{options.frames} frames of {options.rows * options.columns / 1e6:.1f} megapixels")
        for task in ("framesort", "framesort turned", "ccdproc"):
            got = result[task] = measure(task, paths, shape)
            print(
                f"{task:18s} {got['seconds']:7.1f} s, {got['core']:7.1f} core seconds, "
                f"peak memory {got['memory']:6.0f} MiB in all"
            )
        for task in ("framesort", "framesort turned"):
            print(
                f"{task:18s} {result['ccdproc']['seconds'] / result[task]['seconds']:.1f} times as "
                f"fast as ccdproc, {result['ccdproc']['core'] / result[task]['core']:.1f} times by "
                f"core seconds, with {result[task]['memory'] / result['ccdproc']['memory']:.2f} of "
                "its memory"
            )
        for name in (
            "framesort linear", "framesort cubic", "framesort lanczos3", "warp 1", "warp 3",
            "reproject_interp 1", "reproject_interp 3",
        ):  # fmt: skip
            got = measure(f"resample {name}", paths[:1], shape)
            print(
                f"resample {name:20s} {got['seconds'] / (shape[0] * shape[1]) * 1e9:7.1f} ns/pixel"
            )


if __name__ == "__main__":
    main()
