"""Count rates of star and sky from telescope and camera, or from a zero point."""

from dataclasses import dataclass

import numpy as np

from framesort.errors import InputError

__all__ = ["Rates", "estimate_rates", "rates_from_zero_point"]


@dataclass(frozen=True, kw_only=True)
class Rates:
    """Count rates in electrons.

    Attributes
    ----------
    star : float
        Of the star, per second.
    sky : float
        Of the sky, per second and pixel.
    pixel_scale : float
        Arcsec per pixel.
    """

    star: float
    sky: float
    pixel_scale: float


def estimate_rates(
    *,
    magnitude: float,
    sky_brightness: float,
    aperture: float,
    focal_length: float,
    pixel_size: float,
    bandwidth: float,
    efficiency: float = 0.5,
    obstruction: float = 0.0,
    extinction: float = 0.2,
) -> Rates:
    """Estimate count rates from telescope, camera and sky.

    A star of magnitude 0 in V gives 3.63e-9 erg / (s cm^2 Angstrom) at 5450 Angstrom (Bessell,
    Castelli & Plez 1998, A&A 333, 231), 996 photons / (s cm^2 Angstrom). Used for any filter:
    good to some tens of percent for stars of the Sun's colour.

    Parameters
    ----------
    magnitude : float
        Of the star.
    sky_brightness : float
        Magnitudes per square arcsec.
    aperture, focal_length : float
        Millimetres.
    pixel_size : float
        Micrometres.
    bandwidth : float
        Of the filter, nanometres.
    efficiency : float
        Share of the photons that become electrons: optics, filter and sensor, 0..1.
    obstruction : float
        Diameter of the central obstruction over that of the aperture, 0..1.
    extinction : float
        Of the star by the air, magnitudes.

    Returns
    -------
    Rates

    Raises
    ------
    InputError
        A length that must be positive is not, or a share is outside 0..1.
    """
    for name, value in {
        "aperture": aperture,
        "focal_length": focal_length,
        "pixel_size": pixel_size,
        "bandwidth": bandwidth,
    }.items():
        if not value > 0:
            raise InputError(f"{name} must be above 0, got {value:g}")
    for name, value in {"efficiency": efficiency, "obstruction": obstruction}.items():
        if not 0 <= value <= 1:
            raise InputError(f"{name} must be from 0 to 1, got {value:g}")
    photon = 6.62607015e-27 * 2.99792458e10 / 5450e-8  # erg
    area = np.pi / 4 * (aperture / 10) ** 2 * (1 - obstruction**2)  # cm^2
    unit = 3.63e-9 / photon * area * 10 * bandwidth * efficiency
    scale = 206.264806 * pixel_size / focal_length
    return Rates(
        star=float(unit * 10 ** (-0.4 * (magnitude + extinction))),
        sky=float(unit * 10 ** (-0.4 * sky_brightness) * scale**2),
        pixel_scale=float(scale),
    )


def rates_from_zero_point(
    *,
    magnitude: float,
    sky_brightness: float,
    zero_point: float,
    pixel_scale: float,
    gain: float = 1.0,
) -> Rates:
    """Count rates from a measured zero point of telescope and filter.

    ``rate = gain 10^(0.4 (zero_point - m))`` electrons per second, for the sky per square arcsec.

    Parameters
    ----------
    magnitude : float
        Of the star.
    sky_brightness : float
        Magnitudes per square arcsec.
    zero_point : float
        Magnitude of a star that gives one ADU per second; includes optics, filter, sensor and air.
    pixel_scale : float
        Arcsec per pixel.
    gain : float
        Electrons per ADU.

    Returns
    -------
    Rates

    Raises
    ------
    InputError
        The pixel scale or the gain is not above 0.
    """
    for name, value in {"pixel_scale": pixel_scale, "gain": gain}.items():
        if not value > 0:
            raise InputError(f"{name} must be above 0, got {value:g}")
    return Rates(
        star=float(gain * 10 ** (0.4 * (zero_point - magnitude))),
        sky=float(gain * 10 ** (0.4 * (zero_point - sky_brightness)) * pixel_scale**2),
        pixel_scale=float(pixel_scale),
    )
