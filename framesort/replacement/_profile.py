"""Star profiles without noise: made of many stars by one linear least-squares fit.

The profile of a star of flux 1 and width ``1 / q`` pixels is::

    P(dx, dy) = q**2 * [ sum_m R_m(rho) (cos m a, sin m a) + sum_lines L(|u|, |v|) ]

with ``rho = q * hypot(dx, dy)``, `a` the position angle, and u, v along and across a line of
light. R_m are cubic B-splines in ``sqrt(rho)``, L is a product of such splines in ``sqrt(|u|)``
and ``|v|``: a spike is the same on both sides of the star. What no star shows is held at 0 by a
prior whose width is a generous star profile.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.optimize import isotonic_regression, nnls

from framesort.errors import NotEnoughFramesError
from framesort.replacement import _basis as basis
from framesort.replacement import _kernels as kernels
from framesort.replacement._kernels import HARMONICS, ORDERS, Tables
from framesort.workers import run_bands

# Spacings in sqrt(width): knots at 0.05, 0.2, 0.4, 0.8, 1.2 ... of the width, some 25 px apart at
# a hundred pixels; a star of that width has no finer detail.
STEP_T, N_T = 0.22, 30
N_INNER = 12
STEP_U, N_U = 0.4, 19
STEP_V, N_V = 0.3, 7
TAIL = 2.5
"""Standard deviations by which the rest of a spike must stand above 0."""
_PARTS = 4  # of the stars, gathered side by side

_SAMPLES = 24  # table columns per knot: linear interpolation is then good to 1e-4 of the peak


def _shape() -> tuple[float, int, int, float, int, float, int]:
    return (STEP_T, N_T, N_INNER, STEP_U, N_U, STEP_V, N_V)


def _grids() -> tuple[NDArray, NDArray, NDArray]:
    t = np.arange(0, (N_T + 1) * _SAMPLES + 2) * (STEP_T / _SAMPLES)
    u = np.arange(0, (N_U + 1) * 8 + 2) * (STEP_U / 8)
    v = np.arange(0, (N_V + 1) * 8 + 2) * (STEP_V / 8)
    return t, u, v


def _prior(rho: NDArray) -> NDArray:
    """A generous profile of flux about 1 and width 1: what a coefficient may be."""
    return 0.7 / (1 + 3 * rho**2) ** 1.25


@dataclass(frozen=True)
class Profile:
    """A star profile.

    Attributes
    ----------
    tables : Tables
        Samples the kernels read; the total over ``rho`` is 1.
    error : (n,) float64 ndarray
        Standard deviation of ``tables.radial[0]``.
    width : float
        Pixels that ``q = 1`` stands for: the stars' ``q`` is 1 / (width * local factor).
    """

    tables: Tables
    width: float
    error: NDArray

    def radius(self, flux: NDArray[np.float64], q: NDArray[np.float64], level: float) -> NDArray:
        """Distance in pixels beyond which the mean profile of a star stays below `level`."""
        t = np.arange(self.tables.radial.shape[1]) / self.tables.per_t
        edge = np.maximum.accumulate(np.abs(self.tables.radial[0])[::-1])[::-1]
        return _reach(edge, t, flux, q, level)

    def spike_reach(self, flux: NDArray, q: NDArray, level: float) -> NDArray:
        """Distance in pixels beyond which the lines of a star stay below `level`; 0 if none."""
        if not len(self.tables.cs):
            return np.zeros(len(flux))
        u = np.arange(self.tables.line.shape[1]) / self.tables.per_u
        top = np.abs(self.tables.line).max(axis=(0, 2))
        edge = np.maximum.accumulate(top[::-1])[::-1]
        return _reach(edge, u, flux, q, level)


def _reach(edge: NDArray, root: NDArray, flux: NDArray, q: NDArray, level: float) -> NDArray:
    need = level / np.maximum(np.abs(flux) * q**2, 1e-300)
    # `edge` falls monotonically: search it from its far end.
    far = len(edge) - np.searchsorted(edge[::-1], need, side="left")
    return root[np.clip(far, 0, len(root) - 1)] ** 2 / q


def moffat_profile(width: float, beta: float) -> Profile:
    """A Moffat profile of the given FWHM (pixels) to begin with."""
    t, u, v = _grids()
    radial = np.zeros((HARMONICS, len(t)))
    a = 1 / (2 * np.sqrt(2 ** (1 / beta) - 1))
    radial[0] = (beta - 1) / (np.pi * a * a) * (1 + (t**2 / a) ** 2) ** -beta
    radial[0, -2:] = 0.0
    tables = Tables(
        radial,
        _SAMPLES / STEP_T,
        0.0,
        np.zeros((0, len(u), len(v))),
        8 / STEP_U,
        8 / STEP_V,
        np.zeros((0, 2)),
    )
    return Profile(tables, width, np.zeros(len(t)))


def fit_profile(
    image: NDArray,
    model: NDArray,
    noise: float,
    eps: float,
    stars: tuple[NDArray, ...],
    old: Profile,
    angles: NDArray,
    *,
    norm: float,
    base: Profile | None = None,
    pixel_noise: float = 1.0,
    clip: float = 6.0,
) -> tuple[Profile, float]:
    """Profile from the pixels of the given stars (x, y, flux, q, radius, reach).

    Returns the profile, its total (the mean profile within `norm` pixels plus all lines) set
    to 1, and the factor by which fluxes must grow.
    `pixel_noise` is the noise of the image on scales of many pixels over that of a pixel (a smooth
    image subtracted from it leaves its noise there).
    """
    cs = np.column_stack([np.cos(angles), np.sin(angles)]).reshape(-1, 2)
    n = N_T + 2 * ORDERS * N_INNER + len(cs) * N_U * N_V
    gather: Any = basis.gather  # compiled: its signature is beyond the type checker
    parts: dict[int, tuple[NDArray, NDArray]] = {}

    def work(first: int, _: int) -> None:
        parts[first] = np.zeros((n, n)), np.zeros(n)
        some = (v[first::_PARTS] for v in stars)  # bright ones, which are large, in every part
        gather(image, model, noise, eps, clip, *some, old.tables, _shape(), cs, *parts[first])

    run_bands(work, _PARTS, band=1)
    normal, right = np.zeros((n, n)), np.zeros(n)
    for first in sorted(parts):  # in one order, so that sums do not depend on the threads
        normal += parts[first][0]
        right += parts[first][1]
    normal += normal.T.copy()
    spread = np.empty(n)
    rho = (np.arange(N_T) * STEP_T) ** 2
    spread[:N_T] = _prior(rho)
    spread[N_T : N_T + 2 * ORDERS * N_INNER] = np.tile(0.3 * _prior(rho[:N_INNER]), 2 * ORDERS)
    along = (np.arange(N_U) * STEP_U) ** 2
    line = 0.05 / (1 + 0.2 * along) ** 1.5
    spread[N_T + 2 * ORDERS * N_INNER :] = np.tile(np.repeat(line, N_V), len(cs))
    normal[np.diag_indices(n)] += 1 / spread**2
    # Scaled to unit diagonal: the coefficients span many powers of ten.
    scale = 1 / np.sqrt(np.diag(normal))
    cover = (
        scale[:, None] * cho_solve(cho_factor(normal * scale * scale[:, None]), np.eye(n)) * scale
    )
    coef = _regularise_wings(cover @ right, cover, _as_splines(base, old.width))
    error = np.sqrt(np.diag(cover))
    start = N_T + 2 * ORDERS * N_INNER
    for k in range(len(cs)):
        part = slice(start + k * N_U * N_V, start + (k + 1) * N_U * N_V)
        coef[part] = _regularise_spike(
            coef[part].reshape(N_U, N_V), error[part].reshape(N_U, N_V), pixel_noise
        ).ravel()
    # Of each ring alone: what rings can trade with lines or a constant was settled above.
    alone = 1 / np.sqrt(np.diag(normal)[:N_T])
    return _tabulate(coef, alone, cs, old.width, norm)


def _regularise_spike(coef: NDArray, error: NDArray, pixel_noise: float) -> NDArray:
    """A line beyond 3 widths: as many shapes across as stand above the noise, and an end.

    The singular values of pure noise stay below sqrt(rows) + sqrt(columns); what exceeds that by
    a quarter is kept (one shape across, as a rule; with `pixel_noise`, that of large scales,
    beyond 8 widths). The line ends where all parts beyond do not stand above 0 together.
    """
    out = coef.copy()
    first = int(np.ceil(np.sqrt(3.0) / STEP_U))
    z = coef[first:] / error[first:]
    u, s, v = np.linalg.svd(z, full_matrices=False)
    pure = 1.25 * (np.sqrt(z.shape[0]) + np.sqrt(z.shape[1]))
    near, keep = s > pure, s > pure * pixel_noise
    z = (u[:, keep] * s[keep]) @ v[keep]
    # Close to the star the round part and the spike share light: more shapes are needed there.
    close = (np.arange(first, N_U) * STEP_U) ** 2 < 8
    z[close] = (u[close][:, near] * s[near]) @ v[near]
    # All that is left beyond a part, along the strongest shape, must stand above 0 together: a
    # line that fades slowly has no part that does so by itself.
    along = z @ (v[0] * np.sign(v[0].sum()))
    rows = np.cumsum((z != 0).any(axis=1)[::-1])[::-1]
    beyond = np.cumsum(along[::-1])[::-1] / np.sqrt(np.maximum(rows, 1))
    seen = np.nonzero(beyond > TAIL)[0]
    z[seen[-1] + 1 if len(seen) else 0 :] = 0.0
    weak = np.sqrt(np.sum(z**2, axis=0)) < 1.5 * pixel_noise
    if weak.any():
        z[:, np.argmax(weak) :] = 0.0
    light = z * error[first:]
    # Light falls off from the middle of a spike to its sides and is nowhere negative.
    for row, spread in zip(light, error[first:], strict=True):
        if row.any():
            row[:] = np.maximum(
                isotonic_regression(row, weights=1 / spread**2, increasing=False).x, 0
            )
    light[z == 0] = 0.0
    # A line fades outwards: no part is stronger than the part before it.
    size = np.sqrt(np.sum(light**2, axis=1))
    light *= (np.minimum.accumulate(size) / np.where(size > 0, size, 1))[:, None]
    out[first:] = light
    return out


def _regularise_wings(coef: NDArray, cover: NDArray, base: NDArray | None) -> NDArray:
    """The mean profile beyond 2.5 widths: never negative, falling at least as 1 / rho**2.

    Scattered light in a telescope falls off as the inverse square of the distance or faster
    (King 1971, PASP 83, 199); a nebula around a star does not. With `base`, the other stack's
    profile in the same splines, it is the difference to it that must not change sign and falls
    at least as 1 / rho**3, as the wings of seeing do. With steps of ``coef * rho**p`` as
    unknowns the order is a non-negative least-squares problem; all other coefficients follow by
    their covariance.
    """
    rho = (np.arange(N_T) * STEP_T) ** 2
    outer = np.nonzero(rho > 2.5)[0]
    m = len(outer)
    power = 2.0 if base is None else 3.0
    steps = np.triu(np.ones((m, m))) / rho[outer][:, None] ** power
    block = cover[np.ix_(outer, outer)]
    scale = 1 / np.sqrt(np.diag(block))
    lower = np.linalg.cholesky(block * scale * scale[:, None] + 1e-9 * np.eye(m))
    size = np.sqrt(np.sum((scale[:, None] * steps) ** 2, axis=0))
    white = solve_triangular(lower, scale[:, None] * steps / size, lower=True)
    start = np.zeros(m) if base is None else base[outer]
    aim = solve_triangular(lower, scale * (coef[outer] - start), lower=True)
    z, cost = nnls(white, aim)
    if base is not None:
        other, cost_other = nnls(white, -aim)
        z = z if cost <= cost_other else -other
    change = steps @ (z / size) + start - coef[outer]
    pull = scale * cho_solve((lower, True), scale * change)
    return coef + cover[:, outer] @ pull


def _mean_at(profile: Profile, radius: NDArray, width: float) -> NDArray:
    """Mean profile at distances in pixels, in the units of a profile of another width."""
    tables = profile.tables
    grid = np.arange(tables.radial.shape[1]) / tables.per_t
    at = np.sqrt(radius / profile.width)
    return np.interp(at, grid, tables.radial[0], right=0.0) * (width / profile.width) ** 2


def _as_splines(profile: Profile | None, width: float) -> NDArray | None:
    if profile is None:
        return None
    t = _grids()[0]
    mean, _ = basis.sample_design(t, _shape())
    weight = 1 / _prior(t**2)
    value = _mean_at(profile, t**2 * width, width)
    return np.linalg.lstsq(mean * weight[:, None], value * weight, rcond=None)[0]


def _tabulate(
    coef: NDArray, error: NDArray, cs: NDArray, width: float, norm: float
) -> tuple[Profile, float]:
    t, u, v = _grids()
    mean, other = basis.sample_design(t, _shape())
    radial = np.empty((HARMONICS, len(t)))
    radial[0] = mean @ coef[:N_T]
    for m in range(2 * ORDERS):
        radial[m + 1] = other @ coef[N_T + m * N_INNER : N_T + (m + 1) * N_INNER]
    su, sv = basis.sample_splines(u, STEP_U, N_U), basis.sample_splines(v, STEP_V, N_V)
    parts = coef[N_T + 2 * ORDERS * N_INNER :].reshape(len(cs), N_U, N_V)
    line = np.einsum("ia,kab,jb->kij", su, parts, sv)
    # d(rho^2) = 2 rho d(rho) with rho = t^2; along a spike d(u) = 2 s ds with u = s^2.
    inside = np.where(t**2 <= norm / width, radial[0], 0.0)
    total = np.trapezoid(2 * np.pi * inside * 2 * t**3, t)
    if len(cs):
        total += 4 * np.trapezoid(np.trapezoid(line, v, axis=2) * 2 * u, u, axis=1).sum()
    if total == 0 or not np.isfinite(total):  # below 0 the next turn may mend it
        raise NotEnoughFramesError(
            "the stars of one stack have no common profile; check that both show the same stars"
        )
    tables = Tables(
        radial / total,
        _SAMPLES / STEP_T,
        (N_INNER - 1) * STEP_T,
        line / total,
        8 / STEP_U,
        8 / STEP_V,
        cs,
    )
    return Profile(tables, width, np.sqrt(mean**2 @ error**2) / total), float(total)


def join_wings(deep: Profile, sharp: Profile, offset_error: float) -> Profile:
    """The deep profile, with the sharp one's wings from where the two do not differ any more.

    `offset_error` is what an uncertain background may put into a profile of flux 1, per square
    pixel. Differences below 3 standard deviations count as none.
    """
    n = deep.tables.radial.shape[1]
    t = np.arange(n) / deep.tables.per_t
    radius = t**2 * deep.width
    ts = np.sqrt(radius / sharp.width)
    grid = np.arange(sharp.tables.radial.shape[1]) / sharp.tables.per_t
    factor = (deep.width / sharp.width) ** 2
    other = np.interp(ts, grid, sharp.tables.radial[0], right=0.0) * factor
    error = np.sqrt(
        deep.error**2
        + (np.interp(ts, grid, sharp.error) * factor) ** 2
        + (offset_error * deep.width**2) ** 2
    )
    same = np.abs(deep.tables.radial[0] - other) < 3 * error
    start = t[np.nonzero(~same)[0][-1]] if (~same).any() else 0.0
    mix = np.clip((t / max(start, 1e-3) - 1) / 0.15, 0, 1)
    radial = deep.tables.radial.copy()
    radial[0] = (1 - mix) * radial[0] + mix * other
    return Profile(deep.tables._replace(radial=radial), deep.width, deep.error)


def cap_wings(sharp: Profile, deep: Profile) -> Profile:
    """The sharp profile, beyond 2.5 widths nowhere above the deep one.

    Where the stacks show different nebulae, those do not cancel: what the shallower stack has
    in its wings beyond the deeper one is taken for nebula.
    """
    t = np.arange(sharp.tables.radial.shape[1]) / sharp.tables.per_t
    limit = _mean_at(deep, t**2 * sharp.width, sharp.width)
    radial = sharp.tables.radial.copy()
    mix = np.clip((t**2 - 2.0) / 0.5, 0, 1)
    radial[0] += mix * (np.minimum(radial[0], limit) - radial[0])
    return Profile(sharp.tables._replace(radial=radial), sharp.width, sharp.error)


def centre_profile(profile: Profile) -> tuple[Profile, float, float]:
    """The profile moved so that its core is centred, and by how much, in units of ``1 / q``.

    A shift of a round profile R shows as ``-shift * dR/d(rho)`` in the first harmonic; the shift
    that takes most of it away within one width of the centre is taken for the error of all places.
    """
    tables = profile.tables
    t = np.arange(tables.radial.shape[1]) / tables.per_t
    rho = t**2
    slope = np.zeros(len(t))
    slope[1:-1] = (tables.radial[0, 2:] - tables.radial[0, :-2]) / (rho[2:] - rho[:-2])
    weight = np.where(rho < 1, rho * t, 0)  # d(rho) = 2 t dt
    bottom = np.sum(weight * slope**2)
    radial = tables.radial.copy()
    shifts = [0.0, 0.0]
    for row in (1, 2):
        shift = -np.sum(weight * radial[row] * slope) / bottom if bottom > 0 else 0.0
        radial[row] += np.where(t < tables.inner, shift * slope, 0)
        shifts[row - 1] = float(shift)
    moved = Profile(tables._replace(radial=radial), profile.width, profile.error)
    return moved, shifts[0], shifts[1]


def profile_fwhm(profile: Profile) -> float:
    """Full width at half maximum, pixels, of the mean over angles (lines included) at ``q = 1``.

    The maximum is that of a smooth curve through the core, each radius weighted by its area: too
    few pixels lie within a twentieth of a width to hold the splines there.
    """
    r = np.arange(0, 4, 0.02)
    angles = np.arange(12) * np.pi / 12
    f = np.array(
        [
            np.mean(
                [
                    kernels.profile_at(x * np.cos(a), x * np.sin(a), 1.0, profile.tables)
                    for a in angles
                ]
            )
            for x in r
        ]
    )
    core = r < 0.5
    squares = np.vander(r[core] ** 2, 3)
    weight = np.sqrt(r[core])
    top = np.linalg.lstsq(squares * weight[:, None], f[core] * weight, rcond=None)[0][-1]
    half = 0.5 * top
    below = np.nonzero((f < half) & (r > 0.2))[0]
    if not len(below):
        return float("nan")
    k = below[0]
    return float(2 * profile.width * np.interp(half, [f[k], f[k - 1]], [r[k], r[k - 1]]))
