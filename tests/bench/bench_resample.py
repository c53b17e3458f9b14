"""Resampling one image: this library, scikit-image's warp and reproject_interp.

    python tests/bench/bench_resample.py [--rows 1000] [--columns 1500] [--repeats 3]

One core each, in one process, in turn; the image is turned by 0.15 degree and shifted. Printed is
the shortest processor time. Full size: ``--rows 4176 --columns 6248``.
"""

import argparse
import time

import numpy as np
from astropy.wcs import WCS
from reproject import reproject_interp
from skimage.transform import ProjectiveTransform, warp
from tools import machine

from framesort.records import Transform
from framesort.stacking import resample_image


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1000)
    parser.add_argument("--columns", type=int, default=1500)
    parser.add_argument("--repeats", type=int, default=3)
    options = parser.parse_args()
    print(machine())
    rng = np.random.default_rng(1)
    shape = (options.rows, options.columns)
    image = rng.normal(1000, 20, shape).astype(np.float32)
    turn = np.deg2rad(0.15)
    matrix = np.eye(3)
    matrix[:2] = [[np.cos(turn), -np.sin(turn), 3.3], [np.sin(turn), np.cos(turn), -2.7]]
    back = np.linalg.inv(matrix)
    frame, grid = WCS(naxis=2), WCS(naxis=2)
    for wcs in (frame, grid):
        wcs.wcs.crpix, wcs.wcs.cdelt = [1, 1], [1, 1]
    grid.wcs.pc, grid.wcs.crval = back[:2, :2], back[:2, 2]
    ways = {}
    for kernel in ("linear", "cubic", "lanczos3"):
        ways[f"framesort {kernel}"] = lambda k=kernel: resample_image(
            image, Transform(matrix=matrix), shape, kernel=k
        )
    for order, name in ((1, "bilinear"), (3, "bicubic")):
        ways[f"scikit-image warp, {name}"] = lambda o=order: warp(
            image, ProjectiveTransform(back), order=o, preserve_range=True
        )
        ways[f"reproject_interp, {name}"] = lambda o=name: reproject_interp(
            (image, frame), grid, shape_out=shape, order=o
        )
    resample_image(image[:64], Transform(matrix=matrix), shape)  # compiled, or loaded
    best = dict.fromkeys(ways, np.inf)
    for _ in range(options.repeats):
        for name, way in ways.items():
            begin = time.process_time()
            way()
            best[name] = min(best[name], time.process_time() - begin)
    for name, seconds in best.items():
        print(f"{name:28s} {seconds / image.size * 1e9:8.1f} ns a pixel")


if __name__ == "__main__":
    main()
