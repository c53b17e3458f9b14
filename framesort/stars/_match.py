"""Star lists to a transform: which star is which, from their places alone.

Small triangles of neighbouring bright stars are compared by a code that neither shift,
rotation nor scale changes. Every pair of similar triangles proposes a transform; the proposals
that put most stars on stars are refined, and the best is believed only if chance would not
produce it anywhere in the space of transforms searched.
"""

import numpy as np
from astropy.table import Table
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from framesort.records import Transform, column_values
from framesort.stars._proposals import (
    FEWEST_STARS,
    Search,
    apply_matrix,
    find_pairs,
    fit_matrix,
)

__all__ = ["match_star_lists"]

Floats = NDArray[np.float64]

AFFINE_FROM = 10  # pairs; below, four parameters are safer than six
LEAST_SQUARE = 0.97  # smaller scale over larger one; refraction near the horizon makes 0.99
PROJECTIVE_FROM = 40  # pairs; below, eight parameters follow the noise
RESIDUAL_FROM = 20  # pairs that the residual is made of, at least
RESIDUAL_OF = 50  # and at most


def match_star_lists(
    source: Table | ArrayLike,
    target: Table | ArrayLike,
    *,
    max_stars: int = 400,
    tolerance: float = 3.0,
    scale_range: tuple[float, float] = (0.9, 1.1),
    mirror: bool = False,
    model: str = "auto",
    guess: Transform | None = None,
) -> Transform:
    """Find the transform that takes the stars of one list to those of another.

    Neither places on the sky nor a first guess are needed: any rotation, any shift that
    leaves a common area, a third of false entries and a common area of 30 % are fine.

    Parameters
    ----------
    source, target : `~astropy.table.Table` or (N, 2) array_like
        Star lists: a table with columns `x`, `y` and, if there, `flux` (pixels; any unit),
        or places (x, y), brightest first. Rows with a place that is not finite are ignored.
    max_stars : int
        At most so many of the brightest stars are used to find the transform (few are tried
        first); all stars are used to refine it.
    tolerance : float
        Largest distance of a pair in the end, pixels of `target`. It must cover centroid
        errors and the optical distortion that the transform cannot follow.
    scale_range : (float, float)
        Smallest and largest scale, target pixels per source pixel.
    mirror : bool
        Search for mirror images as well.
    model : {"auto", "similarity", "affine", "projective"}
        Form of the result. "auto": affine, or a similarity below 10 pairs, or projective
        where that fits far better (two pointings of one wide field).
    guess : `~framesort.records.Transform` or None
        A transform good to some 20 pixels, tried before the search. It must pass the same
        proof against chance.

    Returns
    -------
    transform : `~framesort.records.Transform`
        `residual` is the rms distance of the brighter quarter of the pairs kept (20 at least, 50
        at most) without outliers, target pixels. Reason "few stars"
        with fewer than 4 stars in a list, "not matched" where no transform is beyond chance.
        The same lists always give the same transform.

    Raises
    ------
    ValueError
        A list has no (x, y), or an option is out of range.

    Notes
    -----
    The code of a triangle is the place of its third corner in a frame that puts its longest
    side on (0, 0)-(1, 0), as Lang et al. 2010, AJ 139, 1782 use for four stars. Proof against
    chance: with ``k`` pairs within ``r`` and ``m`` expected from the local star density, the
    probability of a random transform doing as well is below ``exp(k - m - k ln(k / m))``
    (Chernoff's bound of the Poisson tail); times the number of transforms in the searched
    space that differ by more than ``r``, it must stay below 1e-4.

    Examples
    --------
    >>> import numpy as np
    >>> stars = np.random.default_rng(1).uniform(0, 1000, (60, 2))
    >>> turned = 999 - stars  # half a turn
    >>> round(abs(match_star_lists(stars, turned).rotation), 6)
    180.0
    """
    if not 0 < scale_range[0] <= scale_range[1]:
        raise ValueError(f"scale_range must be two positive increasing values, got {scale_range}")
    if not tolerance > 0:
        raise ValueError(f"tolerance must be above 0, got {tolerance}")
    if max_stars < FEWEST_STARS:
        raise ValueError(f"max_stars must be {FEWEST_STARS} or more, got {max_stars}")
    if model not in ("auto", "similarity", "affine", "projective"):
        raise ValueError(f"model must be auto, similarity, affine or projective, got {model!r}")
    src, dst = _places(source, "source"), _places(target, "target")
    if min(len(src), len(dst)) < FEWEST_STARS:
        return Transform(reason="few stars")
    search = Search(src, dst, tolerance, scale_range, mirror)
    if guess:
        matrix = search.check_guess(guess.matrix, max_stars)
        if matrix is not None:
            return _finish(src, dst, matrix, tolerance, model)
    limits = sorted({min(n, max_stars) for n in (50, 150, 400, max_stars)})
    for step, limit in enumerate(limits):
        matrix = search.best_proposal(limit)
        if matrix is not None:
            return _finish(src, dst, matrix, tolerance, model)
        if limit >= max(len(src), len(dst)) and step > 0:
            break
    return Transform(reason="not matched")


