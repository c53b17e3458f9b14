"""Compiled loops of the background: boxes measured, and a mesh of them spread to pixels."""

from typing import Any

import numpy as np

from framesort.compiled import loop, part

__all__ = ["measure_mesh", "pick_mesh", "spread_mesh", "take_mesh"]

# A normal distribution cut at -3 and +1.5 standard deviations has this mean and standard
# deviation (closed form of the truncated normal; Johnson, Kotz & Balakrishnan 1994, ch. 13.10).
# The cut is nearer on the side where faint stars are.
_LOW, _HIGH = 3.0, 1.5
_CUT_MEAN, _CUT_SD = -0.134237, 0.871336

_LEAST, _MOST = np.int32(-(2**31)), np.int32(2**31 - 1)


@part(fastmath={"reassoc", "contract"})
def _cut_moments(values: Any, count: Any, low: Any, high: Any, start: Any) -> Any:
    """Sum, sum of squares about `start` and number of the values between two bounds.

    The sums may be reordered for speed; the values hold no NaN.
    """
    total, square, kept = np.float32(0), np.float32(0), np.float32(0)
    for i in range(count):
        inside = np.float32((values[i] >= low) & (values[i] <= high))
        d = (values[i] - start) * inside
        total += d
        square += d * d
        kept += inside
    return total, square, kept


@part()
def _order_keys(bits: Any, count: Any, keys: Any) -> Any:
    """Whole numbers in the order of the float32 whose bits are given; the lowest and the highest.

    Read as whole numbers, the bits of positive numbers are in the order of the numbers.
    """
    low, high = _MOST, _LEAST
    for i in range(count):
        sign = bits[i] >> np.int32(31)
        key = np.int32((bits[i] ^ (sign & _MOST)) - sign)
        keys[i] = key
        low, high = min(low, key), max(high, key)
    return low, high


@part()
def _split_keys(keys: Any, count: Any, level: Any) -> Any:
    """How many keys are not above a level, the highest of these, and the lowest of the others."""
    number, below, above = np.int32(0), _LEAST, _MOST
    for i in range(count):
        key = keys[i]
        number += np.int32(key <= level)
        below = max(below, key if key <= level else _LEAST)
        above = min(above, _MOST if key <= level else key)
    return number, below, above


@part()
def _key_of_rank(keys: Any, count: Any, rank: Any, low: Any, high: Any, number: Any) -> Any:
    """The key with `rank` others below it in order.

    It lies between `low`, which none is below, and `high`, which about `number` are not above.
    """
    first, last, before, turn = np.int64(low), np.int64(high), np.int64(0), 0
    while first < last:
        # As if they were evenly spread; halving now and then ends it whatever they are.
        share = 0.5 if turn % 3 == 2 else (rank + 0.5 - before) / (number - before)
        level = min(first + np.int64(share * (last - first)), last - 1)
        found, below, above = _split_keys(keys, count, np.int32(level))
        if found > rank:
            last, number = np.int64(below), np.int64(found)
        else:
            first, before = np.int64(above), np.int64(found)
        turn += 1
    return np.int32(first)


@part()
def _value_of_key(key: Any, cell: Any) -> Any:
    """The float32 that a key stands for; `cell` is one float32."""
    cell.view(np.int32)[0] = key if key >= 0 else -key + _LEAST
    return cell[0]


