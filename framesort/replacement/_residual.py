"""The residual: result less scaled sharp stack, and the worst stars."""

import numpy as np
from astropy.table import Table

from framesort.replacement._arrays import Array, Floats, Image
from framesort.replacement._smooth import sample_noise
from framesort.stars import subtract_background
from framesort.workers import core_count, run_bands

__all__ = ["cut_around", "make_residual", "rank_residuals"]

BOX, BAND = 64, 64
"""Pixels a side of the boxes of the smooth level; rows worked on at a time."""

TOLERANCE = 0.02
"""Share of a star's light that may differ."""


def make_residual(final: Image, sharp: Image, light: Image, scale: float) -> Image:
    """Result less scaled sharp stack and a smooth level, in units of what may be expected.

    That is the noise of the difference, and 2 % of the star `light` in the result. NaN where either
    has no data.
    """
    rest = np.empty(final.shape, np.float32)

    def subtract(first: int, last: int) -> None:
        rest[first:last] = final[first:last] - np.float32(scale) * sharp[first:last]

    run_bands(subtract, len(rest), band=BAND)
    noise = np.float32(max(sample_noise(rest, BOX), 1e-12))
    subtract_background(rest, box=BOX, threads=core_count(), out=rest)

    def divide(first: int, last: int) -> None:
        rest[first:last] /= np.hypot(noise, np.float32(TOLERANCE) * light[first:last])

    run_bands(divide, len(rest), band=BAND)
    return rest


def rank_residuals(residual: Array, rows: Table, width: float) -> Floats:
    """Rms of the residual within about 1.5 widths of each star, NaN without data."""
    half = max(3, int(3 * width) | 1) // 2
    x, y = (np.round(np.asarray(rows[name], float)).astype(int) for name in ("x", "y"))
    power, count = np.zeros(len(x)), np.zeros(len(x))
    for dy in range(-half, half + 1):
        for dx in range(-half, half + 1):
            j, i = y + dy, x + dx
            inside = (j >= 0) & (i >= 0) & (j < residual.shape[0]) & (i < residual.shape[1])
            value = np.where(
                inside, residual[np.where(inside, j, 0), np.where(inside, i, 0)], np.nan
            )
            count += np.isfinite(value)
            power += np.nan_to_num(value.astype(float)) ** 2
    seen = count > 0.05 * (2 * half + 1) ** 2
    return np.where(seen, np.sqrt(power / np.where(seen, count, 1)), np.nan)


def cut_around(images: list[Array], rows: Table, half: int) -> Image:
    """Cut-outs, (star, image, 2 half + 1, 2 half + 1); NaN beyond the pictures' edges."""
    out = np.full((len(rows), len(images), 2 * half + 1, 2 * half + 1), np.nan, np.float32)
    for k, row in enumerate(rows):
        j, i = round(float(row["y"])), round(float(row["x"]))
        for m, image in enumerate(images):
            ny, nx = image.shape
            y0, y1 = max(0, j - half), min(ny, j + half + 1)
            x0, x1 = max(0, i - half), min(nx, i + half + 1)
            if y1 > y0 and x1 > x0:
                target = out[k, m, y0 - j + half : y1 - j + half, x0 - i + half : x1 - i + half]
                target[...] = image[y0:y1, x0:x1]
    return out
