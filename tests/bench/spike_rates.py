"""How often a spike is claimed where there is none, and found where there is one.

    python tests/bench/spike_rates.py [--frames N] [--kind KIND] [--seed S]

Draws N frames of each kind without a spike, and half as many with one of 3 % of the stars'
light, and prints: 3-sigma claims among those without, found among those with, strength over
what was drawn, rms error of the angle of spikes above 5 sigma. The table is that of
docs/stars.md. A script, not a test: 600 frames take some ten minutes.
"""

import argparse
import sys
import zlib
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "stars"))
from star_scenes import add_moffat, star_field

from framesort.simulation import simulate_stacks
from framesort.stars import measure_image

SPIKE = 0.03
SHARE = np.exp(-2 / 5) - np.exp(-6 / 5)
"""Of a drawn spike's light (exponential, 1/e at 5 FWHM) between 2 and 6 FWHM."""


def few(rng, **spike):
    """14 stars, of which about ten are bright enough."""
    return star_field(rng, shape=(300, 350), stars=14, low=4.0, fwhm=2.5, **spike)[0]


def some(rng, **spike):
    return star_field(rng, shape=(300, 350), stars=60, low=3.5, fwhm=2.5, **spike)[0]


def many(rng, **spike):
    return star_field(rng, shape=(700, 800), stars=300, low=3.3, **spike)[0]


def wide(rng, **spike):
    """FWHM 7."""
    return star_field(rng, shape=(700, 800), stars=90, low=4.0, fwhm=7.0, **spike)[0]


def trailed(rng, **spike):
    turn = rng.uniform(0, 180)
    return star_field(rng, shape=(500, 600), stars=100, low=3.8, ratio=0.6, turn=turn, **spike)[0]


def crowded(rng, **spike):
    """A star in 180 pixels."""
    return star_field(rng, shape=(400, 400), stars=900, low=3.3, **spike)[0]


def nebula(rng, spike=0.0, angle=62.0):
    """Few bright stars on bright nebulosity."""
    made = simulate_stacks(
        rng=int(rng.integers(1 << 30)),
        shape=(450, 600),
        count=400,
        nebula=400.0,
        spike=spike,
        spike_angle=angle,
    )
    return made.deep


def spoilt(rng, **spike):
    """Two satellites, a row of equal stars, full stars with bleeding columns."""
    image, truth = star_field(rng, stars=120, low=4.0, **spike)
    y, x = np.indices(image.shape)
    for _ in range(2):
        a, b = rng.uniform(-1, 1), rng.uniform(0, 600)
        image += rng.uniform(50, 500) * np.exp(-0.5 * ((y - a * x - b) / 1.6) ** 2)
    a, x0, y0 = rng.uniform(-0.5, 0.5), rng.uniform(20, 400), rng.uniform(200, 400)
    for k in range(14):
        add_moffat(image, x0 + 9.0 * k, y0 + 9.0 * a * k, 40000, 3.0)
    for px, py, _ in truth[np.argsort(-truth[:, 2])[:4]]:
        reach = int(rng.integers(20, 80))
        image[max(0, int(py) - reach) : int(py) + reach, round(px)] = 30000
    return np.minimum(image, 30000).astype(np.float32)


def comatic(rng, spike=0.0, angle=62.0):
    """Stars with a tail away from the middle, a third of their light in the corners."""
    shape, fwhm = (600, 700), 3.0
    image, truth = star_field(rng, shape=shape, stars=150, low=3.7, spike=spike, angle=angle)
    half = 0.5 * np.hypot(*shape)
    for px, py, flux in truth:
        u, v = (px - 350) / half, (py - 300) / half
        for k, share in ((1, 0.15), (2, 0.1), (3, 0.08)):
            light = flux * share * np.hypot(u, v)
            add_moffat(image, px + 1.3 * k * fwhm * u, py + 1.3 * k * fwhm * v, light, fwhm)
    return image


KINDS = (few, some, many, wide, trailed, crowded, nebula, spoilt, comatic)


def measure(draw, number: int, seed: int, spike: float):
    """Rows of significance, strength over the drawn one, error of the angle."""
    rows = []
    for k in range(number):
        rng = np.random.default_rng([seed, k, zlib.crc32(draw.__name__.encode()), int(spike > 0)])
        angle = rng.uniform(0, 180)
        got = measure_image(draw(rng, spike=spike, angle=angle))
        off = (got.spike_raw_angle - angle + 90) % 180 - 90
        strength = got.spike_raw / (SPIKE * SHARE)
        rows.append((got.spike_raw / got.spike_raw_err, strength, off, got.spike_raw_err))
    return np.array(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--kind", choices=[draw.__name__ for draw in KINDS])
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    print("| kind | false at 3 sigma | median | error | found at 3 sigma | strength | angle |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    false = total = 0
    for draw in KINDS:
        if chosen.kind not in (None, draw.__name__):
            continue
        none = measure(draw, chosen.frames, chosen.seed, 0.0)
        told = np.isfinite(none[:, 0])
        with_spike = measure(draw, chosen.frames // 2, chosen.seed, SPIKE)
        sure = with_spike[:, 0] > 5
        angle = np.sqrt(np.mean(with_spike[sure, 2] ** 2)) if sure.any() else np.nan
        claims = int(np.sum(none[told, 0] > 3))
        false, total = false + claims, total + int(told.sum())
        print(
            f"| {draw.__name__} | {claims} of {told.sum()} | {np.nanmedian(none[:, 0]):.2f} "
            f"| {np.nanmedian(none[:, 3]):.4f} | {np.mean(with_spike[:, 0] > 3):.2f} "
            f"| {np.nanmedian(with_spike[:, 1]):.2f} | {angle:.1f} |",
            flush=True,
        )
    print(f"false spikes: {false} of {total}")


if __name__ == "__main__":
    main()
