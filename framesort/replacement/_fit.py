"""The stars of both stacks: places, fluxes and profiles, found in turns until they agree."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from framesort.records import MAD_TO_SIGMA
from framesort.replacement import _kernels as kernels
from framesort.replacement import _spike_angles as spike_angles
from framesort.replacement._profile import Profile, centre_profile, fit_profile
from framesort.replacement._robust import median_deviation
from framesort.workers import run_bands

CORE = 1.9
"""A star's flux and place come from pixels within so many widths of it."""

BEYOND = 1.5
"""Widths from the rim of a patch of saturated pixels to where its star is fitted."""

RING = 0.5
"""Widths beyond a round saturated core in which its star's light is measured."""

REACH, FEW = 30.0, 30
"""Wings are compared out to so many widths; pixels that the comparison takes at least."""


@dataclass
class Side:
    """One stack while the fit goes on.

    Attributes
    ----------
    image : float32 ndarray
        Pixels less background; NaN where there is no data or it is saturated.
    model : float32 ndarray
        Light of all stars.
    noise : float
        Standard deviation of a pixel of sky.
    eps : float
        Relative error granted to the model, so that cores do not rule the fits.
    profile : Profile
    flux, error : (n,) float ndarray
    """

    image: NDArray
    noise: float
    profile: Profile
    eps: float = 0.05
    flux: NDArray = field(default_factory=lambda: np.empty(0))
    error: NDArray = field(default_factory=lambda: np.empty(0))
    angles: NDArray = field(default_factory=lambda: np.empty(0))
    model: NDArray = field(default_factory=lambda: np.empty(0))


def nearest_pixels(x: NDArray, y: NDArray, shape: tuple[int, ...]) -> tuple[NDArray, NDArray]:
    """Row and column of the pixel at or, beyond the edge, nearest to each place."""
    row, column = (
        np.clip(np.round(v).astype(int), 0, size - 1) for v, size in zip((y, x), shape, strict=True)
    )
    return row, column


@dataclass
class Places:
    """Where the stars are: in the sharp stack, the offset in the deep one, the local width.

    `rim` is how far a patch of saturated pixels reaches from a star's place, 0 where there is none:
    where that is beyond the star's core, its light is measured from a width and a half further out.
    `core` is the radius of a disc of as many saturated pixels: light is measured beyond it.
    """

    x: NDArray
    y: NDArray
    shift_x: NDArray
    shift_y: NDArray
    factor: NDArray
    rim: NDArray
    core: NDArray

    def __len__(self) -> int:
        return len(self.x)

    def at(self, shifted: bool) -> tuple[NDArray, NDArray]:
        return (self.x + self.shift_x, self.y + self.shift_y) if shifted else (self.x, self.y)

    def pixels(self, shape: tuple[int, ...]) -> tuple[NDArray, NDArray]:
        """Row and column of the pixel of each place in the sharp stack."""
        return nearest_pixels(self.x, self.y, shape)

    def columns(self) -> tuple[NDArray, ...]:
        return self.x, self.y, self.shift_x, self.shift_y, self.factor, self.rim, self.core

    def keep(self, pick: NDArray) -> None:
        for name in ("x", "y", "shift_x", "shift_y", "factor", "rim", "core"):
            setattr(self, name, getattr(self, name)[pick])


def local_q(side: Side, places: Places) -> NDArray:
    return 1 / (side.profile.width * places.factor)


def draw(
    side: Side,
    places: Places,
    *,
    shifted: bool,
    flux: NDArray | None = None,
    out: NDArray | None = None,
    level: float = 0.05,
) -> NDArray:
    """Image of the stars of one stack."""
    flux = side.flux if flux is None else flux
    x, y = places.at(shifted)
    q = local_q(side, places)
    out = np.zeros(side.image.shape, np.float32) if out is None else out
    kernels.add_stars(
        out,
        x,
        y,
        flux,
        q,
        side.profile.radius(flux, q, level * side.noise),
        side.profile.spike_reach(flux, q, level * side.noise),
        side.profile.tables,
    )
    return out


def wide_saturated(side: Side, places: Places) -> NDArray[np.bool_]:
    """Stars whose saturated pixels leave nothing of the core to measure their light on."""
    return places.rim * local_q(side, places) + BEYOND > CORE


def fit_radius(places: Places, q: NDArray) -> NDArray:
    """Radius of the pixels from which a star's light and place are measured."""
    return np.maximum(CORE / q, np.maximum(places.rim + BEYOND / q, places.core + RING / q))


def steady_wide(side: Side, places: Places, *, shifted: bool) -> None:
    """Light of stars with wide saturated cores from the median of their wings; flux and model.

    Light that runs out of a saturated core along columns and rows lies on few of the pixels; in a
    least-squares fit it would be taken for the star's.
    """
    x, y = places.at(shifted)
    q = local_q(side, places)
    reach = np.minimum(side.profile.radius(side.flux, q, 3 * side.noise), REACH / q)
    lines_to = np.minimum(side.profile.spike_reach(side.flux, q, 3 * side.noise), REACH / q)
    for k in np.flatnonzero(wide_saturated(side, places) & (side.flux > 0)):
        far = int(max(reach[k], lines_to[k])) + 1
        top, left = (max(0, round(v[k]) - far) for v in (y, x))
        cut = np.s_[top : round(y[k]) + far + 1, left : round(x[k]) + far + 1]
        own = np.zeros(side.image[cut].shape, np.float32)
        one = np.s_[k : k + 1]
        kernels.add_stars(
            own,
            x[one] - left,
            y[one] - top,
            side.flux[one],
            q[one],
            reach[one],
            lines_to[one],
            side.profile.tables,
        )
        rows, columns = np.indices(own.shape)
        away = np.hypot(columns + left - x[k], rows + top - y[k])
        rest = side.image[cut] - side.model[cut]
        use = np.isfinite(rest) & (own > 3 * side.noise) & (away > places.rim[k] + 1 / q[k])
        if use.sum() < FEW:
            continue
        factor = float(np.clip(1 + np.median(rest[use] / own[use]), 0.3, 2))
        side.flux[k] *= factor
        side.model[cut] += np.float32(factor - 1) * own


