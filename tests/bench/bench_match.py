"""Random pairs of star lists: failures, errors and time, astroalign beside.

    python tests/bench/bench_match.py [PAIRS] [--seed N] [--no-astroalign]

Each pair: frames of random size (600 to 6000 px a side), 80 to 1500 real stars, any rotation,
scale 0.92 to 1.08, 30 % common area, a third of both lists false, 0.1 px centroid errors,
10 % flux errors. One pair in ten of the second run has no common area at all.
"""

import argparse
import sys
import time
from pathlib import Path

import astroalign
import numpy as np

from framesort.stars import match_star_lists

sys.path.insert(0, str(Path(__file__).parents[1] / "stars"))
from test_match import make_pair, random_pair, worst


def by_astroalign(source, target, common, matrix):
    """Seconds, and the largest error over the common stars or None for a failure."""
    begin = time.perf_counter()
    try:
        transform, _ = astroalign.find_transform(source, target)
    except (astroalign.MaxIterError, TypeError, ValueError):
        return time.perf_counter() - begin, None
    seconds = time.perf_counter() - begin
    true = common @ matrix[:2, :2].T + matrix[:2, 2]
    return seconds, np.hypot(*(transform(common) - true).T).max()


def by_framesort(source, target, common, matrix):
    begin = time.perf_counter()
    transform = match_star_lists(source, target)
    seconds = time.perf_counter() - begin
    return seconds, worst(transform, matrix, common) if transform else None


def summary(name, results):
    seconds = np.array([r[0] for r in results]) * 1e3
    errors = np.array([r[1] for r in results if r[1] is not None])
    good = errors[errors < 3]
    print(
        f"{name:12s} {len(results)} pairs: {len(results) - len(errors)} not matched, "
        f"{len(errors) - len(good)} wrong (over 3 px), worst error of a pair "
        f"median {np.median(good):.3f} px, largest {good.max():.3f} px; "
        f"time median {np.median(seconds):.1f} ms, 99 % {np.percentile(seconds, 99):.1f} ms"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("pairs", type=int, nargs="?", default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-astroalign", action="store_true")
    options = parser.parse_args()
    rng = np.random.default_rng(options.seed)
    ours, theirs = [], []
    for _ in range(options.pairs):
        source, target, matrix, common = random_pair(rng)
        ours.append(by_framesort(source, target, common, matrix))
        if not options.no_astroalign:
            theirs.append(by_astroalign(source, target, common, matrix))
    summary("framesort", ours)
    if theirs:
        summary("astroalign", theirs)
    false = 0
    count = max(options.pairs // 10, 1)
    for _ in range(count):
        one, two = random_pair(rng)[0], random_pair(rng)[1]
        false += bool(match_star_lists(one, two))
    print(f"framesort    {count} pairs of different skies: {false} matched")

    source, target, *_ = make_pair(
        rng, stars=2700, size=(6248, 4176), shift=(400, 250), rotation=180
    )
    for name, call in (
        ("framesort", lambda: match_star_lists(source, target)),
        ("astroalign", lambda: astroalign.find_transform(source, target)),
    ):
        call()
        begin = time.perf_counter()
        result = call()
        print(
            f"{name:12s} 26 megapixels, {len(source)} and {len(target)} stars, half a turn: "
            f"{(time.perf_counter() - begin) * 1e3:.1f} ms"
            + (f", residual {result.residual:.3f} px" if name == "framesort" else "")
        )


if __name__ == "__main__":
    main()
