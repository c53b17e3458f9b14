"""The stars of one stack: where they are, their profile, the light of each, and all of it drawn."""

from dataclasses import dataclass, field, fields
from typing import NamedTuple

import numpy as np

from framesort.replacement import _kernels as kernels
from framesort.replacement._arrays import Array, Image
from framesort.replacement._profile import Profile
from framesort.workers import run_bands

__all__ = [
    "Places",
    "Side",
    "Stacks",
    "Window",
    "draw",
    "draw_star",
    "nearest_pixels",
    "redraw",
    "window_around",
]


DRAWN = 256
"""Rows that are drawn at a time."""


class Stacks(NamedTuple):
    """Pixels of both stacks as they are, [y, x]."""

    deep: Array
    sharp: Array


def nearest_pixels(x: Array, y: Array, shape: tuple[int, ...]) -> tuple[Array, Array]:
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

    x: Array
    y: Array
    shift_x: Array
    shift_y: Array
    factor: Array
    rim: Array
    core: Array

    @classmethod
    def new(cls, x: Array, y: Array, rim: Array, core: Array) -> "Places":
        """Places that are the same in both stacks, of stars as wide as all."""
        n = len(x)
        return cls(x, y, np.zeros(n), np.zeros(n), np.ones(n), rim, core)

    def __len__(self) -> int:
        return len(self.x)

    def pixels(self, shape: tuple[int, ...]) -> tuple[Array, Array]:
        """Row and column of the pixel of each place in the sharp stack."""
        return nearest_pixels(self.x, self.y, shape)

    def some(self, pick: Array) -> "Places":
        """The picked places."""
        return Places(*(getattr(self, one.name)[pick] for one in fields(self)))

    def keep(self, pick: Array) -> None:
        """Drop all others than the picked ones."""
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name)[pick])

    def add(self, more: "Places") -> None:
        """Append further places."""
        for one in fields(self):
            old, new = (getattr(places, one.name) for places in (self, more))
            setattr(self, one.name, np.append(old, new))


@dataclass
class Side:
    """One stack while the fit goes on.

    Attributes
    ----------
    image : float32 ndarray
        Pixels less background; NaN where there is no data or it is saturated. Deleted where it is
        not needed any more, as it is large.
    model : float32 ndarray
        Light of all stars.
    noise : float
        Standard deviation of a pixel of sky.
    profile : Profile
    shifted : bool
        Stars stand beside the places by their shift: those of the deep stack.
    flux, error : (n,) float ndarray
        Light of each star and its standard deviation, 0 where that is not known.
    eps : float
        Relative error granted to the model, so that cores do not rule the fits.
    angles : (k,) float ndarray
        Of the spikes, radians.
    """

    image: Array
    model: Array
    noise: float
    profile: Profile
    shifted: bool
    flux: Array
    error: Array
    eps: float = 0.05
    angles: Array = field(default_factory=lambda: np.empty(0))

    def at(self, places: Places) -> tuple[Array, Array]:
        """X and y of the stars in this stack."""
        if self.shifted:
            return places.x + places.shift_x, places.y + places.shift_y
        return places.x, places.y

    def q(self, places: Places) -> Array:
        """1 / width of each star, 1 / pixels."""
        return np.asarray(1 / (self.profile.width * places.factor))


def draw(
    side: Side,
    places: Places,
    *,
    flux: Array | None = None,
    out: Array | None = None,
    level: float = 0.05,
) -> Array:
    """Image of the stars of one stack."""
    flux = side.flux if flux is None else flux
    q = side.q(places)
    out = np.zeros(side.image.shape, np.float32) if out is None else out
    extent = side.profile.extent(flux, q, level * side.noise)
    stars = (*side.at(places), flux, q, *extent)
    run_bands(
        lambda first, last: kernels.add_stars(out, first, last, *stars, side.profile.tables),
        len(out),
        band=DRAWN,
    )
    return out


def redraw(side: Side, places: Places, *, level: float = 0.05) -> None:
    """The side's model anew, in the memory of the old one."""
    side.model.fill(0)
    draw(side, places, out=side.model, level=level)


class Window(NamedTuple):
    """A part of an image: its slices, and its first column and row."""

    cut: tuple[slice, slice]
    left: int
    top: int


def window_around(x: float, y: float, far: int) -> Window:
    """The pixels within `far` rows and columns of a place; may be empty."""
    top, left = max(0, round(y) - far), max(0, round(x) - far)
    return Window(np.s_[top : round(y) + far + 1, left : round(x) + far + 1], left, top)


def draw_star(
    side: Side,
    places: Places,
    k: int,
    window: Window,
    *,
    flux: float,
    extent: tuple[float, float],
    tables: kernels.Tables | None = None,
) -> Image:
    """One star in a window: a disc and its spikes, `extent` pixels far, by the side's profile."""
    out = np.zeros(side.model[window.cut].shape, np.float32)
    x, y = (v[k : k + 1] for v in side.at(places))
    kernels.add_stars(
        out,
        0,
        len(out),
        x - window.left,
        y - window.top,
        np.array([flux]),
        side.q(places)[k : k + 1],
        *(np.array([v]) for v in extent),
        side.profile.tables if tables is None else tables,
    )
    return out
