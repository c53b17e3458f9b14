"""Star profiles as tables of samples, and what is done with them."""

from dataclasses import dataclass

import numpy as np

from framesort.replacement import _kernels as kernels
from framesort.replacement._arrays import Array, Floats
from framesort.replacement._kernels import HARMONICS, Tables

__all__ = [
    "Profile",
    "cap_wings",
    "centre_profile",
    "join_wings",
    "make_tables",
    "moffat_profile",
    "profile_fwhm",
    "sample_grids",
]

# Spacings in sqrt(width): knots at 0.05, 0.2, 0.4, 0.8, 1.2 ... of the width, some 25 px apart at
# a hundred pixels; a star of that width has no finer detail.
STEP_T, N_T = 0.22, 30
STEP_U, N_U = 0.4, 19
STEP_V, N_V = 0.3, 7

_SAMPLES = 24  # table columns per knot: linear interpolation is then good to 1e-4 of the peak
_SAMPLES_UV = 8


def sample_grids() -> tuple[Array, Array, Array]:
    """Where profiles are sampled: ``t = sqrt(rho)``, and ``sqrt(|u|)`` and ``|v|`` of spikes."""
    t = np.arange(0, (N_T + 1) * _SAMPLES + 2) * (STEP_T / _SAMPLES)
    u = np.arange(0, (N_U + 1) * _SAMPLES_UV + 2) * (STEP_U / _SAMPLES_UV)
    v = np.arange(0, (N_V + 1) * _SAMPLES_UV + 2) * (STEP_V / _SAMPLES_UV)
    return t, u, v


def make_tables(radial: Array, inner: float, line: Array, cs: Array) -> Tables:
    """Tables of samples at `sample_grids`."""
    per_u, per_v = _SAMPLES_UV / STEP_U, _SAMPLES_UV / STEP_V
    return Tables(radial, _SAMPLES / STEP_T, inner, line, per_u, per_v, cs)


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
    error: Array

    @property
    def t(self) -> Floats:
        """Square root of the distance, in widths, of each column of ``tables.radial``."""
        return np.asarray(np.arange(self.tables.radial.shape[1]) / self.tables.per_t)

    def mean_at(self, radius: Array, width: float) -> Array:
        """Mean over angles at distances in pixels, in the units of a profile of another width."""
        at = np.sqrt(radius / self.width)
        mean = np.interp(at, self.t, self.tables.radial[0], right=0.0)
        return np.asarray(mean * (width / self.width) ** 2)

    def with_mean(self, mean: Array) -> "Profile":
        """The profile with another mean over angles."""
        radial = self.tables.radial.copy()
        radial[0] = mean
        return Profile(self.tables._replace(radial=radial), self.width, self.error)

    def times(self, ratio: float) -> "Profile":
        """The profile with so many times its light."""
        tables = self.tables
        tables = tables._replace(radial=tables.radial * ratio, line=tables.line * ratio)
        return Profile(tables, self.width, self.error * ratio)

    def radius(self, flux: Floats, q: Floats, level: float) -> Array:
        """Distance in pixels beyond which the mean profile of a star stays below `level`."""
        edge = np.maximum.accumulate(np.abs(self.tables.radial[0])[::-1])[::-1]
        return _reach(edge, self.t, flux, q, level)

    def spike_reach(self, flux: Array, q: Array, level: float) -> Array:
        """Distance in pixels beyond which the lines of a star stay below `level`; 0 if none."""
        if not len(self.tables.cs):
            return np.zeros(len(flux))
        u = np.arange(self.tables.line.shape[1]) / self.tables.per_u
        top = np.abs(self.tables.line).max(axis=(0, 2))
        edge = np.maximum.accumulate(top[::-1])[::-1]
        return _reach(edge, u, flux, q, level)

    def extent(self, flux: Array, q: Array, level: float) -> tuple[Array, Array]:
        """`radius` and `spike_reach`."""
        return self.radius(flux, q, level), self.spike_reach(flux, q, level)


def _reach(edge: Array, root: Array, flux: Array, q: Array, level: float) -> Array:
    need = level / np.maximum(np.abs(flux) * q**2, 1e-300)
    # `edge` falls monotonically: search it from its far end.
    far = len(edge) - np.searchsorted(edge[::-1], need, side="left")
    return np.asarray(root[np.clip(far, 0, len(root) - 1)] ** 2 / q)


def moffat_profile(width: float, beta: float) -> Profile:
    """A Moffat profile of the given FWHM (pixels) to begin with."""
    t, u, v = sample_grids()
    radial = np.zeros((HARMONICS, len(t)))
    a = 1 / (2 * np.sqrt(2 ** (1 / beta) - 1))
    radial[0] = (beta - 1) / (np.pi * a * a) * (1 + (t**2 / a) ** 2) ** -beta
    radial[0, -2:] = 0.0
    tables = make_tables(radial, 0.0, np.zeros((0, len(u), len(v))), np.zeros((0, 2)))
    return Profile(tables, width, np.zeros(len(t)))


def join_wings(deep: Profile, sharp: Profile, offset_error: float) -> Profile:
    """The deep profile, with the sharp one's wings from where the two do not differ any more.

    `offset_error` is what an uncertain background may put into a profile of flux 1, per square
    pixel. Differences below 3 standard deviations count as none.
    """
    t = deep.t
    radius = t**2 * deep.width
    other = sharp.mean_at(radius, deep.width)
    other_error = np.interp(np.sqrt(radius / sharp.width), sharp.t, sharp.error)
    error = np.sqrt(
        deep.error**2
        + (other_error * (deep.width / sharp.width) ** 2) ** 2
        + (offset_error * deep.width**2) ** 2
    )
    same = np.abs(deep.tables.radial[0] - other) < 3 * error
    start = t[np.nonzero(~same)[0][-1]] if (~same).any() else 0.0
    mix = np.clip((t / max(start, 1e-3) - 1) / 0.15, 0, 1)
    return deep.with_mean((1 - mix) * deep.tables.radial[0] + mix * other)


def cap_wings(sharp: Profile, deep: Profile) -> Profile:
    """The sharp profile, beyond 2.5 widths nowhere above the deep one.

    Where the stacks show different nebulae, those do not cancel: what the shallower stack has
    in its wings beyond the deeper one is taken for nebula.
    """
    rho = sharp.t**2
    mean, limit = sharp.tables.radial[0], deep.mean_at(rho * sharp.width, sharp.width)
    mix = np.clip((rho - 2.0) / 0.5, 0, 1)
    return sharp.with_mean(mean + mix * (np.minimum(mean, limit) - mean))


def centre_profile(profile: Profile) -> tuple[Profile, float, float]:
    """The profile moved so that its core is centred, and by how much, in units of ``1 / q``.

    A shift of a round profile R shows as ``-shift * dR/d(rho)`` in the first harmonic; the shift
    that takes most of it away within one width of the centre is taken for the error of all places.
    """
    tables, t = profile.tables, profile.t
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

    dx, dy = (np.outer(r, part(angles)) for part in (np.cos, np.sin))
    around = np.empty(dx.shape)
    kernels.profile_values(dx.ravel(), dy.ravel(), profile.tables, around.ravel())
    f = around.mean(axis=1)
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
