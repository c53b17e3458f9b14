"""Smooth means and structure at places only, where those of whole images are not needed."""

from typing import Any

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._arrays import Array, Floats, Image
from framesort.workers import run_bands

__all__ = ["humps_at", "structure_at"]


def _gaussian(sigma: float) -> Floats:
    """Half a Gaussian of sum 1, from its middle to four standard deviations."""
    line = np.exp(-0.5 * (np.arange(int(4 * sigma + 0.5) + 1) / sigma) ** 2)
    return np.asarray(line / (2 * line.sum() - line[0]))


@part()
def _inside(index: Any, size: Any) -> Any:
    index %= 2 * size
    return index if index < size else 2 * size - 1 - index


@loop()
def _humps(
    deep: Any, model: Any, full: Any, sky: Any, level: Any, scale: Any, row: Any, column: Any,
    near: Any, wide: Any, out: Any,
) -> Any:  # fmt: skip
    ny, nx = deep.shape
    close, far = len(near) - 1, len(wide) - 1
    for k in range(len(row)):
        total = 0.0
        for v in range(-far, far + 1):
            j = _inside(row[k] + v, ny)
            for u in range(-far, far + 1):
                i = _inside(column[k] + u, nx)
                weight = -wide[abs(v)] * wide[abs(u)]
                if abs(v) <= close and abs(u) <= close:
                    weight += near[abs(v)] * near[abs(u)]
                light = deep[j, i] - model[j, i]
                if full[j, i] or not np.isfinite(light):
                    light = scale * sky[j, i] + level[k]
                total += weight * light
        out[k] = total


@loop()
def _structure(sky: Any, row: Any, column: Any, half: Any, kernel: Any, out: Any) -> Any:
    ny, nx = sky.shape
    far = len(kernel) - 1
    line = np.empty((2 * half + 1 + 2 * far, 2 * half + 1))
    part = np.empty(2 * half + 1 + 2 * far)
    for k in range(len(row)):
        for v in range(-half - far, half + far + 1):
            j = _inside(row[k] + v, ny)
            for u in range(len(part)):
                part[u] = sky[j, _inside(column[k] + u - half - far, nx)]
            for u in range(2 * half + 1):
                mean = kernel[0] * part[u + far]
                for m in range(1, far + 1):
                    mean += kernel[m] * (part[u + far - m] + part[u + far + m])
                line[v + half + far, u] = mean
        most = -np.inf
        for v in range(-half, half + 1):
            for u in range(-half, half + 1):
                j, i = row[k] + v, column[k] + u
                if 0 <= j < ny and 0 <= i < nx:
                    mean = 0.0
                    for m in range(-far, far + 1):
                        mean += kernel[abs(m)] * line[v + half + far + m, u + half]
                    most = max(most, sky[j, i] - mean)
        out[k] = most


def humps_at(
    images: tuple[Image, Image, Array, Image],
    level: Array,
    scale: float,
    places: tuple[Array, Array],
    width: float,
) -> Floats:
    """Gaussian mean of a starless image less a mean of 2.2 times its width, at some pixels.

    Parameters
    ----------
    images : tuple of ndarray
        The deep stack, its star light, where it is saturated, and the sky. Where the deep stack is
        saturated or has no data, `scale` times the sky and `level` stand in for it.
    level : (n,) float32 ndarray
        Smooth level at the pixels.
    scale : float
    places : tuple of (n,) int ndarray
        Rows and columns.
    width : float
        Standard deviation, pixels.
    """
    row, column = places
    out = np.zeros(len(row))
    near, wide = _gaussian(width), _gaussian(2.2 * width)
    run_bands(
        lambda first, last: _humps(
            *images,
            level[first:last],
            scale,
            row[first:last],
            column[first:last],
            near,
            wide,
            out[first:last],
        ),
        len(row),
        band=256,
    )
    return out


def structure_at(image: Image, places: tuple[Array, Array], size: int, width: float) -> Floats:
    """Most of an image less its Gaussian mean of a width in a square of `size` around some pixels.

    `places` are rows and columns, `size` is odd.
    """
    row, column = places
    out = np.zeros(len(row))
    kernel = _gaussian(width)
    run_bands(
        lambda first, last: _structure(
            image, row[first:last], column[first:last], size // 2, kernel, out[first:last]
        ),
        len(row),
        band=256,
    )
    return out