def _places(stars: Table | ArrayLike, name: str) -> Floats:
    """(N, 2) finite places, brightest first."""
    if isinstance(stars, Table):
        if not {"x", "y"} <= set(stars.colnames):
            raise ValueError(f"{name} must have columns x and y, got {stars.colnames}")
        xy = np.stack([column_values(stars, "x"), column_values(stars, "y")], axis=-1)
        if "flux" in stars.colnames:
            flux = column_values(stars, "flux")
            xy = xy[np.argsort(-np.nan_to_num(flux, nan=-np.inf), kind="stable")]
    else:
        xy = np.asarray(stars, dtype=float)
        if xy.size == 0:
            xy = xy.reshape(0, 2)
        if xy.ndim != 2 or xy.shape[1] != 2:
            raise ValueError(f"{name} must have the shape (N, 2), got {xy.shape}")
    return np.ascontiguousarray(xy[np.isfinite(xy).all(axis=1)])


def _weights(distance: Floats) -> Floats:
    """Weights of pairs, brightest first, from how far pairs of like brightness are apart.

    Tukey's biweight (Beaton & Tukey 1974; 4.685 for 95 % efficiency, common practice) of the
    distance over its local scale, times the inverse square of that scale: faint stars have
    larger centroid errors, whatever their cause.
    """
    groups = max(1, min(12, len(distance) // 25))
    # The median of a Rayleigh distribution is sqrt(2 ln 2) times its sigma.
    size, longer = divmod(len(distance), groups)  # the first ones have one more
    border = longer * (size + 1)
    parts = [distance[:border].reshape(longer, size + 1), distance[border:].reshape(-1, size)]
    sigma = np.concatenate([np.median(part, axis=1) for part in parts if part.size])
    sigma /= np.sqrt(2 * np.log(2))
    number = np.where(np.arange(groups) < longer, size + 1, size)
    centre = np.cumsum(number) - number / 2
    floor = max(0.2 * float(np.median(sigma)), 1e-9)
    scale = np.interp(np.arange(len(distance)), centre, np.maximum(sigma, floor))
    u = np.minimum(distance / (4.685 * scale), 1.0)
    weight = (1 - u**2) ** 2 / scale**2
    return weight if np.count_nonzero(weight) >= FEWEST_STARS else np.ones(len(distance))


def _finish(src: Floats, dst: Floats, matrix: Floats, tolerance: float, model: str) -> Transform:
    """Robust, weighted fit over all stars of both lists."""
    tree = cKDTree(dst)
    i, j, distance = find_pairs(src, tree, matrix, tolerance)
    form = "similarity" if model == "similarity" or len(i) < AFFINE_FROM else "affine"
    for last in (False, True):
        start = matrix
        matrix, distance, weight = _fit_robust(src[i], dst[j], distance, form, start)
        if model == "auto" and form == "affine" and _squeezed(matrix):
            # A narrow strip of common stars does not constrain the direction across it.
            form = "similarity"
            distance = np.hypot(*(apply_matrix(start, src[i]) - dst[j]).T)
            matrix, distance, weight = _fit_robust(src[i], dst[j], distance, form, start)
        if not last:
            i, j, distance = find_pairs(src, tree, matrix, tolerance)
    if model == "projective" or (
        model == "auto" and form == "affine" and len(distance) >= PROJECTIVE_FROM
    ):
        far = np.hypot(*(apply_matrix(matrix, src[i]) - dst[j]).T)
        other, far, weight_far = _fit_robust(src[i], dst[j], far, "projective", matrix)
        # Two more parameters: F above 20 is far beyond chance (p about 1e-8) for >= 40 pairs.
        before = np.average(distance**2, weights=weight)
        after = max(float(np.average(far**2, weights=weight_far)), 1e-30)
        gain = (before / after - 1) * (2 * len(far) - 8) / 2
        if model == "projective" or (gain > 20 and len(far) >= len(distance)):
            matrix, distance = other, far
    # Of the brightest: of all, it would measure the faintest stars' centroids.
    bright = distance[: max(RESIDUAL_FROM, min(RESIDUAL_OF, len(distance) // 4))]
    return Transform(matrix=matrix, matched=len(distance), residual=_robust_rms(bright))


def _robust_rms(distance: Floats) -> float:
    """Rms without what is no star: knots of a nebula move with the stars' width.

    Beyond 2.5 times the rms lie 0.2 % of a Rayleigh distribution; its rms over its median is
    1 / sqrt(ln 2).
    """
    limit = 2.5 * np.median(distance) / np.sqrt(np.log(2))
    return float(np.sqrt(np.mean(distance[distance <= limit] ** 2)))


def _squeezed(matrix: Floats) -> bool:
    """Whether an affine transform changes one direction more than frames of one sky can."""
    large, small = np.linalg.svd(matrix[:2, :2], compute_uv=False)
    return bool(small < LEAST_SQUARE * large)


def _fit_robust(
    src: Floats, dst: Floats, distance: Floats, form: str, matrix: Floats
) -> tuple[Floats, Floats, Floats]:
    """Three rounds of reweighting on fixed pairs: transform, distances and weights kept."""
    for _ in range(3):
        weight = _weights(distance)
        matrix = fit_matrix(src, dst, weight, form, matrix)
        distance = np.hypot(*(apply_matrix(matrix, src) - dst).T)
    return matrix, distance[weight > 0], weight[weight > 0]
