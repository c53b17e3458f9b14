"""Star profiles without noise: made of many stars by one linear least-squares fit.

The profile of a star of flux 1 and width ``1 / q`` pixels is::

    P(dx, dy) = q**2 * [ sum_m R_m(rho) (cos m a, sin m a) + sum_lines L(|u|, |v|) ]

with ``rho = q * hypot(dx, dy)``, `a` the position angle, and u, v along and across a line of
light. R_m are cubic B-splines in ``sqrt(rho)``, L is a product of such splines in ``sqrt(|u|)``
and ``|v|``: a spike is the same on both sides of the star. What no star shows is held at 0 by a
prior whose width is a generous star profile.
"""

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import isotonic_regression, nnls

from framesort.errors import NotEnoughFramesError
from framesort.replacement import _basis as basis
from framesort.replacement import _linear as linear
from framesort.replacement._arrays import Array, Floats
from framesort.replacement._kernels import HARMONICS, ORDERS
from framesort.replacement._profile import (
    N_T,
    N_U,
    N_V,
    STEP_T,
    STEP_U,
    STEP_V,
    Profile,
    make_tables,
    sample_grids,
)
from framesort.replacement._side import Side
from framesort.workers import run_bands

__all__ = ["fit_profile"]

CLIP = 6.0
"""Standard deviations from which on residuals weigh less in the fit."""

TAIL = 2.5
"""Standard deviations by which the rest of a spike must stand above 0."""

N_INNER = 12
"""Knots of the harmonics, from the centre."""

SHAPE = (STEP_T, N_T, N_INNER, STEP_U, N_U, STEP_V, N_V)
"""The splines, as `_basis` reads them."""

N_ROUND = N_T + 2 * ORDERS * N_INNER
"""Coefficients of the mean over angles and of the harmonics; those of spikes follow."""

_PARTS = 4  # of the stars, gathered side by side


def _prior(rho: Array) -> Array:
    """A generous profile of flux about 1 and width 1: what a coefficient may be."""
    return 0.7 / (1 + 3 * rho**2) ** 1.25


def fit_profile(
    side: Side,
    stars: tuple[Array, ...],
    *,
    norm: float,
    base: Profile | None = None,
    pixel_noise: float = 1.0,
) -> tuple[Profile, float]:
    """Profile from the pixels of the given stars (x, y, flux, q, radius, reach).

    Returns the profile, its total (the mean profile within `norm` pixels plus all lines) set
    to 1, and the factor by which fluxes must grow. `base` is the other stack's profile, the
    difference to which is fitted in the wings.
    `pixel_noise` is the noise of the image on scales of many pixels over that of a pixel (a smooth
    image subtracted from it leaves its noise there).
    """
    cs = np.column_stack([np.cos(side.angles), np.sin(side.angles)]).reshape(-1, 2)
    normal, right = _normal_equations(side, stars, cs)
    normal[np.diag_indices(len(right))] += 1 / _coefficient_prior(len(cs)) ** 2
    # Scaled to unit diagonal: the coefficients span many powers of ten.
    scale = 1 / np.sqrt(np.diag(normal))
    cover = np.empty_like(normal)
    if not linear.invert_positive(normal * scale * scale[:, None], cover):
        raise np.linalg.LinAlgError("normal equations of a profile are not positive definite")
    cover = scale[:, None] * cover * scale
    width = side.profile.width
    coef = _regularise_wings(cover @ right, cover, _as_splines(base, width))
    error = np.sqrt(np.diag(cover))
    for k in range(len(cs)):
        part = slice(N_ROUND + k * N_U * N_V, N_ROUND + (k + 1) * N_U * N_V)
        coef[part] = _regularise_spike(
            coef[part].reshape(N_U, N_V), error[part].reshape(N_U, N_V), pixel_noise
        ).ravel()
    # Of each ring alone: what rings can trade with lines or a constant was settled above.
    alone = 1 / np.sqrt(np.diag(normal)[:N_T])
    return _tabulate(coef, alone, cs, width, norm)


def _normal_equations(side: Side, stars: tuple[Array, ...], cs: Array) -> tuple[Array, Array]:
    """Matrix and right side of the least-squares fit, without a prior."""
    n = N_ROUND + len(cs) * N_U * N_V
    gather: Any = basis.gather  # compiled: its signature is beyond the type checker
    parts: dict[int, tuple[Array, Array]] = {}
    pixels = side.image, side.model, side.noise, side.eps

    def work(first: int, _: int) -> None:
        parts[first] = np.zeros((n, n)), np.zeros(n)
        some = (v[first::_PARTS] for v in stars)  # bright ones, which are large, in every part
        gather(*pixels, CLIP, *some, side.profile.tables, SHAPE, cs, *parts[first])

    run_bands(work, _PARTS, band=1)
    normal, right = np.zeros((n, n)), np.zeros(n)
    for first in sorted(parts):  # in one order, so that sums do not depend on the threads
        normal += parts[first][0]
        right += parts[first][1]
    normal += normal.T.copy()
    return normal, right


def _coefficient_prior(spikes: int) -> Array:
    """What each coefficient may be: standard deviations around 0."""
    rho = (np.arange(N_T) * STEP_T) ** 2
    along = (np.arange(N_U) * STEP_U) ** 2
    line = 0.05 / (1 + 0.2 * along) ** 1.5
    return np.concatenate(
        [
            _prior(rho),
            np.tile(0.3 * _prior(rho[:N_INNER]), 2 * ORDERS),
            np.tile(np.repeat(line, N_V), spikes),
        ]
    )


def _regularise_spike(coef: Array, error: Array, pixel_noise: float) -> Array:
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


def _regularise_wings(coef: Array, cover: Array, base: Array | None) -> Array:
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
    return np.asarray(coef + cover[:, outer] @ pull)


def _as_splines(profile: Profile | None, width: float) -> Array | None:
    """Coefficients of a profile's mean over angles, in the units of a profile of that width."""
    if profile is None:
        return None
    t = sample_grids()[0]
    mean = _samples().mean
    weight = 1 / _prior(t**2)
    value = profile.mean_at(t**2 * width, width)
    return np.linalg.lstsq(mean * weight[:, None], value * weight, rcond=None)[0]


class _Samples(NamedTuple):
    """The splines at `sample_grids`: of mean, harmonics, and spikes along and across."""

    mean: Floats
    other: Floats
    along: Floats
    across: Floats


@cache
def _samples() -> _Samples:
    t, u, v = sample_grids()
    return _Samples(
        *basis.sample_design(t, SHAPE),
        basis.sample_splines(u, STEP_U, N_U),
        basis.sample_splines(v, STEP_V, N_V),
    )


def _tabulate(
    coef: Array, error: Array, cs: Array, width: float, norm: float
) -> tuple[Profile, float]:
    """The profile of these coefficients, and its total, by which it was divided."""
    t, u, v = sample_grids()
    mean, other, su, sv = _samples()
    radial = np.empty((HARMONICS, len(t)))
    radial[0] = mean @ coef[:N_T]
    for m in range(2 * ORDERS):
        radial[m + 1] = other @ coef[N_T + m * N_INNER : N_T + (m + 1) * N_INNER]
    parts = coef[N_ROUND:].reshape(len(cs), N_U, N_V)
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
    tables = make_tables(radial / total, (N_INNER - 1) * STEP_T, line / total, cs)
    return Profile(tables, width, np.sqrt(mean**2 @ error**2) / total), float(total)
