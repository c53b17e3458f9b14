"""Pairs of small stacks spoilt by chance: every seed gives the same pair and options."""

from typing import Any

import numpy as np

from framesort.simulation import simulate_stacks

_PAIR = simulate_stacks(rng=31, shape=(150, 190), count=70)
_OTHER = simulate_stacks(rng=32, shape=(150, 190), count=70)


def _spoil(image: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    image = image.copy()
    for kind in rng.choice(9, size=rng.integers(0, 4), replace=False):
        ny, nx = image.shape
        if kind == 0:  # crop
            y, x = rng.integers(0, ny // 2), rng.integers(0, nx // 2)
            image = image[y : y + rng.integers(12, ny), x : x + rng.integers(12, nx)].copy()
        elif kind == 1:
            image *= np.float32(10.0 ** rng.uniform(-20, 20))
        elif kind == 2:
            image += np.float32(rng.normal(0, 2000))
        elif kind == 3:
            image = image[:: rng.choice([1, -1]), :: rng.choice([1, -1])].copy()
        elif kind == 4:  # hot pixels
            n = int(rng.integers(1, 400))
            image[rng.integers(0, ny, n), rng.integers(0, nx, n)] += np.float32(
                rng.uniform(1, 1000) * np.nanmax(np.abs(image)) / 100
            )
        elif kind == 5:  # a block of zeros or of nothing
            y, x = rng.integers(0, ny), rng.integers(0, nx)
            block = np.s_[y : y + rng.integers(1, ny), x : x + rng.integers(1, nx)]
            image[block] = rng.choice([0, np.nan])
        elif kind == 6:
            image = np.roll(image, rng.integers(-12, 13, 2), (0, 1))
        elif kind == 7:
            image = np.round(image)
        else:  # noise that hides most stars
            image += rng.normal(0, 10 ** rng.uniform(0, 3), image.shape).astype(np.float32)
    return image


def spoilt_pair(seed: int) -> tuple[np.ndarray, np.ndarray, dict[str, Any]]:
    """Deep stack, sharp stack, and options of `framesort.night.swap_images`."""
    rng = np.random.default_rng(seed)
    deep = _spoil(_PAIR.deep, rng)
    sharp = _spoil(_OTHER.sharp if rng.random() < 0.15 else _PAIR.sharp, rng)
    if rng.random() < 0.1:
        deep, sharp = sharp, deep
    return deep, sharp, {"aligned": bool(rng.random() < 0.5)}
