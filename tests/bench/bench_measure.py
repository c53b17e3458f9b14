"""Time to find and measure stars on one full-size frame, against sep and photutils.

    python tests/bench/bench_measure.py [--small]

A script, not a test: times depend on the machine, so ratios of one run are what counts.
"""

import argparse
import time

import numpy as np
import sep
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder

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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", action="store_true", help="2 megapixels instead of 26")
    parser.add_argument("--photutils", action="store_true", help="photutils too (slow)")
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


if __name__ == "__main__":
    main()
