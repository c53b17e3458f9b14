"""Time to find and measure stars on one full-size frame, against sep and photutils.

    python tests/bench/bench_measure.py [--small] [--photutils] [--fz]

With --fz the same frame is then measured from files, reading and digest included: plain FITS and
tile-compressed without loss, each in a process of its own; with the peak of its memory beyond
what it held before.

A script, not a test: times depend on the machine, so ratios of one run are what counts.
"""

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from tools import run_child, serve_child

from framesort.quality import measure_frames
from framesort.stars import find_stars, measure_image


def draw(shape: tuple[int, int], stars: int, rng: np.random.Generator) -> np.ndarray:
    """Moffat stars of FWHM 3.2, index 3, on noise of 20 ADU."""
    image = rng.normal(1000, 20, shape).astype(np.float32)
    y, x = np.mgrid[-25:26, -25:26]
    a = 3.2 / (2 * np.sqrt(2 ** (1 / 3) - 1))
    for _ in range(stars):
        px, py = rng.uniform(30, shape[1] - 31), rng.uniform(30, shape[0] - 31)
        flux = min(10 ** (3.2 + rng.exponential(0.5)), 2e6)
        i, j = int(px), int(py)
        light = (1 + ((x - (px - i)) ** 2 + (y - (py - j)) ** 2) / a**2) ** -3
        image[j - 25 : j + 26, i - 25 : i + 26] += flux * 2 / (np.pi * a * a) * light
    return image


def with_sep(image: np.ndarray) -> int:
    background = sep.Background(image, bw=64, bh=64)
    return len(sep.extract(image - background.back(), 5, err=background.rms()))


def with_photutils(image: np.ndarray) -> int:
    background = Background2D(image, 64, bkg_estimator=MedianBackground())
    finder = DAOStarFinder(5 * background.background_rms_median, 3.2)
    return len(finder(image - background.background))


def best_time(function, image: np.ndarray, rounds: int) -> tuple[float, int]:
    """Shortest processor time of several calls, after one that compiles."""
    found = function(image)
    times = []
    for _ in range(rounds):
        begin = time.process_time()
        function(image)
        times.append(time.process_time() - begin)
    return min(times), found


def held(name: str) -> float:
    """What this process holds (VmRSS) or held at most (VmHWM), MiB."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(name)) / 1024


def measure_file(path: str) -> dict[str, float]:
    """In a child: best time of three, peak of memory, stars found."""
    measure_image(np.random.default_rng(1).normal(100, 5, (300, 300)).astype(np.float32))
    before = held("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # the peak begins here
    times = []
    for _ in range(3):
        begin = time.process_time()
        with tempfile.TemporaryDirectory() as cache:
            (quality,) = measure_frames([path], cache=cache)
        times.append(time.process_time() - begin)
    return {"seconds": min(times), "memory": held("VmHWM") - before, "stars": quality.stars}


def compare_files(image: np.ndarray) -> None:
    """The frame as plain FITS and tile-compressed."""
    pixels = np.clip(np.round(image), 0, 65535).astype(np.uint16)
    with tempfile.TemporaryDirectory() as folder:
        paths = [Path(folder) / "frame.fits", Path(folder) / "frame.fits.fz"]
        fits.writeto(paths[0], pixels)
        packed = fits.CompImageHDU(pixels, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), packed]).writeto(paths[1])
        for path in paths:
            said = run_child(__file__, "measure_file", path=str(path))["said"]
            print(
                f"measure_frames: {path.name:16s} {path.stat().st_size / 1e6:6.1f} MB "
                f"{said['seconds']:6.2f} s {said['memory']:6.0f} MiB  {said['stars']} stars"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="2 megapixels instead of 26")
    parser.add_argument("--photutils", action="store_true", help="photutils too (slow)")
    parser.add_argument("--fz", action="store_true", help="from plain and compressed files too")
    chosen = parser.parse_args()
    shape, stars = ((1044, 1562), 250) if chosen.small else ((4176, 6248), 4000)
    image = draw(shape, stars, np.random.default_rng(1))
    begin = time.process_time()
    find_stars(image[:300, :300])
    print(f"first call (compiles where nothing is cached): {time.process_time() - begin:.2f} s")
    rows = [
        ("sep: background, extract", with_sep),
        ("framesort: find_stars", lambda pixels: len(find_stars(pixels))),
        ("framesort: measure_image", lambda pixels: measure_image(pixels).stars),
    ]
    if chosen.photutils:
        rows.append(("photutils: Background2D, DAOStarFinder", with_photutils))
    reference = None
    for name, function in rows:
        seconds, found = best_time(function, image, 3)
        reference = reference or seconds
        print(f"{name:42s} {seconds:6.2f} s  {seconds / reference:5.2f} x sep  {found} stars")
    if chosen.fz:
        compare_files(image)


if __name__ == "__main__" and not serve_child({"measure_file": measure_file}):
    main()
