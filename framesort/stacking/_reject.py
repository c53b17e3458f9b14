"""Compiled loops that mark outliers in a cube of frames.

A value is no outlier if it is near the median of all frames, or if the most similar frames show the
same. Functions that call one another are all in this file: a compiled function cached on disk
does not notice a change in another file.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from framesort.compiled import loop, part
from framesort.stacking._noise import MAD_TO_SIGMA, Noise, Similarity

__all__ = ["ABOVE", "BLOCK", "OUT", "reject", "sort_middle"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Marks = NDArray[np.uint8]
Place = tuple[int, int]

ENOUGH = 0.3  # share of frames out at a pixel, from which its tolerance is doubted
STRONG = 2.0  # times the tolerance, from which a pixel's neighbours are suspected
BLOCK = 128  # columns within which marks are looked for again
OUT, ABOVE, BELOW = 1, 2, 3  # marks of outliers; the last two of strong ones

REACH = 2  # pixels around a pixel whose range counts as structure
STEP = 2  # of those pixels
RANGE_OF_NOISE = 5.0  # sigma: range of 9 normal values, exceeded in one of 100 cases
MEDIAN_OF_THREE = 0.67  # standard deviation of the median of three normal values, in sigma
AGAINST_THREE = 1.2  # a value less the median of three others: sqrt(1 + 0.67^2)
AGAINST_ONE = 1.41  # a value less another
FEWEST_FOR_SCATTER = 5  # frames whose own scatter is used
SCATTER_OF = 7  # frames, at most: those further off have other stars
CONFIRMED = 0.5  # of the tolerance, from which what the most similar frames show is no noise


class _Images(NamedTuple):
    """A cube, its median image and the local contrast of that."""

    cube: Image
    median: Image
    contrast: Image


class _Work(NamedTuple):
    """Values of one pixel, one a frame that has data there, and what is found of them."""

    value: Floats
    variance: Floats
    loose: Floats
    far: Floats
    bad: Floats
    frame: NDArray[np.int64]
    agreed: NDArray[np.int64]


@part()
def sort_middle(values: Floats, count: int) -> float:  # pragma: no cover
    """Median of the first values, which are sorted in place."""
    for i in range(1, count):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v
    return float(0.5 * (values[(count - 1) // 2] + values[count // 2]))


@part()
def _nearby(
    cube: Image, r: int, c: int, order: NDArray[np.int64], in_group: int, found: Floats
) -> int:  # pragma: no cover
    """Fill `found` with the finite values of the first frames of an order; how many.

    Most similar frames come first, the first `in_group` of the same group: of these alone if any
    has data.
    """
    count = 0
    for i in range(len(order)):
        if i == in_group and count > 0:
            break
        v = cube[order[i], r, c]
        if np.isfinite(v):
            found[count] = v
            count += 1
            if count == len(found):
                break
    return count


@part()
def _middle_of(found: Floats, count: int) -> float:  # pragma: no cover
    """Median of three values, the lower of two, one as it is."""
    if count == 1:
        return float(found[0])
    low, high = min(found[0], found[1]), max(found[0], found[1])
    if count == 2:
        return float(low)
    return float(max(low, min(high, found[2])))


@part()
def _similar_range(
    cube: Image, r: int, c: int, order: NDArray[np.int64], in_group: int, noise: float
) -> float:  # pragma: no cover
    """Range within 5 x 5 pixels, every other of them, of what the most similar frames show.

    Beyond what noise makes of it.
    """
    found = np.empty(3)
    low, high = np.inf, -np.inf
    for y in range(r - REACH, r + REACH + 1, STEP):
        for x in range(c - REACH, c + REACH + 1, STEP):
            if not (0 <= y < cube.shape[1] and 0 <= x < cube.shape[2]):
                continue
            count = _nearby(cube, y, x, order, in_group, found)
            if count > 0:
                value = _middle_of(found, count)
                low, high = min(low, value), max(high, value)
    return float(max(high - low - RANGE_OF_NOISE * MEDIAN_OF_THREE * noise, 0.0))


@part()
def _within_scatter(
    cube: Image, r: int, c: int, value: float, clip: float, order: NDArray[np.int64], in_group: int
) -> bool:  # pragma: no cover
    """Whether a value lies within the scatter of the frames of its group most like its own."""
    found = np.empty(SCATTER_OF)
    count = _nearby(cube, r, c, order[:in_group], in_group, found)
    if count < FEWEST_FOR_SCATTER:
        return False
    centre = sort_middle(found, count)
    for i in range(count):
        found[i] = abs(found[i] - centre)
    return bool(abs(value - centre) <= clip * MAD_TO_SIGMA * sort_middle(found, count))


@part()
def _between(
    cube: Image,
    r: int,
    c: int,
    value: float,
    limit: float,
    order: NDArray[np.int64],
    heat: Floats,
    own: float,
) -> bool:  # pragma: no cover
    """Whether a value lies between what frames with less and with more heat than its own show."""
    less, more = np.empty(3), np.empty(3)
    n_less, n_more = 0, 0
    for k in order:
        v = cube[k, r, c]
        if not np.isfinite(v):
            continue
        if heat[k] < own and n_less < 3:
            less[n_less] = v
            n_less += 1
        elif heat[k] > own and n_more < 3:
            more[n_more] = v
            n_more += 1
    if min(n_less, n_more) < 2:
        return False
    one, other = _middle_of(less, n_less), _middle_of(more, n_more)
    return bool(min(one, other) - limit <= value <= max(one, other) + limit)


@part()
def _agrees(
    images: _Images, at: Place, k: int, noise: Noise, similar: Similarity
) -> bool:  # pragma: no cover
    """Whether the frames most similar to frame `k` show at a pixel what it shows.

    The median of three counts; where the group has one or two others with data there, the one
    nearer to the value, if there is structure. A value between those of frames with less
    and with more heat agrees too. There is structure where the median image has contrast or those
    frames lie off the median to the same side; there a value may differ by a share of the local
    contrast of the most similar frames, and as far as their scatter.
    """
    cube, (r, c) = images.cube, at
    value, centre, bend = float(cube[k, r, c]), float(images.median[at]), images.contrast[at]
    order, in_group, clip = similar.order[k], similar.in_group[k], noise.clip
    light = max(centre - noise.sky, 0.0)
    sigma = np.sqrt(noise.variance[k] + noise.photon_variance[k] * light)
    tolerance = similar.tolerance[k]
    found = np.empty(3)
    count = _nearby(cube, r, c, order, in_group, found)
    if count == 0:
        return False
    shown, limit = _middle_of(found, count), AGAINST_THREE * clip * sigma
    if count < 3:
        shown, limit = found[0], AGAINST_ONE * clip * sigma
        if count == 2 and abs(found[1] - value) < abs(found[0] - value):
            shown = found[1]
    side = 1.0 if value > centre else -1.0
    structure = bend > 0 or side * (shown - centre) >= CONFIRMED * clip * sigma
    if count < 3 and not structure:
        return False
    off = abs(value - shown)
    if off <= limit + tolerance * bend:
        return True
    if not structure:
        return False
    if _between(cube, r, c, value, limit, order, similar.heat, similar.heat[k]):
        return True
    if bend > 0 and _within_scatter(cube, r, c, value, clip, order, in_group):
        return True
    return bool(off <= limit + tolerance * _similar_range(cube, r, c, order, in_group, sigma))


@part()
def _judge(
    v: Floats, variance: Floats, tolerance: Floats, n: int, centre: float, clip: float, bad: Floats
) -> int:  # pragma: no cover
    """Mark values beyond the tolerance about `centre`; how many."""
    out = 0
    for i in range(n):
        far = abs(v[i] - centre) > clip * np.sqrt(variance[i]) + tolerance[i]
        bad[i] = 1.0 if far else 0.0
        out += 1 if far else 0
    return out


@part()
def _spare(bad: Floats, agreed: NDArray[np.int64], count: int) -> int:  # pragma: no cover
    """Unmark values that similar frames confirm; how many were marked."""
    taken = 0
    for i in range(count):
        taken += 1 if bad[agreed[i]] > 0 else 0
        bad[agreed[i]] = 0.0
    return taken


@part()
def _widen(
    v: Floats, var: Floats, loose: Floats, n: int, centre: float, clip: float, far: Floats
) -> None:  # pragma: no cover
    """Let values differ as far as those of a normal distribution of their own scatter do."""
    for i in range(n):
        far[i] = abs(v[i] - centre)
    scatter = clip * MAD_TO_SIGMA * sort_middle(far, n)
    for i in range(n):
        loose[i] = max(loose[i], scatter - clip * np.sqrt(var[i]))


@part()
def _suspects(images: _Images, r: int, noise: Noise, suspect: Marks) -> None:  # pragma: no cover
    """Which pixels of a row may have an outlier, line by line: most have none."""
    cube, median, contrast = images
    suspect[:] = 0
    for k in range(cube.shape[0]):
        line = cube[k, r]
        a, b = np.float32(noise.variance[k]), np.float32(noise.photon_variance[k])
        squared, part = np.float32(noise.clip * noise.clip), np.float32(noise.tolerance[k])
        for c in range(cube.shape[2]):
            light = median[r, c] - np.float32(noise.sky)
            light = light if light > 0 else np.float32(0.0)
            d = abs(line[c] - median[r, c]) - part * contrast[r, c]
            d = d if d > 0 else np.float32(0.0)
            suspect[c] |= 1 if d * d > squared * (a + b * light) else 0


@part()
def _values_at(images: _Images, at: Place, noise: Noise, work: _Work) -> int:  # pragma: no cover
    """Fill `work` with the values of a pixel, their variances and tolerances; how many."""
    n = 0
    light = max(float(images.median[at]) - noise.sky, 0.0)
    for k in range(images.cube.shape[0]):
        value = images.cube[k, at[0], at[1]]
        if np.isfinite(value):
            work.value[n] = value
            work.variance[n] = noise.variance[k] + noise.photon_variance[k] * light
            work.loose[n] = noise.tolerance[k] * images.contrast[at]
            work.frame[n] = k
            n += 1
    return n


@part()
def _higher_of_two(work: _Work, clip: float) -> int:  # pragma: no cover
    """Which of two values is marked, -1 for none.

    Cosmic rays and trails only add light: of two that disagree the lower is kept.
    """
    v, var, loose = work.value, work.variance, work.loose
    if abs(v[0] - v[1]) > clip * np.sqrt(var[0] + var[1]) + max(loose[0], loose[1]):
        return 0 if v[0] > v[1] else 1
    return -1


@part()
def _confirmed(
    images: _Images, at: Place, n: int, noise: Noise, similar: Similarity, work: _Work
) -> int:  # pragma: no cover
    """Fill `work.agreed` with those of the marked values that similar frames confirm; how many."""
    count = 0
    for i in range(n):
        if work.bad[i] > 0 and _agrees(images, at, work.frame[i], noise, similar):
            work.agreed[count] = i
            count += 1
    return count


@part()
def _outliers(
    images: _Images, at: Place, n: int, noise: Noise, similar: Similarity, work: _Work
) -> tuple[int, float]:  # pragma: no cover
    """Mark outliers of three values or more in `work.bad`; how many, and the centre used."""
    v, var, loose, far, bad = work.value, work.variance, work.loose, work.far, work.bad
    centre, clip = float(images.median[at]), noise.clip
    if images.contrast[at] > 0 and n >= FEWEST_FOR_SCATTER:
        _widen(v, var, loose, n, centre, clip, far)
    out = _judge(v, var, loose, n, centre, clip, bad)
    agreed = _confirmed(images, at, n, noise, similar, work)
    out -= _spare(bad, work.agreed, agreed)
    if n % 2 == 0 and 2 * out >= n:
        # Half of the frames lifted: the middle lies between the two halves.
        for i in range(n):
            far[i] = v[i]
        sort_middle(far, n)
        centre = far[(n - 1) // 2]
        out = _judge(v, var, loose, n, centre, clip, bad)
        out -= _spare(bad, work.agreed, agreed)
    if out > ENOUGH * n:
        # So many outliers: the noise is larger than assumed.
        for i in range(n):
            far[i] = max(abs(v[i] - centre) - loose[i], 0.0) / np.sqrt(var[i])
        sort_middle(far, n)
        wider = MAD_TO_SIGMA * far[(n - 1) // 2]  # of two halves the better one counts
        if wider > 1:
            out = _judge(v, var, loose, n, centre, clip * wider, bad)
            out -= _spare(bad, work.agreed, agreed)
    return out, centre


@part()
def _mark(
    marks: Marks, touched: Marks, at: Place, n: int, centre: float, clip: float, work: _Work
) -> None:  # pragma: no cover
    """Write the outliers of a pixel, strong ones as such."""
    r, c = at
    block = c // BLOCK
    for i in range(n):
        if work.bad[i] > 0:
            k, off = work.frame[i], work.value[i] - centre
            strong = abs(off) > STRONG * (clip * np.sqrt(work.variance[i]) + work.loose[i])
            marks[k, r, c] = OUT if not strong else ABOVE if off > 0 else BELOW
            level = 2 if strong else 1
            touched[k, r, block] = max(touched[k, r, block], level)


@loop()
def reject(
    cube: Image,
    median: Image,
    contrast: Image,
    noise: Noise,
    similar: Similarity,
    rows: tuple[int, int],
    marks: Marks,
    touched: Marks,
) -> None:  # pragma: no cover
    """Mark outliers in some rows of a cube (first, stop) and one more on each side, for `grow`.

    `marks` (frame, row, column) is `OUT` for an outlier, `ABOVE` or `BELOW` for a strong one;
    `touched` (frame, row, block of columns) is 1 where there are marks, 2 where there are strong
    ones.

    The tolerance of frame k is ``clip * sqrt(variance[k] + photon_variance[k] * light)`` with the
    light of the median image above the sky, plus ``tolerance[k]`` times its local contrast. A value
    beyond it stays if the most similar frames agree. Strong outliers exceed the tolerance `STRONG`
    times.
    """
    frames, height, columns = cube.shape
    images = _Images(cube, median, contrast)
    work = _Work(
        np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames), np.empty(frames),
        np.empty(frames, dtype=np.int64), np.empty(frames, dtype=np.int64),
    )  # fmt: skip
    suspect = np.empty(columns, dtype=np.uint8)
    for r in range(max(rows[0] - 1, 0), min(rows[1] + 1, height)):
        _suspects(images, r, noise, suspect)
        for c in range(columns):
            if suspect[c] == 0:
                continue
            n = _values_at(images, (r, c), noise, work)
            if n == 2:
                i = _higher_of_two(work, noise.clip)
                if i >= 0:
                    k = work.frame[i]
                    marks[k, r, c] = OUT
                    touched[k, r, c // BLOCK] = max(touched[k, r, c // BLOCK], 1)
            elif n > 2:
                out, centre = _outliers(images, (r, c), n, noise, similar, work)
                if out < n:
                    _mark(marks, touched, (r, c), n, centre, noise.clip, work)
