"""Transparency of each frame, from the flux of matched stars."""

import os
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from framesort.quality._ratios import KeptRatios
from framesort.records import FrameQuality, Transform
from framesort.stars import match_star_lists
from framesort.workers import own_processes, run_tasks

__all__ = ["measure_transparency"]

_LEAST_PAIRS = 5
_REFERENCES = 3
_MOST_STARS = 1000
_COLUMNS = ["x", "y", "flux", "flux_err", "saturated", "clean"]


def measure_transparency(
    qualities: Sequence[FrameQuality],
    groups: Any,
    *,
    transforms: Sequence[Transform] | None = None,
    cache: str | os.PathLike[str] | None = None,
    executor: Executor | None = None,
) -> NDArray[np.float64]:
    """Flux of each frame's stars against the same stars on the night's best frames.

    The thousand brightest are matched with those of the group's richest frames; the flux ratio is
    the median over matched unsaturated stars, weighted by their signal to noise. One is the
    level that a tenth of the group's frames exceed.

    Parameters
    ----------
    qualities : sequence of FrameQuality
        One a frame.
    groups : (n,) array_like of str
        Only frames of one group are compared.
    transforms : sequence of Transform or None
        Each frame onto a common grid, where known already; matched here when None.
    cache : path or None
        Folder in which the flux ratios of matched pairs are kept; found again by the stars of
        both frames. Not used with `transforms`.
    executor : `~concurrent.futures.Executor` or None
        Where frames are matched if it is a pool of `~framesort.workers.open_executor`.

    Returns
    -------
    (n,) float ndarray
        NaN where a frame has no measurement or could not be matched.
    """
    names = np.asarray([str(group) for group in groups], dtype=object)
    if len(names) != len(qualities):
        raise ValueError(
            f"groups must hold one name a frame, got {len(names)} for {len(qualities)} frames"
        )
    kept = KeptRatios(None if cache is None or transforms is not None else Path(cache))
    result = np.full(len(qualities), np.nan)
    for name in sorted(set(names)):
        rows = [int(i) for i in np.flatnonzero(names == name) if qualities[int(i)]]
        if not rows:
            continue
        # The number of stars measures the depth; frames of equal number keep their order.
        richest = sorted(rows, key=lambda i: -qualities[i].stars)[:_REFERENCES]
        scale = {richest[0]: 1.0}
        for reference in richest:
            if reference not in scale:
                if not np.isfinite(result[reference]):
                    continue
                scale[reference] = float(result[reference])
            if reference == richest[0]:
                result[reference] = 1.0
            todo = [i for i in rows if not np.isfinite(result[i])]
            keys = {i: kept.key(qualities[i], qualities[reference]) for i in todo}
            ratios = {i: ratio for i in todo if (ratio := kept.get(keys[i])) is not None}
            fresh = [i for i in todo if i not in ratios]
            pairs = [_pair(qualities, i, reference, transforms) for i in fresh]
            found = run_tasks(_flux_ratio, pairs, executor=own_processes(executor))
            for i, ratio in zip(fresh, found, strict=True):
                kept.put(keys[i], ratio)
                ratios[i] = ratio
            for i in todo:
                result[i] = ratios[i] * scale[reference]
        best = np.nanpercentile(result[rows], 90)
        result[rows] /= best
    kept.save()
    return result


@dataclass(frozen=True)
class _Pair:
    """The brightest stars of a frame and of a reference, and both transforms where known."""

    source: Table
    target: Table
    transforms: tuple[Transform, Transform] | None


def _pair(
    qualities: Sequence[FrameQuality],
    frame: int,
    reference: int,
    transforms: Sequence[Transform] | None,
) -> _Pair:
    # Brightest first; the others' fluxes would not count for much.
    source, target = (qualities[k].star_list[_COLUMNS][:_MOST_STARS] for k in (frame, reference))
    known = None if transforms is None else (transforms[frame], transforms[reference])
    return _Pair(source, target, known)


def _flux_ratio(pair: _Pair) -> float:
    """Weighted median of the flux ratios of matched stars; NaN where too few match."""
    source, target = pair.source, pair.target
    if pair.transforms is None:
        step = match_star_lists(source, target, mirror=True)
        if not step:
            return np.nan
        x, y = step.map_points(source["x"], source["y"])
        places = np.column_stack([target["x"], target["y"]])
    else:
        onto, reference = pair.transforms
        if not (onto and reference):
            return np.nan
        x, y = onto.map_points(source["x"], source["y"])
        places = np.column_stack(reference.map_points(target["x"], target["y"]))
    distance, index = cKDTree(places).query(np.column_stack([x, y]), distance_upper_bound=1.5)
    pairs = np.flatnonzero(np.isfinite(distance))
    other = index[pairs]
    usable = ~np.asarray(source["saturated"])[pairs] & ~np.asarray(target["saturated"])[other]
    # Isolated stars where there are enough: a blend changes with the width of the stars.
    clean = usable & np.asarray(source["clean"])[pairs] & np.asarray(target["clean"])[other]
    if clean.sum() >= 20:
        usable = clean
    pairs, other = pairs[usable], other[usable]
    if len(pairs) < _LEAST_PAIRS:
        return np.nan
    one, two = np.asarray(source["flux"])[pairs], np.asarray(target["flux"])[other]
    error = np.hypot(
        np.asarray(source["flux_err"])[pairs] / one, np.asarray(target["flux_err"])[other] / two
    )
    # The floor keeps a few bright stars from deciding alone; unknown uncertainties give
    # all stars the same weight.
    weight = 1 / (np.nan_to_num(error, nan=0.0) ** 2 + 0.02**2)
    order = np.argsort(one / two, kind="stable")
    below = np.cumsum(weight[order])
    middle = int(np.searchsorted(below, 0.5 * below[-1]))
    return float((one / two)[order][middle])
