"""Local maxima of a smoothed image, band by band; compiled."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.compiled import loop, part
from framesort.stars._background import Map
from framesort.stars._pixels import BAND
from framesort.stars._smooth import convolve_rows

__all__ = ["LOOK", "any_above", "smoothed_maxima"]

# A fainter maximum must stand out from the dip towards a brighter one by this share of the dip:
# the photon noise of a bright star's wing, whose size is not known without the gain, stays below.
_DIP_SHARE = 0.06

LOOK = 64
"""Pixels of a row that are looked at together: most hold nothing above the noise."""


@part(inline="never")
def any_above(values: Any, noise: Any, factor: Any) -> Any:
    """Whether a value exceeds `factor` times the noise at its place."""
    found = np.int32(0)
    for x in range(values.size):
        found |= np.int32(values[x] > factor * noise[x])
    return found > 0


@loop()
def _local_maxima(
    smooth: Any, top: Any, noise: Any, first: Any, last: Any, factor: Any, found: Any
) -> Any:
    """Fill `found` with x, y of maxima among 3 x 3 above `factor` times the noise.

    In rows `first` to `last` of the image. `smooth` begins with row `top`, `noise` with `first`.
    """
    nx = smooth.shape[1]
    n = 0
    for y in range(first, last):
        above, here, below = smooth[y - top - 1], smooth[y - top], smooth[y - top + 1]
        sigma = noise[y - first]
        for begin in range(1, nx - 1, LOOK):
            end = min(begin + LOOK, nx - 1)
            if not any_above(here[begin:end], sigma[begin:end], factor):
                continue
            for x in range(begin, end):
                v = here[x]
                if (
                    v > factor * sigma[x]
                    and v > here[x - 1]
                    and v >= here[x + 1]
                    and v > above[x - 1]
                    and v > above[x]
                    and v > above[x + 1]
                    and v >= below[x - 1]
                    and v >= below[x]
                    and v >= below[x + 1]
                ):
                    if n < found.shape[0]:
                        found[n, 0] = x
                        found[n, 1] = y
                    n += 1
    return n


@loop()
def _stand_out(
    smooth: Any, top: Any, sigma: Any, places: Any, pairs: Any, need: Any, share: Any, keep: Any
) -> Any:
    """Drop the fainter of a pair where the dip between the two is not deep enough."""
    for p in range(pairs.shape[0]):
        a, b = pairs[p, 0], pairs[p, 1]  # a is the brighter
        xa, ya, xb, yb = places[a, 0], places[a, 1], places[b, 0], places[b, 1]
        steps = max(abs(xa - xb), abs(ya - yb))
        peak = smooth[yb - top, xb]
        dip = peak
        for s in range(1, steps):
            x = round(xb + (xa - xb) * s / steps)
            y = round(yb + (ya - yb) * s / steps)
            dip = min(dip, smooth[y - top, x])
        if peak - dip < max(need * sigma[b], share * max(dip, 0.0)):
            keep[b] = False


def brightest_first(places: NDArray[np.int64], height: NDArray[np.float32]) -> NDArray[np.int64]:
    """Order by height, then by place, so that equal maxima do not change places."""
    return np.lexsort((places[:, 0], places[:, 1], -height))


def smoothed_maxima(
    image: NDArray[np.float32],
    noise: Map,
    kernel: NDArray[np.float32],
    *,
    threshold: float,
    reach: float,
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Maxima of an image smoothed along both axes with a kernel, that stand out.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        NaN counts as 0.
    noise : Map
        Standard deviation per pixel, before smoothing.
    kernel : (k,) float32 ndarray
        Odd in number.
    threshold : float
        Least height, standard deviations of the smoothed image.
    reach : float
        Within this distance, pixels, the fainter of two maxima must stand out of the dip.

    Returns
    -------
    places : (n, 2) int ndarray
        x, y; brightest first.
    height : (n,) float32 ndarray
        Of the smoothed image.
    """
    ny, nx = image.shape
    # Noise of the smoothed image over that of a pixel, for independent pixels.
    factor = float(np.sum(kernel.astype(float) ** 2))
    kept = int(reach) + 2  # rows of the last band that maxima of the next are compared with
    smooth = np.empty((kept + BAND, nx), np.float32)
    buffer = np.empty((min(BAND, ny), nx), np.float32)
    found = np.empty((1000, 2), np.int32)
    places, height = np.empty((0, 2), np.int64), np.empty(0, np.float32)
    sigma, keep = np.empty(0, np.float32), np.empty(0, bool)
    done = []
    for begin in range(0, ny, BAND):
        end, top = min(begin + BAND, ny), begin - kept
        if begin:
            smooth[:kept] = smooth[BAND:]
        convolve_rows(image, kernel, False, begin, end, smooth[kept : kept + end - begin])
        first, last = max(begin - 1, 1), max(end - 1, 1)
        rows = noise.rows(first, last, buffer)
        args = (smooth, top, rows, first, last, np.float32(threshold * factor))
        count = _local_maxima(*args, found)
        if count > len(found):
            found = np.empty((2 * count, 2), np.int32)
            _local_maxima(*args, found)
        new = found[:count].astype(np.int64)
        # What no later maximum can be near is done with.
        near = places[:, 1] >= first - reach
        done.append((places[~near & keep], height[~near & keep]))
        places = np.concatenate([places[near], new])
        height = np.concatenate([height[near], smooth[new[:, 1] - top, new[:, 0]]])
        sigma = np.concatenate([sigma[near], rows[new[:, 1] - first, new[:, 0]]])
        keep = np.concatenate([keep[near], np.ones(count, bool)])
        order = brightest_first(places, height)
        places, height, sigma, keep = places[order], height[order], sigma[order], keep[order]
        if len(places) > 1:
            pairs = np.sort(cKDTree(places).query_pairs(reach, output_type="ndarray"), axis=1)
            pairs = pairs[(places[pairs, 1] >= first).any(axis=1)]
            _stand_out(smooth, top, sigma, places, pairs, 3 * factor, _DIP_SHARE, keep)
    done.append((places[keep], height[keep]))
    places, height = (np.concatenate(part) for part in zip(*done, strict=True))
    order = brightest_first(places, height)
    return places[order], height[order]
