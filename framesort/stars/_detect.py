"""Where stars may be: local maxima of the image smoothed with about the star's own profile."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from framesort.compiled import loop
from framesort.stars._background import Map
from framesort.stars._maxima import LOOK, any_above, smoothed_maxima
from framesort.stars._pixels import BAND, Pixels

__all__ = [
    "KERNEL_SHARE",
    "find_candidates",
    "guess_saturation",
    "merge_saturated",
    "saturated_blobs",
    "subtract_level",
]


@loop()
def _find_hot_pixels(image: Any, noise: Any, first: Any, last: Any, found: Any) -> Any:
    """Fill `found` with x, y of single pixels that stand far above all eight neighbours.

    In rows `first` to `last`, with which `noise` begins and ends.
    """
    nx = image.shape[1]
    n = 0
    for y in range(first, last):
        row, sigma = image[y], noise[y - first]
        for begin in range(1, nx - 1, LOOK):
            end = min(begin + LOOK, nx - 1)
            if not any_above(row[begin:end], sigma[begin:end], np.float32(8)):
                continue
            for x in range(begin, end):
                v = row[x]
                if not v > 8.0 * sigma[x]:
                    continue
                top = np.float32(0.0)
                for j in range(y - 1, y + 2):
                    for i in range(x - 1, x + 2):
                        if (i != x or j != y) and image[j, i] > top:
                            top = image[j, i]
                if top + 3.0 * sigma[x] < 0.3 * v:
                    if n < found.shape[0]:
                        found[n, 0] = x
                        found[n, 1] = y
                    n += 1
    return n


def subtract_level(pixels: Pixels, level: Map, noise: Map) -> NDArray[np.float32]:
    """The image less its background, hot pixels NaN.

    The highest neighbour of a star's peak pixel has at least 0.4 of it even where light and
    pixel make the narrowest of profiles (a Gaussian of FWHM 1.76 pixels centred on a pixel);
    a pixel whose neighbours all stay below 0.3 of it holds no star's light.
    """
    out = np.empty(pixels.shape, np.float32)
    ny = len(out)
    found, hot = np.empty((1000, 2), np.int32), []
    rooms = np.empty((2, min(BAND, ny), out.shape[1]), np.float32)
    for begin in range(0, ny, BAND):
        end = min(begin + BAND, ny)
        np.subtract(pixels.rows(begin, end), level.rows(begin, end, rooms[0]), out=out[begin:end])
        first, last = max(begin - 1, 1), max(end - 1, 1)  # whose neighbours are there
        rows = noise.rows(first, last, rooms[1])
        count = _find_hot_pixels(out, rows, first, last, found)
        if count > len(found):
            found = np.empty((2 * count, 2), np.int32)
            _find_hot_pixels(out, rows, first, last, found)
        hot.append(found[:count].copy())
    x, y = np.concatenate(hot).T
    out[y, x] = np.nan
    return out


KERNEL_SHARE = 0.7
"""Width of the smoothing kernel over that of the stars. The best for single stars is 1; 0.7
gives 6 % of their signal to noise, 2 r / (1 + r^2), for a better view of blends."""


def find_candidates(
    image: NDArray[np.float32],
    noise: Map,
    *,
    fwhm: float,
    threshold: float,
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Local maxima of the smoothed image that stand out, brightest first.

    Parameters
    ----------
    image : (ny, nx) float32 ndarray
        Background subtracted.
    noise : Map
        Standard deviation per pixel.
    fwhm : float
        Width of the stars, pixels.
    threshold : float
        Least height of a maximum, standard deviations of the smoothed image.

    Returns
    -------
    places : (n, 2) int ndarray
        x, y.
    height : (n,) float32 ndarray
        Of the smoothed image there.
    """
    sigma = KERNEL_SHARE * max(fwhm, 1.7) / 2.3548
    half = max(2, int(np.ceil(2.5 * sigma)))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) / sigma) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    return smoothed_maxima(image, noise, kernel, threshold=threshold, reach=max(4.0, 3.0 * fwhm))


