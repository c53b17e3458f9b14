"""Heater-off time from telescope, camera and sky parameters, without frames."""

from dataclasses import dataclass, fields

import numpy as np

from framesort.errors import InputError, check_positive
from framesort.planning._exposure import (
    HeaterOffTime,
    describe_need,
    signal_to_noise,
    star_pixels,
)

__all__ = ["Figures", "Rates", "need_from_figures"]

ARCSEC = 206.264806
"""Arcsec of one micrometre at a distance of one millimetre."""


PHOTON = 6.62607015e-27 * 2.99792458e10 / 5450e-8
"""Energy of a photon of 5450 Angstrom, erg."""


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


@dataclass(frozen=True, kw_only=True)
class Figures:
    """Telescope, camera and sky.

    Attributes
    ----------
    focal_length : float
        Millimetres.
    pixel_size : float
        Micrometres, with binning.
    aperture : float or None
        Millimetres; needed unless there is a zero point.
    obstruction : float
        Diameter of the central obstruction over that of the aperture.
    bandwidth : float
        Of the filter, nanometres.
    throughput : float
        Share of the photons that become electrons: optics, filter and sensor.
    extinction : float
        By the air, magnitudes.
    zero_point : float or None
        Magnitude of a star that gives one ADU a second; replaces aperture, obstruction,
        bandwidth, throughput and extinction.
    gain : float
        Electrons per ADU.
    read_noise : float
        Electrons a pixel.
    dark : float
        Dark current, electrons a second and pixel.
    sky_brightness : float
        Magnitudes per square arcsec, through the filter's band.
    seeing : float
        FWHM of heater-off stars, arcsec.
    """

    focal_length: float
    pixel_size: float
    aperture: float | None = None
    obstruction: float = 0.35
    bandwidth: float = 300.0
    throughput: float = 0.5
    extinction: float = 0.2
    zero_point: float | None = None
    gain: float = 1.0
    read_noise: float = 2.0
    dark: float = 0.0
    sky_brightness: float = 20.5
    seeing: float = 3.0

    def __post_init__(self) -> None:
        """Raise InputError for an invalid value."""
        if self.aperture is None and self.zero_point is None:
            raise InputError("give the aperture in millimetres, or a measured zero point")
        positive = "focal_length pixel_size gain seeing bandwidth"
        check_positive(**{name: getattr(self, name) for name in positive.split()})
        if self.aperture is not None:
            check_positive(aperture=self.aperture)
        for name in ("read_noise", "dark", "extinction"):
            if not getattr(self, name) >= 0:
                raise InputError(f"{name} must not be below 0, got {getattr(self, name):g}")
        for name in ("throughput", "obstruction"):
            if not 0 <= getattr(self, name) <= 1:
                raise InputError(f"{name} must be from 0 to 1, got {getattr(self, name):g}")

    @property
    def pixel_scale(self) -> float:
        """Arcsec per pixel."""
        return ARCSEC * self.pixel_size / self.focal_length

    def rates(self, magnitude: float) -> Rates:
        """Electrons a second of a star of that magnitude, and of the sky.

        From a zero point ``rate = gain 10^(0.4 (zero_point - m))``, for the sky per square arcsec.
        Else a star of magnitude 0 in V gives 3.63e-9 erg / (s cm^2 Angstrom) at 5450 Angstrom
        (Bessell, Castelli & Plez 1998, A&A 333, 231), 996 photons / (s cm^2 Angstrom). Used for
        any filter: good to some tens of percent for stars of the Sun's colour.
        """
        scale = self.pixel_scale
        if self.zero_point is not None:
            star = self.gain * 10 ** (0.4 * (self.zero_point - magnitude))
            sky = self.gain * 10 ** (0.4 * (self.zero_point - self.sky_brightness)) * scale**2
        else:
            assert self.aperture is not None
            area = np.pi / 4 * (self.aperture / 10) ** 2 * (1 - self.obstruction**2)  # cm^2
            unit = 3.63e-9 / PHOTON * area * 10 * self.bandwidth * self.throughput
            star = unit * 10 ** (-0.4 * (magnitude + self.extinction))
            sky = unit * 10 ** (-0.4 * self.sky_brightness) * scale**2
        return Rates(star=float(star), sky=float(sky), pixel_scale=float(scale))

    def assumed(self, given: set[str]) -> str:
        """Default values of parameters that were not given, in words; "" if there are none."""
        unused = set()
        if self.zero_point is not None:
            unused = {"aperture", "obstruction", "bandwidth", "throughput", "extinction"}
        parts = [
            f"{_WORDS[field.name]} {getattr(self, field.name):g}{_UNITS[field.name]}"
            for field in fields(self)
            if field.name in _WORDS and field.name not in given | unused
        ]
        return f"Assumed: {', '.join(parts)}." if parts else ""


_WORDS = {
    "obstruction": "obstruction",
    "bandwidth": "bandwidth",
    "throughput": "throughput",
    "extinction": "extinction",
    "gain": "gain",
    "read_noise": "read noise",
    "dark": "dark current",
    "sky_brightness": "sky",
    "seeing": "heater-off FWHM",
}
_UNITS = {
    "obstruction": "",
    "bandwidth": " nm",
    "throughput": "",
    "extinction": " mag",
    "gain": " e/ADU",
    "read_noise": " e",
    "dark": " e/s",
    "sky_brightness": " mag/arcsec2",
    "seeing": " arcsec",
}


def need_from_figures(
    figures: Figures,
    *,
    magnitude: float,
    exposure: float,
    snr: float = 20.0,
    filter_name: str = "",
    beta: float = 3.0,
) -> HeaterOffTime:
    """Heater-off time needed for a star of given magnitude.

    Parameters
    ----------
    figures : Figures
        Telescope, camera and sky.
    magnitude : float
        Of the faintest star to be replaced.
    exposure : float
        Of one frame, seconds.
    snr : float
        Required S/N in the sharp stack.
    filter_name : str
        Name of the filter in the sentence.
    beta : float
        Moffat's exponent, for the pixels a star covers.

    Returns
    -------
    HeaterOffTime

    Raises
    ------
    InputError
        The exposure or the ratio is not above 0.
    """
    check_positive(exposure=exposure, snr=snr)
    rates = figures.rates(magnitude)
    one = signal_to_noise(
        rates.star * exposure,
        pixels=star_pixels(figures.seeing / rates.pixel_scale, beta=beta),
        sky=rates.sky * exposure,
        dark=figures.dark * exposure,
        read_noise=figures.read_noise,
        gain=figures.gain,
    )
    return describe_need(
        filter_name, exposure, float(one), snr, star=f"a star of magnitude {magnitude:g}"
    )
