"""Time and memory of a star replacement and its self-check on a large simulated picture.

    python tests/bench/bench_replace.py [--width 6240] [--height 4160] [--stars 20000]

Prints for both seconds of wall clock and of processor, and the most memory in use during the call
beyond what was in use before the first (the two stacks are not counted; the pictures that are
returned are), in float32 images of that size. Run once before on a small picture, so that the
kernels are compiled.
"""

import argparse
import threading
import time
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter, zoom

from framesort.replacement import measure_replacement, replace_stars
from framesort.replacement._kernels import add_stars
from framesort.replacement._profile import moffat_profile

NOISE = (2.5, 6.0)


def draw(shape, x, y, flux, width, beta):
    """Round stars, drawn out to where they add a tenth of the noise of a pixel."""
    image = np.zeros(shape, np.float32)
    profile = moffat_profile(width, beta)
    q = np.full(len(x), 1 / width)
    radius = profile.radius(flux, q, 0.1)
    stars = (x, y, flux, q, radius, np.zeros(len(x)))
    add_stars(image, 0, len(image), *stars, profile.tables)
    return image


def make_stacks(shape, stars, rng):
    """Deep and sharp stack of one field."""
    small = rng.normal(size=(shape[0] // 16 + 2, shape[1] // 16 + 2))
    cloud = gaussian_filter(small, 3)
    cloud = zoom((cloud / cloud.std()).astype(np.float32), 16, order=1)[: shape[0], : shape[1]]
    x, y = rng.uniform(0, shape[1] - 1, stars), rng.uniform(0, shape[0] - 1, stars)
    flux = 10 ** np.minimum(2.6 + rng.exponential(0.6, stars), 6.3)
    out = []
    for width, beta, noise, depth in ((4.4, 2.8, NOISE[0], 60), (3.2, 3.0, NOISE[1], 10)):
        light = draw(shape, x, y, flux, width, beta)
        image = light + 300 + 20 * cloud
        for j in range(0, shape[0], 256):
            part = image[j : j + 256]
            spread = np.sqrt(noise**2 + np.maximum(light[j : j + 256], 0) / depth)
            part += spread * rng.standard_normal(part.shape, dtype=np.float32)
        out.append(image.astype(np.float32))
    return out


def used_memory():
    """Resident memory of this process in bytes."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) * 1024
    raise OSError("no VmRSS in /proc/self/status")


class Peak(threading.Thread):
    """The most resident memory seen, looked at fifty times a second."""

    def __init__(self):
        super().__init__(daemon=True)
        self.most = 0
        self.done = threading.Event()

    def run(self):
        """Look until told to stop."""
        while not self.done.wait(0.02):
            self.most = max(self.most, used_memory())


def measured(work):
    """What a call gives, its seconds by the clock and of the processor, and the most memory."""
    watch = Peak()
    watch.start()
    wall, core = time.perf_counter(), time.process_time()
    result = work()
    wall, core = time.perf_counter() - wall, time.process_time() - core
    watch.done.set()
    watch.join()
    return result, wall, core, watch.most


def main():
    """Print a line for the replacement and one for its self-check."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=6240)
    parser.add_argument("--height", type=int, default=4160)
    parser.add_argument("--stars", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    shape = (args.height, args.width)
    small = make_stacks((300, 320), 80, np.random.default_rng(0))
    measure_replacement(replace_stars(*small), *small)
    deep, sharp = make_stacks(shape, args.stars, np.random.default_rng(args.seed))
    before = used_memory()
    pixels = shape[0] * shape[1]
    result, *spent = measured(lambda: replace_stars(deep, sharp))
    _, *checked = measured(lambda: measure_replacement(result, deep, sharp))
    print(f"{pixels / 1e6:.1f} Mpx, {args.stars} stars drawn, {len(result.table)} found")
    for name, (wall, core, most) in (("replacement", spent), ("self-check", checked)):
        images = (most - before) / 4 / pixels
        print(f"{name}: {wall:.1f} s, {core:.1f} s of processor, {images:.1f} float32 images")


if __name__ == "__main__":
    main()