def guess_saturation(image: NDArray[Any] | Pixels) -> float:
    """Level at which pixels are saturated, from the pixel histogram.

    Saturated pixels pile up at one value, side by side. The brightest pixel counts as
    saturated when at least four pixels lie within 2 % of it (the round top of a single star of FWHM
    below 9 pixels has at most two there), twice as many as in the 2 % below, and four of them
    touch another. Stars of equal light have equal peaks too, but apart.

    Returns
    -------
    float
        ADU; +inf where no pile-up is seen.
    """
    pixels = image if isinstance(image, Pixels) else Pixels(image)
    top = float(pixels.tops.max(initial=-np.inf))
    if not np.isfinite(top) or top <= 0:
        return np.inf
    _, high = pixels.above(0.96 * top)
    high = high[high > 0.96 * top]
    count = int(np.count_nonzero(high > 0.98 * top))
    if count < 4 or count <= 2 * (high.size - count):
        return np.inf
    _, label = saturated_blobs(pixels, 0.98 * top)
    number = np.bincount(label)
    return 0.98 * top if number[number > 1].sum() >= 4 else np.inf


def saturated_blobs(
    pixels: Pixels, saturation: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Saturated pixels, and the connected group each belongs to.

    Returns
    -------
    places : (n, 2) int ndarray
        x, y of the pixels.
    label : (n,) int ndarray
        Number of the blob, from 0.
    """
    if not np.isfinite(saturation):
        return np.empty((0, 2), np.int64), np.empty(0, np.int64)
    places, _ = pixels.above(saturation)
    if len(places) == 0:
        return places, np.empty(0, np.int64)
    pairs = cKDTree(places).query_pairs(1.5, output_type="ndarray")
    shape = (len(places), len(places))
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=shape)
    return places, connected_components(links, directed=False)[1].astype(np.int64)


def merge_saturated(
    places: NDArray[np.int64],
    height: NDArray[np.float32],
    residual: NDArray[np.float32],
    saturated: NDArray[np.int64],
    label: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float64]]:
    """One candidate for each blob of saturated pixels, in place of the maxima on it.

    Returns
    -------
    places, height
        Brightest first.
    extent : (n,) float64 ndarray
        Radius of the saturated blob, 0 for stars that are not saturated.
    """
    extent = np.zeros(len(places))
    if len(saturated) == 0:
        return places, height, extent
    number = np.bincount(label)
    centre = np.column_stack([np.bincount(label, saturated[:, i]) / number for i in (0, 1)])
    near = cKDTree(saturated).query(places)[0] if len(places) else np.empty(0)
    # Beside a star there is light, beside a saturated hot pixel none.
    top = float(residual[saturated[:, 1], saturated[:, 0]].max())
    keep = []
    for i, (x, y) in enumerate(centre):
        reach = int(np.ceil(np.sqrt(number[i] / np.pi))) + 1
        x0, y0 = round(x), round(y)
        cut = residual[max(0, y0 - reach) : y0 + reach + 1, max(0, x0 - reach) : x0 + reach + 1]
        beside = np.sort(cut.ravel())[: max(1, cut.size - number[i])]
        keep.append(float(beside[-3:].min()) > 0.1 * top)
    kept = np.array(keep, dtype=bool)
    places = np.concatenate([np.round(centre[kept]).astype(np.int64), places[near > 2.5]])
    rest = height[near > 2.5]
    own = np.sqrt(number[kept] / np.pi)
    # Larger blobs first: they are the brighter stars.
    order = np.argsort(-own, kind="stable")
    places[: len(order)] = places[: len(order)][order]
    extent = np.concatenate([own[order], np.zeros(len(rest))])
    return places, np.concatenate([np.full(len(order), top, np.float32), rest]), extent
