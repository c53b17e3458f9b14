"""Every star list onto the reference: directly, over a neighbour, or onto all stars known."""

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from astropy.nddata import NDData
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.errors import InputError
from framesort.images import as_picture
from framesort.records import Transform, column_values
from framesort.registration._grid import Grid, make_grid, may_bend, transform_from_wcs
from framesort.stars import find_stars, match_star_lists
from framesort.workers import Progress, run_tasks

__all__ = ["register_frames"]

_LOG = logging.getLogger(__name__)

Floats = NDArray[np.float64]

NEIGHBOURS_TRIED = 6  # frames placed that one is compared with before it is given up
TRIED_ALIKE = 2  # of them and of the reference show one and the same piece of sky, at most
NEW_SKY = 0.1  # share of a frame's size by which another one shows another piece of sky
MERGE_STARS = 1000  # brightest of a frame that go into the merged list
MERGE_RADIUS = 2.0  # grid pixels within which two entries are one star


def register_frames(
    star_lists: Sequence[Table | None],
    *,
    paths: Sequence[Any] | None = None,
    grid: Grid | None = None,
    groups: Sequence[str] | None = None,
    quality: Sequence[float] | None = None,
    reference: int | Table | Any = None,
    options: dict[str, Any] | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> list[Transform]:
    """Find where every frame lands on the grid of the reference.

    Parameters
    ----------
    star_lists : sequence of `~astropy.table.Table` or None
        One a frame, in the order of the exposures; columns `x`, `y`, `flux`, pixels. In
        place of a list a `~astropy.nddata.CCDData`, whose stars are found, masked pixels left
        out. None for a frame without a list.
    paths : sequence of path or None
        The frames; with `grid`, optical distortion that their WCS holds is followed.
    grid : Grid or None
        Shape and header of the grid of `reference`.
    groups : sequence of str or None
        Group of each frame; a frame that the reference does not know is first compared with
        frames of its own group.
    quality : sequence of float or None
        Higher is better, NaN is not to be used: chooses the reference if none is given, and
        the frames from which stars are merged. None takes the number of stars.
    reference : int, star list or None
        Index of the frame whose pixels are the grid, or the star list of a grid made
        elsewhere; None for the frame of the highest quality.
    options : dict or None
        Handed to `framesort.stars.match_star_lists`, for example ``{"tolerance": 5.0}``.
        Mirror images are looked for unless it says ``{"mirror": False}``.
    executor : `~concurrent.futures.Executor` or None
        Where the matching runs; None for this process.
    progress : callable or None
        Wraps the iteration over frames, as `tqdm.tqdm` does.

    Returns
    -------
    list of `~framesort.records.Transform`
        One a frame, in order. A frame that cannot be placed has the reason "not matched" or
        "few stars"; of one that is a mirror image `mirrored` is true. The reference itself has
        the identity, its number of stars and residual 0.

    Raises
    ------
    ValueError
        `groups` or `quality` is not as long as `star_lists`, or `reference` is out of range.

    Notes
    -----
    A frame that shares too few stars with the reference (a drift over the night, a mosaic) is
    matched with frames already placed, the nearest in the sequence first. The product of both
    transforms is then a first guess for a match with the merged list of all stars placed so
    far, so that errors do not add up along a chain. This is repeated as long as it places
    frames. A frame that matches nothing is given up after the reference and six frames at most,
    of which no more than two (the reference is one) show the same sky to a tenth of a frame: on
    a night without drift after two searches. Each result depends on the lists alone, not on
    the number of workers.

    Where the WCS of a frame and of the grid have distortion between them that no projective
    transform follows to 0.1 pixel, the star list is mapped over the sky first. What is matched
    then is a correction of the WCS, and the transform has a `pixel_map`.
    """
    count = len(star_lists)
    for name, values in (("groups", groups), ("quality", quality)):
        if values is not None and len(values) != count:
            raise ValueError(f"{name} must have {count} values, got {len(values)}")
    if count == 0:
        return []
    places = [_brightest_first(stars) for stars in star_lists]
    bent = _follow_distortion(places, paths, grid)
    merit = np.asarray([len(xy) for xy in places] if quality is None else quality, dtype=float)
    index: int | None = None
    if reference is None:
        index = int(np.argmax(np.where(np.isfinite(merit), merit, -np.inf)))
    elif isinstance(reference, int | np.integer):
        index = int(reference)
        if not 0 <= index < count:
            raise ValueError(f"reference must be below {count}, got {index}")
    target = places[index] if index is not None else _brightest_first(reference)
    match: Callable[..., Transform] = partial(
        match_star_lists, **{"mirror": True, **(options or {})}
    )
    todo = [i for i in range(count) if i != index]
    results = run_tasks(
        partial(_match_with, match, target),
        [places[i] for i in todo],
        executor=executor,
        progress=progress,
    )
    transforms = [Transform(reason="not matched")] * count
    for i, transform in zip(todo, results, strict=True):
        transforms[i] = transform
    if index is not None:
        transforms[index] = Transform(matrix=np.eye(3), matched=len(target), residual=0.0)
    _place_others(transforms, places, target, groups, merit, match)
    if _LOG.isEnabledFor(logging.DEBUG):
        for i in (i for i in todo if not transforms[i]):
            _LOG.debug("frame %d of %d: %s", i + 1, count, transforms[i].reason)
            match(places[i], target)  # once more, in this process, for what it logs
    for i, over_sky in bent.items():
        if t := transforms[i]:
            moved = over_sky.followed_by(t.matrix)
            transforms[i] = replace(moved, matched=t.matched, residual=t.residual)
    return transforms


def _follow_distortion(
    places: list[Floats], paths: Sequence[Any] | None, grid: Grid | None
) -> dict[int, Transform]:
    """Map star lists of frames with distortion onto the grid, in place; their transforms."""
    bent: dict[int, Transform] = {}
    if paths is None or grid is None or not grid.has_wcs:
        return bent
    for i, path in enumerate(paths):
        try:
            header = make_grid(path).header
        except InputError:  # not FITS: no WCS
            continue
        if not may_bend(header, grid.header):
            continue
        transform = transform_from_wcs(header, grid.header)
        if transform.pixel_map is not None:
            mapped = np.stack(transform.map_points(*places[i].T), axis=1)
            places[i] = mapped[np.isfinite(mapped).all(axis=1)]
            bent[i] = transform
    return bent


def _match_with(match: Callable[..., Transform], target: Floats, source: Floats) -> Transform:
    return match(source, target)


def _brightest_first(stars: Any) -> Floats:
    """(N, 2) finite places of a star list, brightest first; light enough to send around."""
    if stars is None:
        return np.empty((0, 2))
    if isinstance(stars, NDData):
        stars = find_stars(as_picture(stars, name="frame").data)
    if not isinstance(stars, Table):
        return np.asarray(stars, dtype=float).reshape(-1, 2)
    columns = []
    for name in ("x", "y", "flux"):
        if name == "flux" and name not in stars.colnames:
            columns.append(-np.arange(len(stars), dtype=float))
            continue
        columns.append(column_values(stars, name))
    x, y, flux = columns
    good = np.isfinite(x) & np.isfinite(y)
    order = np.argsort(-np.nan_to_num(flux[good], nan=-np.inf), kind="stable")
    return np.stack([x[good], y[good]], axis=1)[order]


def _place_others(
    transforms: list[Transform],
    places: list[Floats],
    target: Floats,
    groups: Sequence[str] | None,
    merit: Floats,
    match: Callable[..., Transform],
) -> None:
    """Fill in frames that the reference does not know, over those that it knows.

    The pair nearest in the sequence is always next, so that a drift is followed step by step.
    """
    count = len(transforms)
    missing = np.array([t.reason == "not matched" for t in transforms])
    if not missing.any():
        return
    merged = _MergedStars(target)
    placed = np.zeros(count, dtype=bool)
    for i in range(count):
        if transforms[i] and np.isfinite(merit[i]):
            placed[i] = True
            merged.add(places[i], transforms[i])
    number = np.arange(count)
    cost = np.abs(number[:, None] - number).astype(float)
    if groups is not None:
        kind = np.asarray(groups)
        cost += np.where(kind[:, None] == kind, 0, count)
    tries = np.zeros(count, dtype=int)
    size = float(np.max(np.ptp(target, axis=0))) if len(target) else np.inf
    centre = np.full((count, 2), np.nan)
    tried: list[list[Floats]] = [[_centre_of(target)] for _ in range(count)]
    for one in np.flatnonzero(placed):
        centre[one] = _centre_of(places[one], transforms[one])
    while True:
        open_pairs = (missing & (tries < NEIGHBOURS_TRIED))[:, None] & placed
        if not (open_pairs & np.isfinite(cost)).any():
            return
        i, k = divmod(int(np.argmin(np.where(open_pairs, cost, np.inf))), count)
        cost[i, k] = np.inf
        similar = sum(bool(np.hypot(*(centre[k] - other)) < NEW_SKY * size) for other in tried[i])
        if similar >= TRIED_ALIKE:
            continue
        tries[i] += 1
        tried[i].append(centre[k])
        step = match(places[i], places[k])
        if step:
            transforms[i] = _onto_merged(step, transforms[k], places[i], merged.stars(), match)
            missing[i] = False
            if np.isfinite(merit[i]):
                placed[i] = True
                centre[i] = _centre_of(places[i], transforms[i])
                merged.add(places[i], transforms[i])


def _centre_of(stars: Floats, transform: Transform | None = None) -> Floats:
    """The middle of the area that stars cover, on the grid if a transform is given."""
    middle = (stars.min(axis=0) + stars.max(axis=0)) / 2 if len(stars) else np.full(2, np.nan)
    return middle if transform is None else np.array(transform.map_points(*middle), dtype=float)


def _onto_merged(
    step: Transform,
    onward: Transform,
    source: Floats,
    merged: Floats,
    match: Callable[..., Transform],
) -> Transform:
    matrix = onward.matrix @ step.matrix
    chain = Transform(
        matrix=matrix / matrix[2, 2],
        matched=step.matched,
        residual=float(np.hypot(step.residual * onward.scale, onward.residual)),
    )
    final = match(source, merged, guess=chain)
    if not final:
        return chain
    corners = np.array([source.min(axis=0), source.max(axis=0)])
    apart = np.subtract(final.map_points(*corners.T), chain.map_points(*corners.T))
    # Over the frame the chain is good to a few pixels; a match elsewhere is not this one.
    return final if np.hypot(*apart).max() < 30 else chain


class _MergedStars:
    """Stars of the reference, and those of other frames that it does not have, on the grid."""

    def __init__(self, target: Floats) -> None:
        self._xy = target[:MERGE_STARS]
        self._rank = np.arange(len(self._xy))

    def add(self, stars: Floats, transform: Transform) -> None:
        """Take in what a placed frame has beyond the stars known."""
        mapped = np.stack(transform.map_points(*stars[:MERGE_STARS].T), axis=1)
        new = np.ones(len(mapped), dtype=bool)
        if len(self._xy):
            tree = cKDTree(self._xy)
            new = ~np.isfinite(tree.query(mapped, distance_upper_bound=MERGE_RADIUS)[0])
        self._xy = np.concatenate([self._xy, mapped[new]])
        self._rank = np.concatenate([self._rank, np.arange(len(mapped))[new]])

    def stars(self) -> Floats:
        """By brightness rank within their frame: the brightest of every part come first."""
        return self._xy[np.argsort(self._rank, kind="stable")]
