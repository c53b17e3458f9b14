"""Proposals for a transform from triangles of stars, and the proof against chance."""

import logging
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

__all__ = ["FEWEST_STARS", "Search", "apply_matrix", "find_pairs", "fit_matrix"]

_LOG = logging.getLogger(__name__)

Floats = NDArray[np.float64]

FEWEST_STARS = 4  # three pairs never pass the test of chance below, four can
CHANCE = 1e-4  # accepted expectation of chance matches over the whole space searched
NEIGHBOURS = 8  # of each star that form triangles with it: half may be false or missing
GUESS_ERROR = 20.0  # pixels that a first guess may be off
ALL_TRIANGLES = 25  # stars; lists as short as this use every triangle


def apply_matrix(matrix: Floats, xy: Floats) -> Floats:
    """(N, 2) places through a homogeneous (3, 3) matrix."""
    mapped = xy @ matrix[:2, :2].T + matrix[:2, 2]
    if matrix[2, 0] or matrix[2, 1]:
        mapped = mapped / (xy @ matrix[2, :2] + matrix[2, 2])[:, None]
    return mapped


@dataclass(frozen=True)
class _Triangles:
    """Corners (n, 3) as indices (A, B, C) with AB the longest side, code and length of AB."""

    corners: NDArray[np.intp]
    code: NDArray[np.complex128]
    length: Floats


