"""Compiled loops that mark outliers in a cube of frames.

A value is no outlier if it is near the median of all frames, or if the frames that look most like
its own show the same. All that calls one another stands in this one file: a compiled function kept
on disk does not notice that another file has changed.
"""

import numba
import numpy as np
from numpy.typing import NDArray

__all__ = ["ABOVE", "BLOCK", "OUT", "reject"]

Image = NDArray[np.float32]
Floats = NDArray[np.float64]
Marks = NDArray[np.uint8]

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
MAD_TO_SIGMA = 1.482602
FEWEST_FOR_SCATTER = 5  # frames whose own scatter is asked
SCATTER_OF = 7  # frames, at most: those further off have other stars
CONFIRMED = 0.5  # of the tolerance, from which what the frames most alike show is no noise


@numba.njit(cache=True, nogil=True)
def _middle(values: Floats, count: int) -> float:  # pragma: no cover
    """Median of the first values, which are sorted in place."""
    for i in range(1, count):
        v = values[i]
        j = i - 1
        while j >= 0 and values[j] > v:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = v
    return 0.5 * (values[(count - 1) // 2] + values[count // 2])


@numba.njit(cache=True, nogil=True)
def _nearby(
    cube: Image, r: int, c: int, order: NDArray[np.int64], mates: int, found: Floats
) -> int:  # pragma: no cover
    """Values of the first frames of an order that have data, of its group alone if there are any.

    Parameters
    ----------
    order : (m,) int64 ndarray
        Frames, most alike first; the first `mates` are of the same group.
    found : (m,) float ndarray
        Takes the finite values, as many as there is room for.

    Returns
    -------
    int
        How many there are.
    """
    count = 0
    for i in range(len(order)):
        if i == mates and count > 0:
            break
        v = cube[order[i], r, c]
        if np.isfinite(v):
            found[count] = v
            count += 1
            if count == len(found):
                break
    return count


@numba.njit(cache=True, nogil=True)
def _middle_of(found: Floats, count: int) -> float:  # pragma: no cover
    """Median of three values, the lower of two, one as it is."""
    if count == 1:
        return float(found[0])
    low, high = min(found[0], found[1]), max(found[0], found[1])
    if count == 2:
        return float(low)
    return float(max(low, min(high, found[2])))


@numba.njit(cache=True, nogil=True)
def _alike_range(
    cube: Image, r: int, c: int, order: NDArray[np.int64], mates: int, noise: float
) -> float:  # pragma: no cover
    """Range within 5 x 5 pixels, every other of them, of what the frames most alike show.

    Beyond what noise makes of it.
    """
    found = np.empty(3)
    low, high = np.inf, -np.inf
    for y in range(r - REACH, r + REACH + 1, STEP):
        for x in range(c - REACH, c + REACH + 1, STEP):
            if not (0 <= y < cube.shape[1] and 0 <= x < cube.shape[2]):
                continue
            count = _nearby(cube, y, x, order, mates, found)
            if count > 0:
                value = _middle_of(found, count)
                low, high = min(low, value), max(high, value)
    return float(max(high - low - RANGE_OF_NOISE * MEDIAN_OF_THREE * noise, 0.0))


@numba.njit(cache=True, nogil=True)
def _within_scatter(
    cube: Image, r: int, c: int, value: float, clip: float, order: NDArray[np.int64], mates: int
) -> bool:  # pragma: no cover
    """Whether a value lies within the scatter of the frames of its group most like its own."""
    found = np.empty(SCATTER_OF)
    count = _nearby(cube, r, c, order[:mates], mates, found)
    if count < FEWEST_FOR_SCATTER:
        return False
    centre = _middle(found, count)
    for i in range(count):
        found[i] = abs(found[i] - centre)
    return bool(abs(value - centre) <= clip * MAD_TO_SIGMA * _middle(found, count))


@numba.njit(cache=True, nogil=True)
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


@numba.njit(cache=True, nogil=True)
def agrees(
    cube: Image,
    r: int,
    c: int,
    k: int,
    centre: float,
    sigma: float,
    clip: float,
    order: NDArray[np.int64],
    mates: int,
    heat: Floats,
    slack: float,
    contrast: float,
) -> bool:  # pragma: no cover
    """Whether the frames most like one show at a pixel what it shows.

    Three are asked for their median; where the group has one or two others with data there, the
    one nearer to the value speaks, if there is structure. A value between those of frames with less
    and with more heat agrees too. There is structure where the median image has contrast or those
    asked lie off `centre` to the same side; there a value may differ by a share of the local
    contrast of those most alike, and as far as their scatter.

    Parameters
    ----------
    cube : (n, ny, nx) float32 ndarray
        Untouched rows around `r`.
    k : int
        The frame.
    centre : float
        Median of all frames.
    sigma, clip : float
        Noise of the value, and how many of it are allowed.
    order, mates
        Of the frame, as for `_nearby`.
    heat : (n,) float ndarray
        Number that grows with the width of stars and the spike; NaN where not known.
    slack, contrast : float
        Share of the local contrast that is allowed too, and that of the median image; that of
        the frames most alike counts where it is larger.
    """
    value = float(cube[k, r, c])
    found = np.empty(3)
    count = _nearby(cube, r, c, order, mates, found)
    if count == 0:
        return False
    shown, limit = _middle_of(found, count), AGAINST_THREE * clip * sigma
    if count < 3:
        shown, limit = found[0], AGAINST_ONE * clip * sigma
        if count == 2 and abs(found[1] - value) < abs(found[0] - value):
            shown = found[1]
    side = 1.0 if value > centre else -1.0
    structure = contrast > 0 or side * (shown - centre) >= CONFIRMED * clip * sigma
    if count < 3 and not structure:
        return False
    off = abs(value - shown)
    if off <= limit + slack * contrast:
        return True
    if not structure:
        return False
    if _between(cube, r, c, value, limit, order, heat, heat[k]):
        return True
    if contrast > 0 and _within_scatter(cube, r, c, value, clip, order, mates):
        return True
    contrast = _alike_range(cube, r, c, order, mates, sigma)
    return bool(off <= limit + slack * contrast)


@numba.njit(cache=True, nogil=True)
def _judge(
    v: Floats, variance: Floats, slack: Floats, n: int, centre: float, clip: float, bad: Floats
) -> int:  # pragma: no cover
    """Mark values beyond the tolerance about `centre`; how many."""
    out = 0
    for i in range(n):
        far = abs(v[i] - centre) > clip * np.sqrt(variance[i]) + slack[i]
        bad[i] = 1.0 if far else 0.0
        out += 1 if far else 0
    return out


@numba.njit(cache=True, nogil=True)
def _spare(bad: Floats, agreed: NDArray[np.int64], count: int) -> int:  # pragma: no cover
    """Take the marks off values that frames like theirs confirm; how many had one."""
    taken = 0
    for i in range(count):
        taken += 1 if bad[agreed[i]] > 0 else 0
        bad[agreed[i]] = 0.0
    return taken


@numba.njit(cache=True, nogil=True)
def _widen(
    v: Floats, var: Floats, loose: Floats, n: int, centre: float, clip: float, far: Floats
) -> None:  # pragma: no cover
    """Let values differ as far as those of a normal distribution of their own scatter do."""
    for i in range(n):
        far[i] = abs(v[i] - centre)
    scatter = clip * MAD_TO_SIGMA * _middle(far, n)
    for i in range(n):
        loose[i] = max(loose[i], scatter - clip * np.sqrt(var[i]))


@numba.njit(cache=True, nogil=True)
def _suspects(
    cube: Image,
    r: int,
    median: Image,
    contrast: Image,
    variance: Floats,
    shot: Floats,
    slack: Floats,
    sky: float,
    clip: float,
    suspect: Marks,
) -> None:  # pragma: no cover
    """Which pixels of a row may have an outlier, line by line: most have none."""
    suspect[:] = 0
    for k in range(cube.shape[0]):
        line = cube[k, r]
        a, b = np.float32(variance[k]), np.float32(shot[k])
        squared, part = np.float32(clip * clip), np.float32(slack[k])
        for c in range(cube.shape[2]):
            light = median[r, c] - np.float32(sky)
            light = light if light > 0 else np.float32(0.0)
            d = abs(line[c] - median[r, c]) - part * contrast[r, c]
            d = d if d > 0 else np.float32(0.0)
            suspect[c] |= 1 if d * d > squared * (a + b * light) else 0


@numba.njit(cache=True, nogil=True)
def reject(
    cube: Image,
    median: Image,
    contrast: Image,
    variance: Floats,
    shot: Floats,
    slack: Floats,
    order: NDArray[np.int64],
    mates: NDArray[np.int64],
    heat: Floats,
    tolerance_similarity: Floats,
    sky: float,
    clip: float,
    first: int,
    stop: int,
    marks: Marks,
    touched: Marks,
) -> None:  # pragma: no cover
    """Mark outliers in rows `first` to `stop` of a cube and one more on each side, for `grow`.

    `marks` (frame, row, column) is `OUT` for an outlier, `ABOVE` or `BELOW` for a strong one;
    `touched` (frame, row, block of columns) is 1 where there are marks, 2 where there are strong
    ones.

    The tolerance of frame k is ``clip * sqrt(variance[k] + shot[k] * max(median - sky, 0))``
    plus ``slack[k]`` times the local contrast of the median image. A value beyond it stays all the
    same if the frames that look most like it agree: those that come first in ``order[k]``, of which
    the first ``mates[k]`` are of its group. Strong outliers exceed the tolerance `STRONG` times.
    """
    frames, rows, columns = cube.shape
    v = np.empty(frames)
    var = np.empty(frames)
    loose = np.empty(frames)
    far = np.empty(frames)
    bad = np.empty(frames)
    who = np.empty(frames, dtype=np.int64)
    agreed = np.empty(frames, dtype=np.int64)
    suspect = np.empty(columns, dtype=np.uint8)
    for r in range(max(first - 1, 0), min(stop + 1, rows)):
        _suspects(cube, r, median, contrast, variance, shot, slack, sky, clip, suspect)
        for c in range(columns):
            if suspect[c] == 0:
                continue
            n = 0
            light = max(float(median[r, c]) - sky, 0.0)
            for k in range(frames):
                if np.isfinite(cube[k, r, c]):
                    v[n] = cube[k, r, c]
                    var[n] = variance[k] + shot[k] * light
                    loose[n] = slack[k] * contrast[r, c]
                    who[n] = k
                    n += 1
            if n < 2:
                continue
            if n == 2:
                # Cosmic rays and trails only add light: of two that disagree the lower is kept.
                if abs(v[0] - v[1]) > clip * np.sqrt(var[0] + var[1]) + max(loose[0], loose[1]):
                    k = who[0] if v[0] > v[1] else who[1]
                    marks[k, r, c] = OUT
                    touched[k, r, c // BLOCK] = max(touched[k, r, c // BLOCK], 1)
                continue
            centre = float(median[r, c])
            if contrast[r, c] > 0 and n >= FEWEST_FOR_SCATTER:
                _widen(v, var, loose, n, centre, clip, far)
            out = _judge(v, var, loose, n, centre, clip, bad)
            n_agreed = 0
            for i in range(n):
                k = who[i]
                if bad[i] > 0 and agrees(
                    cube, r, c, k, centre, np.sqrt(var[i]), clip, order[k], mates[k], heat,
                    tolerance_similarity[k], contrast[r, c],
                ):  # fmt: skip
                    agreed[n_agreed] = i
                    n_agreed += 1
            out -= _spare(bad, agreed, n_agreed)
            if n % 2 == 0 and 2 * out >= n:
                # Half of the frames lifted: the middle lies between the two halves.
                far[:n] = v[:n]
                _middle(far, n)
                centre = far[(n - 1) // 2]
                out = _judge(v, var, loose, n, centre, clip, bad)
                out -= _spare(bad, agreed, n_agreed)
            if out > ENOUGH * n:
                # So many outliers say that the noise is larger than assumed.
                for i in range(n):
                    far[i] = max(abs(v[i] - centre) - loose[i], 0.0) / np.sqrt(var[i])
                _middle(far, n)
                wider = MAD_TO_SIGMA * far[(n - 1) // 2]  # of two halves the better one speaks
                if wider > 1:
                    out = _judge(v, var, loose, n, centre, clip * wider, bad)
                    out -= _spare(bad, agreed, n_agreed)
            if out == n:
                continue
            for i in range(n):
                if bad[i] > 0:
                    off = v[i] - centre
                    strong = abs(off) > STRONG * (clip * np.sqrt(var[i]) + loose[i])
                    mark = OUT if not strong else ABOVE if off > 0 else BELOW
                    marks[who[i], r, c] = mark
                    block = c // BLOCK
                    level = 2 if strong else 1
                    touched[who[i], r, block] = max(touched[who[i], r, block], level)
