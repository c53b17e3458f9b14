"""The loops over whole images, compiled. Arrays in, arrays changed in place."""

from typing import NamedTuple

import numpy as np

from framesort.compiled import loop, part
from framesort.replacement._arrays import Image


class WideMean(NamedTuple):
    """Weighted mean of an image in blocks of `step` pixels, and the weight that it rests on."""

    mean: Image
    mass: Image
    step: int


@loop()
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


@part()
def _weigh_row(pixels, lights, full, eps, power, starless, weight):
    for x in range(len(pixels)):
        lit = eps * lights[x]
        lit *= lit
        if power == 4:
            lit *= lit
        w = np.float32(1.0) / (np.float32(1.0) + lit)
        value = pixels[x] - lights[x]
        # A NaN or an infinite number less itself is not 0.
        known = (value - value == np.float32(0)) & (not full[x])
        weight[x] = w if known else np.float32(0)
        starless[x] = value * w if known else np.float32(0)


@loop()
def weigh_starless(image, model, saturated, eps, power, first, starless, weight):
    """Pixels less model, times their weight ``1 / (1 + (eps * model)**power)``, and the weight."""
    for y in range(len(starless)):
        j = first + y
        _weigh_row(image[j], model[j], saturated[j], eps, power, starless[y], weight[y])


@part()
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


@loop()
def put_together(mean, mass, factor, wide, wider, first, last, out):
    """Rows of the narrow mean, with the wide ones where it has too little weight.

    One value for a block of `factor` pixels.
    """
    nx = mean.shape[1]
    for y in range(first, last):
        for x in range(nx):
            m = mass[y, x]
            trust = min(5 * m, np.float32(1))
            value = trust * mean[y, x] / max(m, np.float32(1e-6))
            missing = 1 - trust
            if missing > 0:
                v, u = (y + 0.5) * factor - 0.5, (x + 0.5) * factor - 0.5
                t = missing * min(5 * between(wide.mass, wide.step, v, u), 1.0)
                value += t * between(wide.mean, wide.step, v, u)
                missing -= t
                if missing > 0:
                    t = missing * min(5 * between(wider.mass, wider.step, v, u), 1.0)
                    value += t * between(wider.mean, wider.step, v, u)
            out[y, x] = value


@part()
def _block_row(blocks, step, y, line):
    """Block means at a row of pixels, linearly between the rows of their centres."""
    ny, nx = blocks.shape
    v = (y + 0.5) / step - 0.5
    j = min(max(int(v), 0), max(ny - 2, 0))
    b = np.float32(min(max(v - j, 0.0), 1.0))
    low, high = blocks[j], blocks[min(j + 1, ny - 1)]
    for i in range(nx):
        line[i] = low[i] + b * (high[i] - low[i])