@part()
def _clip_box(values: Any, count: Any, scratch: Any, keys: Any, cell: Any) -> Any:
    """Level and standard deviation of `values[:count]`, free of what lies above.

    `scratch` and `keys` hold a sample of them, `cell` is one float32.
    """
    step = max(1, count // 512)
    n = 0
    for i in range(0, count, step):
        scratch[n] = values[i]
        n += 1
    least, most = _order_keys(scratch.view(np.int32), n, keys)
    middle = _key_of_rank(keys, n, n // 2, least, most, n)
    start = _value_of_key(middle, cell)
    # The lower half holds no star light: its quantile gives a first, safe width.
    low_key = _key_of_rank(keys, n, int(0.1587 * n), least, middle, n // 2 + 1)
    width = float(start - _value_of_key(low_key, cell))
    if not width > 0:  # whole numbers with little noise: half the sample is one value
        total = 0.0
        for i in range(n):
            total += float(min(scratch[i], start) - start) ** 2
        width = max(np.sqrt(total / (n // 2 + 1)), 1e-6 * abs(start), 1e-12)
    mean, reach = 0.0, width  # relative to start
    for turn in range(16):
        low = start + np.float32(mean - _LOW * width)
        high = start + np.float32(mean + _HIGH * width)
        # The sample comes near, all pixels end it.
        if turn < 6:
            total, square, kept = _cut_moments(scratch, n, low, high, start)
        else:
            total, square, kept = _cut_moments(values, count, low, high, start)
        if kept < 3:
            break
        shift = total / kept
        width = np.sqrt(max(square / kept - shift * shift, 1e-24)) / _CUT_SD
        before = mean
        # Not further than the first width: a box of two levels has no one level.
        mean = min(max(shift - _CUT_MEAN * width, -reach), reach)
        if turn >= 6 and abs(mean - before) < 0.01 * width:
            break
    return start + mean, width


@part()
def _drop_unknown(values: Any, count: Any) -> Any:
    """Move the finite values to the front, in order, and count them."""
    known = np.int32(0)
    for i in range(count):
        known += np.int32(np.isfinite(values[i]))
    if known == count:
        return count
    n = 0
    for i in range(count):
        if np.isfinite(values[i]):
            values[n] = values[i]
            n += 1
    return n


@loop()
def measure_mesh(
    image: Any, top: Any, size: Any, box: Any, first: Any, last: Any, level: Any, noise: Any
) -> Any:
    """Level and noise of the boxes in some rows of the mesh.

    `image` holds rows from `top` on of an image of `size` rows.
    """
    nx = image.shape[1]
    values = np.empty(box * box, np.float32)
    scratch, keys = np.empty(1026, np.float32), np.empty(1026, np.int32)
    cell = np.empty(1, np.float32)
    for j in range(first, last):
        y0, y1 = j * size // level.shape[0] - top, (j + 1) * size // level.shape[0] - top
        for i in range(level.shape[1]):
            x0, x1 = i * nx // level.shape[1], (i + 1) * nx // level.shape[1]
            count = 0
            for y in range(y0, y1):
                row, part = image[y, x0:x1], values[count:]
                for x in range(row.size):
                    part[x] = row[x]
                count += row.size
            count = _drop_unknown(values, count)
            if count * 4 < (y1 - y0) * (x1 - x0) or count < 9:
                level[j, i] = np.nan
                noise[j, i] = np.nan
                continue
            level[j, i], noise[j, i] = _clip_box(values, count, scratch, keys, cell)
            # Structure of the box is no noise: second differences contain only what
            # changes within a few pixels. Every fourth row is enough.
            count, wide = 0, max(x1 - x0 - 4, 0)
            for y in range(y0, y1, 4):
                here, part = image[y, x0 + 2 : x0 + 2 + wide], values[count:]
                left, right = image[y, x0 : x0 + wide], image[y, x0 + 4 : x0 + 4 + wide]
                for x in range(wide):
                    part[x] = here[x] - np.float32(0.5) * (left[x] + right[x])
                count += wide
            count = _drop_unknown(values, count)
            if count >= 64:
                small = _clip_box(values, count, scratch, keys, cell)[1] / np.sqrt(1.5)
                noise[j, i] = min(noise[j, i], small)


@part()
def _edges(i: Any, columns: Any, nx: Any) -> Any:
    """Where the stretch between the centres of boxes i and i + 1 begins and ends, and the centres.

    The first and the last stretch go on to the edges of the image.
    """
    here, there = (i + 0.5) * nx / columns - 0.5, (i + 1.5) * nx / columns - 0.5
    first = 0 if i == 0 else int(np.ceil(here))
    last = nx if i == columns - 2 else int(np.ceil(there))
    return first, last, here, there


@part()
def _rows_around(y: Any, rows: Any, ny: Any) -> Any:
    """The rows of the mesh below and above a row of pixels, and how far it is between them."""
    v = (y + 0.5) * rows / ny - 0.5
    j = min(max(int(v), 0), max(rows - 2, 0))
    return j, min(j + 1, rows - 1), np.float32(v - j)


@part()
def _spread_row(mesh: Any, y: Any, ny: Any, line: Any, ramp: Any, row: Any) -> Any:
    """Bilinear interpolation of box centres to one row of pixels, continued to the edges.

    `line` holds one row of the mesh, `ramp` holds 0, 1, 2 ... as far as the row is long.
    """
    rows, columns = mesh.shape
    j, k, f = _rows_around(y, rows, ny)
    for i in range(columns):
        line[i] = mesh[j, i] + f * (mesh[k, i] - mesh[j, i])
    if columns == 1:
        row[:] = line[0]
        return
    for i in range(columns - 1):
        first, last, here, there = _edges(i, columns, len(row))
        slope = (line[i + 1] - line[i]) / np.float32(there - here)
        base = line[i] + slope * np.float32(first - here)
        part = row[first:last]
        for x in range(part.size):
            part[x] = base + slope * ramp[x]


@loop()
def spread_mesh(mesh: Any, first: Any, last: Any, size: Any, out: Any) -> Any:
    """Rows `first` to `last` of the background of `size` rows from its mesh, into `out`."""
    line, ramp = np.empty(mesh.shape[1], np.float32), np.arange(out.shape[1]).astype(np.float32)
    for y in range(first, last):
        _spread_row(mesh, y, size, line, ramp, out[y - first])


@loop()
def take_mesh(mesh: Any, image: Any, first: Any, last: Any, size: Any, out: Any) -> Any:
    """Rows `first` to `last` of an image of `size` rows less its background, into `out`.

    `image` and `out` hold these rows alone.
    """
    line, ramp = np.empty(mesh.shape[1], np.float32), np.arange(out.shape[1]).astype(np.float32)
    row = np.empty(out.shape[1], np.float32)
    for y in range(first, last):
        _spread_row(mesh, y, size, line, ramp, row)
        for x in range(len(row)):
            out[y - first, x] = image[y - first, x] - row[x]


@loop()
def pick_mesh(mesh: Any, x: Any, y: Any, ny: Any, nx: Any, out: Any) -> Any:
    """The background at some pixels of an image of ny, nx, as `spread_mesh` gives it there."""
    rows, columns = mesh.shape
    for n in range(len(x)):
        j, k, f = _rows_around(y[n], rows, ny)
        i = min(max(int((x[n] + 0.5) * columns / nx - 0.5), 0), max(columns - 2, 0))
        one = mesh[j, i] + f * (mesh[k, i] - mesh[j, i])
        if columns == 1:
            out[n] = one
            continue
        first, last, here, there = _edges(i, columns, nx)
        if x[n] < first:  # by rounding beside it
            i -= 1
        elif x[n] >= last:
            i += 1
        first, last, here, there = _edges(i, columns, nx)
        one = mesh[j, i] + f * (mesh[k, i] - mesh[j, i])
        two = mesh[j, i + 1] + f * (mesh[k, i + 1] - mesh[j, i + 1])
        slope = (two - one) / np.float32(there - here)
        out[n] = one + slope * np.float32(first - here) + slope * np.float32(x[n] - first)
