"""Where stars may be: local maxima of the image smoothed with about the star's own profile."""

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from framesort.stars._smooth import convolve_rows

__all__ = [
    "KERNEL_SHARE",
    "find_candidates",
    "guess_saturation",
    "merge_saturated",
    "remove_hot_pixels",
    "saturated_blobs",
]

# A fainter maximum must stand out from the dip towards a brighter one by this share of the dip:
# the photon noise of a bright star's wing, whose size is not known without the gain, stays below.
_DIP_SHARE = 0.06


def _collect(fill: Callable[..., int], room: int, *args: Any) -> NDArray[np.int32]:
    """The x, y that a compiled loop finds: it fills an array as far as it goes, and counts."""
    found = np.empty((room, 2), np.int32)
    count = fill(*args, found)
    if count > room:
        found = np.empty((count, 2), np.int32)
        fill(*args, found)
    return found[:count]


@njit(cache=True, nogil=True)
def _find_hot_pixels(image: Any, noise: Any, found: Any) -> Any:
    """Fill `found` with x, y of single pixels that stand far above all eight neighbours."""
    ny, nx = image.shape
    n = 0
    for y in range(1, ny - 1):
        for x in range(1, nx - 1):
            v = image[y, x]
            if not v > 8.0 * noise[y, x]:
                continue
            top = np.float32(0.0)
            for j in range(y - 1, y + 2):
                for i in range(x - 1, x + 2):
                    if (i != x or j != y) and image[j, i] > top:
                        top = image[j, i]
            if top + 3.0 * noise[y, x] < 0.3 * v:
                if n < found.shape[0]:
                    found[n, 0] = x
                    found[n, 1] = y
                n += 1
    return n


def remove_hot_pixels(image: NDArray[np.float32], noise: NDArray[np.float32]) -> None:
    """Set hot pixels to NaN, in place.

    The highest neighbour of a star's peak pixel has at least 0.4 of it even where light and
    pixel make the narrowest of profiles (a Gaussian of FWHM 1.76 pixels centred on a pixel);
    a pixel whose neighbours all stay below 0.3 of it holds no star's light.
    """
    x, y = _collect(_find_hot_pixels, max(1000, image.size // 500), image, noise).T
    image[y, x] = np.nan


KERNEL_SHARE = 0.7
"""Width of the smoothing kernel over that of the stars. The best for single stars is 1; 0.7
gives 6 % of their signal to noise, 2 r / (1 + r^2), for a better view of blends."""


@njit(cache=True, nogil=True)
def _local_maxima(smooth: Any, noise: Any, factor: Any, found: Any) -> Any:
    """Fill `found` with x, y of maxima among 3 x 3 above `factor` times the noise."""
    ny, nx = smooth.shape
    n = 0
    for y in range(1, ny - 1):
        above, here, below = smooth[y - 1], smooth[y], smooth[y + 1]
        for x in range(1, nx - 1):
            v = here[x]
            if (
                v > factor * noise[y, x]
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


@njit(cache=True, nogil=True)
def _stand_out(
    smooth: Any, noise: Any, places: Any, pairs: Any, need: Any, share: Any, keep: Any
) -> Any:
    """Drop the fainter of a pair where the dip between the two is not deep enough."""
    for p in range(pairs.shape[0]):
        a, b = pairs[p, 0], pairs[p, 1]  # a is the brighter
        xa, ya, xb, yb = places[a, 0], places[a, 1], places[b, 0], places[b, 1]
        steps = max(abs(xa - xb), abs(ya - yb))
        peak = smooth[yb, xb]
        dip = peak
        for s in range(1, steps):
            x = round(xb + (xa - xb) * s / steps)
            y = round(yb + (ya - yb) * s / steps)
            dip = min(dip, smooth[y, x])
        if peak - dip < max(need * noise[yb, xb], share * max(dip, 0.0)):
            keep[b] = False


def find_candidates(
    image: NDArray[np.float32],
    noise: NDArray[np.float32],
    *,
    fwhm: float,
    threshold: float,
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Local maxima of the smoothed image that stand out, brightest first.

    Parameters
    ----------
    image, noise : (ny, nx) float32 ndarray
        Background subtracted; standard deviation per pixel.
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
    smooth = np.empty_like(image)
    convolve_rows(image, kernel, False, 0, len(image), smooth)
    # Noise of the smoothed image over that of a pixel, for independent pixels.
    factor = float(np.sum(kernel.astype(float) ** 2))
    places = _collect(
        _local_maxima, max(1000, image.size // 100), smooth, noise, np.float32(threshold * factor)
    ).astype(np.int64)
    height = smooth[places[:, 1], places[:, 0]]
    # A stable order: by height, then by place, so that equal maxima do not change places.
    order = np.lexsort((places[:, 0], places[:, 1], -height))
    places, height = places[order], height[order]
    if len(places) > 1:
        pairs = cKDTree(places).query_pairs(max(4.0, 3.0 * fwhm), output_type="ndarray")
        keep = np.ones(len(places), bool)
        _stand_out(smooth, noise, places, np.sort(pairs, axis=1), 3 * factor, _DIP_SHARE, keep)
        places, height = places[keep], height[keep]
    return places, height


def guess_saturation(image: NDArray[np.float32]) -> float:
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
    with np.errstate(invalid="ignore"):
        top = float(np.fmax.reduce(image, axis=None))
        if not np.isfinite(top) or top <= 0:
            return np.inf
        high = image[image > 0.96 * top]
    count = int(np.count_nonzero(high > 0.98 * top))
    if count < 4 or count <= 2 * (high.size - count):
        return np.inf
    _, label = saturated_blobs(image, 0.98 * top)
    number = np.bincount(label)
    return 0.98 * top if number[number > 1].sum() >= 4 else np.inf


def saturated_blobs(
    image: NDArray[np.float32], saturation: float
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
    places = np.argwhere(image >= saturation)[:, ::-1]
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