@part()
def _spread_row(line, step, out):
    """A row of pixels from block means, linearly between the centres of blocks."""
    blocks, nx = len(line), len(out)
    if step == 2 and blocks > 1:
        out[0] = line[0]
        after, new = line[1:], out[1:]
        for i in range((nx - 1) // 2):
            bend = np.float32(0.25) * (after[i] - line[i])
            new[2 * i] = line[i] + bend
            new[2 * i + 1] = after[i] - bend
        if nx % 2 == 0:
            out[nx - 1] = line[blocks - 1]
        return
    for i in range(blocks - 1):
        start = i * step + step // 2 if i else 0
        stop = (i + 1) * step + step // 2 if i < blocks - 2 else nx
        for x in range(start, min(stop, nx)):
            a = (np.float32(x) + np.float32(0.5)) / np.float32(step) - np.float32(0.5 + i)
            out[x] = line[i] + min(max(a, np.float32(0)), np.float32(1)) * (line[i + 1] - line[i])
    if blocks == 1:
        out[:] = line[0]


@loop()
def spread_blocks(blocks, step, first, out):
    """Rows of pixels from block means, from row `first` on, linearly between blocks."""
    line = np.empty(blocks.shape[1], np.float32)
    for y in range(out.shape[0]):
        _block_row(blocks, step, first + y, line)
        _spread_row(line, step, out[y])


@loop()
def fill_starless(
    image, model, saturated, eps, power, blocks, step, noise, first, left, starless, deviation
):
    """Pixels less model, with the smooth level as far as weight is missing; and their noise.

    Of rows from `first` and columns from `left` on, as many as `starless` has.

    The weight is that of `weigh_starless`, the level is given as means of blocks, `noise` is
    (constant, slope, least) of the variance at a level. What is filled in is a mean: it has less
    noise, and none of its own.
    """
    ny, nx = starless.shape
    right = left + nx
    constant, slope, least = noise
    line, whole = np.empty(blocks.shape[1], np.float32), np.empty(image.shape[1], np.float32)
    for y in range(ny):
        _block_row(blocks, step, first + y, line)
        _spread_row(line, step, whole)
        level = whole[left:right]
        new, error = starless[y], deviation[y]
        j = first + y
        pixels, lights, full = image[j][left:right], model[j][left:right], saturated[j][left:right]
        _weigh_row(pixels, lights, full, eps, power, new, error)
        for x in range(nx):
            w = error[x]
            new[x] += (np.float32(1) - w) * level[x]
            variance = constant + slope * level[x]
            variance = variance if variance > least else least
            error[x] = np.sqrt(variance * (w if w > np.float32(0.05) else np.float32(0.05)))


@loop()
def mean_blocks(image, step, out):
    """Means of blocks of `step` pixels a side; edge pixels are repeated."""
    ny, nx = image.shape
    blocks = out.shape[1]
    line = np.empty(blocks * step, np.float32)
    share = np.float32(1) / np.float32(step * step)
    for j in range(out.shape[0]):
        line[:] = 0
        for k in range(step):
            row = image[min(j * step + k, ny - 1)]
            for x in range(nx):
                line[x] += row[x]
        for x in range(nx, blocks * step):
            line[x] = line[nx - 1]
        new = out[j]
        if step == 2:
            for i in range(blocks):
                new[i] = share * (line[2 * i] + line[2 * i + 1])
        else:
            for i in range(blocks):
                total = np.float32(0)
                for k in range(step):
                    total += line[i * step + k]
                new[i] = share * total


@loop()
def compare_rows(deep, model, offset, nebula, full, factors, level, structure, rest):
    """What the deep stack leaves of ``scale * nebula`` in some rows, 0 where not known, in noise.

    `factors` are the scale, the ratio of the stacks' noise, and the relative error of star light.
    `level`, the noise of the sharp stack, becomes that of the rest; `structure`, the nebula's
    smooth part, becomes its structure in that noise.
    """
    scale, ratio, eps = factors
    for y in range(len(deep)):
        a, b, c, d, f = deep[y], model[y], offset[y], nebula[y], full[y]
        sigma, part, new = level[y], structure[y], rest[y]
        for x in range(len(a)):
            one, two = ratio * sigma[x], eps * b[x]
            sigma[x] = np.sqrt(one * one + two * two)
        for x in range(len(a)):
            part[x] = scale * (d[x] - part[x]) / sigma[x]
        for x in range(len(a)):
            new[x] = a[x] - b[x] - c[x] - scale * d[x]
        for x in range(len(a)):
            known = (new[x] - new[x] == np.float32(0)) & (not f[x])
            new[x] = new[x] / sigma[x] if known else np.float32(0)


@part()
def _middle(values, count):
    """Median of the first numbers, which change places (Hoare 1961, CACM 4, 321)."""
    half = count // 2
    first, last = 0, count - 1
    while first < last:
        pivot = values[(first + last) // 2]
        i, j = first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if half <= j:
            last = j
        elif half >= i:
            first = i
        else:
            break
    top = values[half]
    if count % 2:
        return top
    low = values[0]
    for k in range(1, half):
        low = max(low, values[k])
    return (low + top) / np.float32(2)


@loop()
def box_deviations(image, use, box, first, last, out):
    """Median deviation in some rows of boxes of the pixels to be used, NaN under half of them."""
    ny, nx = image.shape
    height, width = min(box, ny), min(box, nx)
    values = np.empty(height * width, np.float32)
    for j in range(first, last):
        for i in range(out.shape[1]):
            n = 0
            for y in range(j * height, (j + 1) * height):
                for x in range(i * width, (i + 1) * width):
                    if use[y, x] and np.isfinite(image[y, x]):
                        values[n] = image[y, x]
                        n += 1
            out[j, i] = np.nan
            if 2 * n >= height * width:
                level = _middle(values, n)
                for k in range(n):
                    values[k] = abs(values[k] - level)
                out[j, i] = _middle(values, n)


@loop()
def absolute_medians(image, use, box, out):
    """Median of the absolute values to be used in the boxes of a row; NaN under half of them."""
    ny, nx = image.shape
    values = np.empty(box * box, np.float32)
    for k in range(len(out)):
        n = 0
        for y in range(min(box, ny)):
            for x in range(k * box, min((k + 1) * box, nx)):
                if use[y, x]:
                    values[n] = abs(image[y, x])
                    n += 1
        out[k] = _middle(values, n) if 2 * n > box * box else np.nan


@loop()
def sort_places(bits, order):
    """Places of single-precision numbers in ascending order, equal ones as they come.

    `bits` are the numbers taken for unsigned integers. A radix sort, 11 bits a pass.
    """
    n = len(bits)
    counts = np.zeros((3, 2048), np.int64)
    one, other = np.empty(n, np.uint64), np.empty(n, np.uint64)
    for k in range(n):
        key = np.uint64(bits[k])
        # Ascends with the number: a negative one's bits are turned round.
        key = key ^ np.uint64(0xFFFFFFFF if key >> np.uint64(31) else 0x80000000)
        counts[0, key & np.uint64(2047)] += 1
        counts[1, (key >> np.uint64(11)) & np.uint64(2047)] += 1
        counts[2, key >> np.uint64(22)] += 1
        one[k] = (key << np.uint64(32)) | np.uint64(k)
    for turn in range(3):
        first = counts[turn]
        total = 0
        for k in range(2048):
            number = first[k]
            first[k] = total
            total += number
        shift = np.uint64(32 + 11 * turn)
        for k in range(n):
            digit = (one[k] >> shift) & np.uint64(2047)
            other[first[digit]] = one[k]
            first[digit] += 1
        one, other = other, one
    for k in range(n):
        order[k] = one[k] & np.uint64(0xFFFFFFFF)
