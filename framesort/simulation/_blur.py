"""Extended light through a frame's profile: its Fourier transform in closed form.

A nebula as a frame shows it is the nebula on the sky convolved with the same profile as the
frame's stars have: Moffat parts, trail, spikes, and the average over the pixel.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.special import gamma, kv

from framesort.simulation._profiles import StarShape, build_shape

__all__ = ["PointSpread", "Spectrum", "Spike", "blur_picture", "transform_of"]

BORDER = 64
"""Pixels added before a transform, so that light that leaves on one side enters on none."""

FAR = 40.0
"""Argument of a Moffat profile's transform from which it counts as 0."""


class Spike(NamedTuple):
    """A two-sided spike: exponential along, Gaussian across.

    Attributes
    ----------
    share : float
        Of the star's light.
    length : float
        The light falls to 1/e at this distance from the star, pixels.
    sigma : float
        Of the Gaussian across, pixels.
    angle : float
        Degrees counter-clockwise from +x of the frame.
    """

    share: float
    length: float
    sigma: float
    angle: float


@dataclass(frozen=True)
class PointSpread:
    """How a frame spreads the light of a point, before the pixel; all shares add up to 1.

    Attributes
    ----------
    parts : tuple of (share, fwhm, beta)
        Moffat profiles, pixels.
    spikes : tuple of Spike
    trail, trail_angle : float
        Straight trail of the Moffat parts, pixels and degrees.
    """

    parts: tuple[tuple[float, float, float], ...]
    spikes: tuple[Spike, ...] = ()
    trail: float = 0.0
    trail_angle: float = 0.0

    def star_shape(self) -> StarShape:
        """The shape to draw stars with, spikes aside."""
        return build_shape(self.parts, trail=self.trail, trail_angle=self.trail_angle)


def _moffat_transform(k: NDArray[np.float32], *, fwhm: float, beta: float) -> NDArray[np.float32]:
    """Fourier transform of Moffat's profile of unit flux at frequencies in cycles a pixel.

    ``2 (x / 2)^(beta - 1) K_(beta - 1)(x) / Gamma(beta - 1)`` with ``x = 2 pi a k`` (the Hankel
    transform of ``(1 + r^2 / a^2)^-beta``; Gradshteyn & Ryzhik 6.565.4), from a table.
    """
    scale = 2 * np.pi * fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    x = np.linspace(0, FAR, 8001)
    table = np.ones_like(x)
    order = beta - 1
    table[1:] = 2 * (x[1:] / 2) ** order * kv(order, x[1:]) / gamma(order)
    place = np.minimum(k * np.float32(scale), np.float32(FAR))
    return np.asarray(np.interp(place, x, table).astype(np.float32))


def transform_of(
    spread: PointSpread, kx: NDArray[np.float32], ky: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Fourier transform of a profile, averaged over the pixel; 1 at frequency 0.

    It is real, since the profile is the same turned by half.

    Parameters
    ----------
    kx, ky : (ny, nx) float32 ndarray
        Frequencies along x and y of the frame, cycles a pixel.
    """
    k = np.hypot(kx, ky)
    out = np.zeros_like(k)
    for share, fwhm, beta in spread.parts:
        out += np.float32(share) * _moffat_transform(k, fwhm=fwhm, beta=beta)
    if spread.trail > 0:
        turn = np.deg2rad(spread.trail_angle)
        along = np.float32(np.cos(turn)) * kx + np.float32(np.sin(turn)) * ky
        out *= np.sinc(np.float32(spread.trail) * along)
    for share, length, sigma, angle in spread.spikes:
        cosine, sine = (np.float32(f(np.deg2rad(angle))) for f in (np.cos, np.sin))
        along, across = cosine * kx + sine * ky, cosine * ky - sine * kx
        spike = np.exp(np.float32(-2 * np.pi**2 * sigma**2) * across**2)
        spike /= 1 + np.float32((2 * np.pi * length) ** 2) * along**2
        out += np.float32(share) * spike
    out *= np.sinc(kx) * np.sinc(ky)
    return out


class Spectrum:
    """A picture kept as its Fourier transform, to be shown through many profiles.

    Parameters
    ----------
    picture : (ny, nx) float32 ndarray
        Beyond its border there is no light.
    """

    def __init__(self, picture: NDArray[np.float32]) -> None:
        self.shape = picture.shape
        rows, columns = (next_fast_len(side + BORDER, real=True) for side in picture.shape)
        self._size = rows, columns
        self._values = rfft2(picture, s=self._size)

    def through(
        self, spread: PointSpread, axes: NDArray[np.float64] | None = None
    ) -> NDArray[np.float32]:
        """The picture convolved with a profile.

        Parameters
        ----------
        spread : PointSpread
            In pixels of a frame.
        axes : (2, 2) ndarray or None
            Takes steps (x, y) on the frame to steps on the picture; None where they are the same.

        Returns
        -------
        (ny, nx) float32 ndarray
            On the picture's own grid.
        """
        kx = np.fft.rfftfreq(self._size[1]).astype(np.float32)
        ky = np.fft.fftfreq(self._size[0]).astype(np.float32)[:, None]
        turn = (np.eye(2) if axes is None else axes).astype(np.float32)
        transform = transform_of(
            spread, turn[0, 0] * kx + turn[1, 0] * ky, turn[0, 1] * kx + turn[1, 1] * ky
        )
        picture = irfft2(self._values * transform, s=self._size, overwrite_x=True)
        return np.ascontiguousarray(picture[: self.shape[0], : self.shape[1]])


def blur_picture(picture: NDArray[np.floating], spread: PointSpread) -> NDArray[np.float64]:
    """A picture through a profile; beyond its border it goes on as its mirror image."""
    wide = np.pad(picture.astype(np.float32), BORDER, mode="symmetric")
    inner = slice(BORDER, -BORDER)
    return Spectrum(wide).through(spread)[inner, inner].astype(np.float64)