def _triangles(xy: Floats) -> _Triangles:
    """Each star with every two of its nearest neighbours, once."""
    z = xy[:, 0] + 1j * xy[:, 1]
    k = len(xy) - 1 if len(xy) <= ALL_TRIANGLES else NEIGHBOURS
    near = cKDTree(xy).query(xy, k=k + 1)[1]
    corners = np.concatenate([near[:, (0, i, j)] for i, j in combinations(range(1, k + 1), 2)])
    corners = np.sort(corners, axis=1)
    # One number each, in the order of the three.
    number = np.unique((corners[:, 0] * len(xy) + corners[:, 1]) * len(xy) + corners[:, 2])
    corners = np.stack([number // len(xy) ** 2, number // len(xy) % len(xy), number % len(xy)], 1)
    sides = np.abs(z[corners[:, (1, 2, 0)]] - z[corners[:, (2, 0, 1)]])  # opposite of each corner
    apex = np.argmax(sides, axis=1)
    rows = np.arange(len(corners))
    a, b, c = (corners[rows, (apex + turn) % 3] for turn in (1, 2, 0))
    swap = np.abs(z[c] - z[a]) > np.abs(z[c] - z[b])  # A is the corner nearer to C
    a, b = np.where(swap, b, a), np.where(swap, a, b)
    length = np.abs(z[b] - z[a])
    good = length > 0
    a, b, c, length = a[good], b[good], c[good], length[good]
    return _Triangles(np.stack([a, b, c], axis=1), (z[c] - z[a]) / (z[b] - z[a]), length)


class _Raster:
    """The area around stars as a raster that shows whether a star is near a place."""

    def __init__(self, xy: Floats, tolerance: float) -> None:
        self.origin = xy.min(axis=0)
        extent = float(np.max(xy.max(axis=0) - self.origin))
        # 1.5 cells reach as far as a triangle's error grows over the field.
        self.cell = max(tolerance, extent / 1000)
        shape = np.ceil((xy.max(axis=0) - self.origin) / self.cell).astype(int) + 3
        # 0 around it, 1 inside without a star, 2 near one.
        self.kind = np.zeros(shape + 2, dtype=np.uint8)
        inside = self.kind[1:-1, 1:-1]
        inside[:] = 1
        ix, iy = (np.floor((xy - self.origin) / self.cell).astype(np.int64) + 1).T
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                inside[ix + dx, iy + dy] = 2
        self.share = np.count_nonzero(self.kind == 2) / inside.size

    def log_improbability(self, matrices: Floats, src: Floats) -> Floats:
        """How far beyond chance each of (n, 3, 3) affine transforms puts stars on stars."""
        cells = []
        for axis in (0, 1):
            slope = matrices[:, axis, :2] / self.cell
            start = (matrices[:, axis, 2] - self.origin[axis]) / self.cell + 2
            at = slope[:, :1] * src[:, 0] + slope[:, 1:] * src[:, 1] + start[:, None]
            # What falls beside the picture falls on its border; above 0 a cast rounds down.
            cells.append(np.clip(at, 0, self.kind.shape[axis] - 1).astype(np.int32))
        found = self.kind.take(cells[0] * np.int32(self.kind.shape[1]) + cells[1])
        hits = np.count_nonzero(found == 2, axis=1)
        expected = self.share * np.count_nonzero(found, axis=1) + 1e-9
        gain = hits * np.log(np.maximum(hits, 1e-9) / expected) - (hits - expected)
        return np.where(hits > expected, gain, 0.0)


def _common(
    matrix: Floats, src: Floats, dst: Floats
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Stars of both lists inside the box that both cover, `GUESS_ERROR` more on each side."""
    mapped = apply_matrix(matrix, src)
    low = np.maximum(mapped.min(axis=0), dst.min(axis=0)) - GUESS_ERROR
    high = np.minimum(mapped.max(axis=0), dst.max(axis=0)) + GUESS_ERROR
    inside = [((xy >= low) & (xy <= high)).all(axis=1) for xy in (mapped, dst)]
    return inside[0], inside[1]


class Search:
    """The two lists and the limits of the transforms that are looked for."""

    def __init__(
        self,
        src: Floats,
        dst: Floats,
        tolerance: float,
        scale_range: tuple[float, float],
        mirror: bool,
    ) -> None:
        self.src, self.dst, self.tolerance, self.scale_range = src, dst, tolerance, scale_range
        self.signs = (1, -1) if mirror else (1,)
        sizes = [float(np.hypot(*np.ptp(xy, axis=0))) for xy in (src, dst)]
        self.size_source, self.size_target = sizes[0] * scale_range[1], sizes[1]

    def best_proposal(self, limit: int) -> Floats | None:
        """The best transform beyond chance from the `limit` brightest stars, or None."""
        src, dst = self.src[:limit], self.dst[:limit]
        raster = _Raster(dst, self.tolerance)
        one, two = _triangles(src), _triangles(dst)
        found = [self._proposals(src, dst, one, two, sign) for sign in self.signs]
        matrices = np.concatenate(found)
        log_improbability = np.zeros(len(matrices))
        for start in range(0, len(matrices), 512):  # a section at a time bounds the memory
            log_improbability[start : start + 512] = raster.log_improbability(
                matrices[start : start + 512], src
            )
        order = np.argsort(-log_improbability, kind="stable")
        best, best_chance, tried, least = None, np.log(CHANCE), 0, np.inf
        tree = cKDTree(dst)
        corners = np.array([src.min(axis=0), src.max(axis=0)])
        candidates = matrices[order[:200]]
        places = corners @ candidates[:, :2, :2].transpose(0, 2, 1) + candidates[:, None, :2, 2]
        seen = np.zeros(len(candidates), dtype=bool)
        for k, candidate in enumerate(candidates):
            if seen[k]:
                continue
            seen |= np.abs(places - places[k]).max(axis=(1, 2)) < 4 * raster.cell
            refined = self._grow(candidate, src, dst, tree, 1.5 * raster.cell)
            chance = np.inf if refined is None else self.log_chance(refined, src, tree)
            least = min(least, chance)
            if chance < best_chance:
                best, best_chance = refined, chance
            tried += 1
            # Others are still tried, so that a chance pattern (hot pixels) that is
            # beyond chance too does not win by coming first.
            if tried >= (6 if best is not None else 40):
                break
        if best is None:
            _LOG.debug(
                "%d and %d stars: the best of %d transforms is expected 10^%.1f times by chance, "
                "10^%.0f at most would count",
                len(src), len(dst), tried, least / np.log(10), np.log10(CHANCE),
            )  # fmt: skip
        return best

    def check_guess(self, matrix: Floats, limit: int) -> Floats | None:
        """A transform known roughly, refined; None if it is not beyond chance."""
        of_src, of_dst = _common(matrix, self.src, self.dst)
        src, dst = self.src[of_src][:limit], self.dst[of_dst][:limit]
        if min(len(src), len(dst)) < FEWEST_STARS:
            return None
        tree = cKDTree(dst)
        refined = self._grow(matrix, src, dst, tree, GUESS_ERROR)
        if refined is None or self.log_chance(refined, src, tree) > np.log(CHANCE):
            return None
        return refined

    def _proposals(
        self, src: Floats, dst: Floats, one: _Triangles, two: _Triangles, sign: int
    ) -> Floats:
        """(n, 3, 3) similarities from all pairs of similar triangles."""
        flip = np.array([1.0, sign])
        if sign < 0:  # mirrored
            one = replace(one, code=one.code.conj())
        if not len(one.code) or not len(two.code):
            return np.empty((0, 3, 3))
        # Corners that are off by a third of the tolerance, seen from a typical triangle.
        margin = self.tolerance / 3
        reach = 2 * margin / np.percentile(two.length, 25)
        trees = [cKDTree(np.stack([t.code.real, t.code.imag], axis=1)) for t in (one, two)]
        pairs = trees[0].sparse_distance_matrix(trees[1], min(reach, 0.05), output_type="ndarray")
        i, j = pairs["i"], pairs["j"]
        ratio = two.length[j] / one.length[i]
        # The error of the code is that of three places over the longest side.
        near = pairs["v"] * two.length[j] < 2 * margin
        near &= (ratio > self.scale_range[0] * 0.995) & (ratio < self.scale_range[1] * 1.005)
        # The best fitting ones; so many that looking at them takes milliseconds.
        error = pairs["v"][near] * two.length[j][near]
        order = np.argsort(error, kind="stable")[: 2_000_000 // max(len(src), 100)]
        i, j = i[near][order], j[near][order]
        p, q = (src * flip)[one.corners[i]], dst[two.corners[j]]
        zp, zq = p[..., 0] + 1j * p[..., 1], q[..., 0] + 1j * q[..., 1]
        mean_p, mean_q = zp.mean(axis=1), zq.mean(axis=1)
        dp, dq = zp - mean_p[:, None], zq - mean_q[:, None]
        turn = (np.conj(dp) * dq).sum(axis=1) / (np.abs(dp) ** 2).sum(axis=1)
        shift = mean_q - turn * mean_p
        matrices = np.zeros((len(turn), 3, 3))
        matrices[:, 0, 0], matrices[:, 0, 1] = turn.real, -turn.imag * sign
        matrices[:, 1, 0], matrices[:, 1, 1] = turn.imag, turn.real * sign
        matrices[:, 0, 2], matrices[:, 1, 2], matrices[:, 2, 2] = shift.real, shift.imag, 1.0
        return matrices

    def _grow(
        self, matrix: Floats, src: Floats, dst: Floats, tree: cKDTree, radius: float
    ) -> Floats | None:
        """A proposal refined on all pairs it brings together, from wide to narrow."""
        for reach in (radius, max(radius / 2, self.tolerance), self.tolerance):
            i, j, _ = find_pairs(src, tree, matrix, reach)
            if len(i) < FEWEST_STARS:
                return None
            matrix = fit_matrix(src[i], dst[j], np.ones(len(i)), "similarity", matrix)
        scale = np.sqrt(abs(np.linalg.det(matrix[:2, :2])))
        # Half a percent beyond the limits is centroid noise on a small common area.
        low, high = self.scale_range
        return matrix if low * 0.995 < scale < high * 1.005 else None

    def log_chance(self, matrix: Floats, src: Floats, tree: cKDTree) -> float:
        """Log of the number of transforms expected to do as well by chance, an upper bound."""
        count = min(9, tree.n)
        distance, near = tree.query(apply_matrix(matrix, src), k=count)
        reach, nearest, first = distance[:, -1], distance[:, 0], near[:, 0]
        best = np.inf
        for radius in self.tolerance / 2.0 ** np.arange(4):
            pairs = len(set(first[nearest < radius].tolist()))  # each star at most once
            # Density from the nearest nine; twice, as at the edge half of the circle is empty.
            expected = np.minimum(2 * count * (radius / np.maximum(reach, radius)) ** 2, 1).sum()
            if pairs <= expected:
                continue
            tail = pairs - expected - pairs * np.log(pairs / expected)
            diagonal = min(self.size_source, self.size_target)
            space = 2 * np.log((self.size_source + self.size_target) / radius)
            space += np.log(max(2 * np.pi * diagonal / 2 / radius, 1) * len(self.signs))
            span = (self.scale_range[1] - self.scale_range[0]) * diagonal / 2
            space += np.log(max(span / radius, 1)) + np.log(4)  # four radii were tried
            best = min(best, tail + space)
        return float(best)


def find_pairs(
    src: Floats, tree: cKDTree, matrix: Floats, radius: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Nearest pairs within `radius`, each star at most once: indices and distances."""
    distance, j = tree.query(apply_matrix(matrix, src), distance_upper_bound=radius)
    i = np.flatnonzero(np.isfinite(distance))
    i = i[np.argsort(distance[i], kind="stable")]
    _, first = np.unique(j[i], return_index=True)
    i = np.sort(i[first])
    return i, j[i], distance[i]


def _solve(design: Floats, right: Floats) -> Floats:
    """Least squares by the normal equations.

    Exact enough here, since columns are of order 1, and ten times as fast as by singular values
    on thousands of stars.
    """
    return np.asarray(np.linalg.lstsq(design.T @ design, design.T @ right, rcond=None)[0])


def fit_matrix(src: Floats, dst: Floats, weight: Floats, model: str, start: Floats) -> Floats:
    """Weighted least squares; coordinates are centred and scaled to keep it well conditioned."""
    total, column = weight.sum(), weight[:, None]
    centre_p, centre_q = ((xy * column).sum(axis=0) / total for xy in (src, dst))
    far = ((src - centre_p) ** 2).sum(axis=1)
    size = float(np.sqrt((far * weight).sum() / total)) or 1.0
    p, q = (src - centre_p) / size, (dst - centre_q) / size
    w = np.sqrt(weight)[:, None]
    inner = np.eye(3)
    if model == "similarity":
        sign = 1.0 if np.linalg.det(start[:2, :2]) > 0 else -1.0
        zp, zq = p[:, 0] + 1j * sign * p[:, 1], q[:, 0] + 1j * q[:, 1]
        turn = (weight * np.conj(zp) * zq).sum() / (weight * np.abs(zp) ** 2).sum()
        inner[:2, :2] = [[turn.real, -sign * turn.imag], [turn.imag, sign * turn.real]]
    elif model == "affine":
        design = np.column_stack([p, np.ones(len(p))])
        inner[:2] = _solve(design * w, q * w).T
    else:
        one, zero = np.ones((len(p), 1)), np.zeros((len(p), 3))
        top = np.hstack([p, one, zero, -p * q[:, :1]])
        low = np.hstack([zero, p, one, -p * q[:, 1:]])
        design, right = np.vstack([top * w, low * w]), np.concatenate([q[:, :1] * w, q[:, 1:] * w])
        inner = np.append(_solve(design, right[:, 0]), 1.0).reshape(3, 3)
    before = np.array([[1, 0, -centre_p[0]], [0, 1, -centre_p[1]], [0, 0, size]]) / size
    after = np.array([[size, 0, centre_q[0]], [0, size, centre_q[1]], [0, 0, 1]])
    matrix = after @ inner @ before
    return np.asarray(matrix / matrix[2, 2], dtype=float)
