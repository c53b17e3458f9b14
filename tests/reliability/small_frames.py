"""A few small frames with stars, made once, and the means to spoil them."""

from pathlib import Path

import numpy as np
from astropy.io import fits

SIZE = (120, 160)


def draw_frame(seed: int, *, width: float = 1.3, field: int = 1) -> np.ndarray:
    """Sky, noise and forty round stars at places that depend on the field, not on the seed."""
    places = np.random.default_rng(field)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]].astype(float)
    image = np.full(SIZE, 400.0)
    for _ in range(40):
        at, to, flux = places.uniform(8, 152), places.uniform(8, 112), 10 ** places.uniform(3, 4.5)
        image += (
            flux
            / (2 * np.pi * width**2)
            * np.exp(-((x - at) ** 2 + (y - to) ** 2) / (2 * width**2))
        )
    return image + np.random.default_rng(seed).normal(0, 8, SIZE)


def write_frame(path: Path, data: np.ndarray, *, checksum: bool = False, **cards: object) -> Path:
    """A frame with the cards that a night needs."""
    number = sum(map(ord, path.stem)) % 50
    header = fits.Header(
        {"DATE-OBS": f"2026-02-11T20:{number:02d}:00", "EXPTIME": 60.0, "FILTER": "L"}
    )
    header.update(cards)
    fits.PrimaryHDU(data, header).writeto(path, checksum=checksum)
    return path
