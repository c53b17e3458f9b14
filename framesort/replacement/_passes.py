"""The loops over whole images, compiled. Arrays in, arrays changed in place."""

from typing import NamedTuple

import numpy as np
from numba import njit

from framesort.replacement._arrays import Image


class WideMean(NamedTuple):
    """Weighted mean of an image in blocks of `step` pixels, and the weight that it rests on."""

    mean: Image
    mass: Image
    step: int


@njit(cache=True, nogil=True)
def find_maxima(image, half, least, first, last, found):
    """Fill `found` with y, x of pixels above `least` and none of their neighbours above them."""
    ny, nx = image.shape
    n = 0
    for y in range(first, last):
        for x in range(nx):
            v = image[y, x]
            if not v > least:
                continue
            top = True
            for j in range(max(0, y - half), min(ny, y + half + 1)):
                for i in range(max(0, x - half), min(nx, x + half + 1)):
                    if image[j, i] > v:
                        top = False
                        break
                if not top:
                    break
            if top:
                if n < found.shape[0]:
                    found[n, 0] = y
                    found[n, 1] = x
                n += 1
    return n


@njit(cache=True, nogil=True)
def weigh_starless(image, model, saturated, eps, power, first, starless, weight):
    """Pixels less model, times their weight ``1 / (1 + (eps * model)**power)``, and the weight."""
    ny, nx = starless.shape
    for y in range(ny):
        for x in range(nx):
            value = image[first + y, x]
            if saturated[first + y, x] or not np.isfinite(value):
                starless[y, x] = 0.0
                weight[y, x] = 0.0
                continue
            light = model[first + y, x]
            lit = eps * light
            lit *= lit
            if power == 4:
                lit *= lit
            w = np.float32(1.0) / (np.float32(1.0) + lit)
            weight[y, x] = w
            starless[y, x] = (value - light) * w


@njit(cache=True, nogil=True)
def between(blocks, step, y, x):
    """Block means at a pixel, linearly between their centres."""
    ny, nx = blocks.shape
    v, u = (y + 0.5) / step - 0.5, (x + 0.5) / step - 0.5
    j, i = min(max(int(v), 0), max(ny - 2, 0)), min(max(int(u), 0), max(nx - 2, 0))
    k, m = min(j + 1, ny - 1), min(i + 1, nx - 1)
    b, a = min(max(v - j, 0.0), 1.0), min(max(u - i, 0.0), 1.0)
    return (1 - b) * ((1 - a) * blocks[j, i] + a * blocks[j, m]) + b * (
        (1 - a) * blocks[k, i] + a * blocks[k, m]
    )


@njit(cache=True, nogil=True)
def put_together(mean, mass, wide, wider, first, out):
    """Rows of the narrow mean, with the wide ones where it has too little weight."""
    ny, nx = out.shape
    for y in range(ny):
        for x in range(nx):
            m = mass[y, x]
            trust = min(5 * m, np.float32(1))
            value = trust * mean[y, x] / max(m, np.float32(1e-6))
            missing = 1 - trust
            if missing > 0:
                t = missing * min(5 * between(wide.mass, wide.step, first + y, x), 1.0)
                value += t * between(wide.mean, wide.step, first + y, x)
                missing -= t
            if missing > 0:
                t = missing * min(5 * between(wider.mass, wider.step, first + y, x), 1.0)
                value += t * between(wider.mean, wider.step, first + y, x)
            out[y, x] = value


@njit(cache=True, nogil=True)
def mean_blocks(image, step, out):
    """Means of blocks of `step` pixels a side; edge pixels are repeated."""
    ny, nx = image.shape
    for j in range(out.shape[0]):
        for i in range(out.shape[1]):
            total = np.float32(0)
            for y in range(j * step, (j + 1) * step):
                for x in range(i * step, (i + 1) * step):
                    total += image[min(y, ny - 1), min(x, nx - 1)]
            out[j, i] = total / (step * step)