def solve_fluxes(side: Side, places: Places, *, shifted: bool, rounds: int) -> None:
    """All fluxes of one stack together; the model, up to date before, is so after."""
    x, y = places.at(shifted)
    q = local_q(side, places)
    order = np.argsort(-side.flux, kind="stable")
    flux = side.flux[order]
    # A star may still be brighter than its first guess.
    bound = np.maximum(flux * 1.2, 100 * side.noise)
    kernels.sweep_fluxes(
        side.image,
        side.model,
        side.noise,
        side.eps,
        x[order],
        y[order],
        flux,
        q[order],
        fit_radius(places, q)[order],
        side.profile.radius(bound, q[order], 0.05 * side.noise),
        side.profile.spike_reach(bound, q[order], 0.05 * side.noise),
        side.profile.tables,
        rounds,
    )
    side.flux[order] = flux


def probe(
    side: Side, places: Places, *, shifted: bool, mode: int, flux: NDArray | None = None
) -> NDArray:
    """`fit_stars` of every star; see there for the columns.

    `flux`, if not the model's own, is what a shift or another width would move.
    """
    x, y = places.at(shifted)
    q = local_q(side, places)
    out = np.zeros((len(x), 10))
    reach = fit_radius(places, q)
    light = side.flux if flux is None else flux

    def work(first: int, last: int) -> None:
        kernels.fit_stars(  # type: ignore[call-arg]
            side.image,
            side.model,
            side.noise,
            side.eps,
            *(v[first:last] for v in (x, y, light, q, reach)),
            side.profile.tables,
            mode,
            out[first:last],
        )

    run_bands(work, len(x), band=256)
    return out


def relative_error(side: Side) -> float:
    """Error of the model as a share of the model, from pixels where noise does not hide it."""
    v = side.image[::3, ::3]
    v = v[np.isfinite(v)]
    spread = median_deviation(v - np.median(v))
    bright = side.model > 100 * max(side.noise, spread)
    if bright.sum() < 100:
        return min(side.eps, 0.02)
    share = np.abs(side.image[bright] / side.model[bright] - 1)
    return float(np.clip(MAD_TO_SIGMA * np.nanmedian(share), 0.002, 0.1))


def fit_radii(side: Side, places: Places) -> tuple[NDArray, NDArray]:
    """How far from each star its light is used for the profile: all around, along a spike."""
    q = local_q(side, places)
    level = 0.1 * side.noise
    radius = np.maximum(1.4 * side.profile.radius(side.flux, q, level), 3 / q)
    reach = np.maximum(1.4 * side.profile.spike_reach(side.flux, q, level), radius)
    if len(side.angles):
        # Not only as far as a spike is known to go: as far as one of 1 % could be seen.
        reach = np.maximum(reach, np.minimum(3 * radius, 50 / q))
    return radius, reach


def renew_profile(
    side: Side,
    places: Places,
    radius: NDArray,
    reach: NDArray,
    *,
    shifted: bool,
    norm: float,
    base: Profile | None = None,
    pixel_noise: float = 1.0,
    pick: NDArray,
) -> None:
    """The profile from some stars, then fluxes and model in its terms."""
    x, y = places.at(shifted)
    q = local_q(side, places)
    profile, growth = fit_profile(
        side.image,
        side.model,
        side.noise,
        side.eps,
        (x[pick], y[pick], side.flux[pick], q[pick], radius[pick], reach[pick]),
        side.profile,
        side.angles,
        norm=norm,
        base=base,
        pixel_noise=pixel_noise,
    )
    if not shifted:
        # Places and profile could share a shift: the profile's centre is what counts as place.
        profile, dx, dy = centre_profile(profile)
        places.x += dx / q
        places.y += dy / q
        places.shift_x -= dx / q
        places.shift_y -= dy / q
    side.profile = profile
    side.flux = side.flux * growth
    redraw(side, places, shifted=shifted)


def redraw(side: Side, places: Places, *, shifted: bool, level: float = 0.05) -> None:
    """The side's model anew, in the memory of the old one."""
    out = side.model if side.model.shape == side.image.shape else None
    if out is not None:
        out.fill(0)
    side.model = draw(side, places, shifted=shifted, out=out, level=level)


def search_spikes(side: Side, places: Places, *, shifted: bool) -> None:
    """Find spikes around bright stars, or rotate known ones into place."""
    x, y = places.at(shifted)
    pick = np.argsort(-side.flux, kind="stable")[:60]
    rest = side.image - side.model
    if len(side.profile.tables.cs):
        q = local_q(side, places)[pick]
        reach = np.minimum(side.profile.spike_reach(side.flux[pick], q, side.noise), 30 / q)
        side.angles = spike_angles.refine_angles(
            rest,
            side.noise,
            side.eps,
            side.model,
            (x[pick], y[pick], side.flux[pick], q, reach),
            side.profile,
        )
    else:
        side.angles = spike_angles.find_spike_angles(
            rest,
            side.noise,
            side.eps,
            side.model,
            x[pick],
            y[pick],
            side.flux[pick],
            side.profile.width,
        )
