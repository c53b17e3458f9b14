"""Heater-off time needed for a given S/N, from the CCD equation."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import ArrayLike, NDArray

from framesort.errors import InputError, NotEnoughFramesError, check_positive
from framesort.records import column_values

__all__ = [
    "HeaterOffTime",
    "describe_need",
    "frames_needed",
    "signal_to_noise",
    "star_pixels",
    "unheated_minutes_needed",
]

ROUNDING = 0.289
"""Standard deviation of rounding to whole counts, 1 / sqrt(12)."""


def signal_to_noise(
    star: ArrayLike,
    *,
    pixels: ArrayLike,
    sky: ArrayLike,
    dark: ArrayLike = 0.0,
    read_noise: ArrayLike = 0.0,
    gain: ArrayLike = 0.0,
    background_pixels: ArrayLike = np.inf,
) -> Any:
    """Signal-to-noise ratio of a star in one exposure: the CCD equation.

    ``S / sqrt(S + n (1 + n / n_B) (N_S + N_D + R^2 + (0.289 G)^2))``, Mortara & Fowler 1981,
    Proc. SPIE 290; with the terms of the background and of rounding as in Merline & Howell
    1995, Exp. Astron. 6, 163. All in electrons; arguments broadcast.

    Parameters
    ----------
    star : array_like
        Light of the star in the exposure.
    pixels : array_like
        Pixels that it is summed over; `star_pixels` for a fitted profile.
    sky, dark : array_like
        Sky and dark current in the exposure, per pixel.
    read_noise : array_like
        Per pixel.
    gain : array_like
        Electrons per ADU; 0 leaves out the noise of rounding.
    background_pixels : array_like
        Pixels from which the background was taken.

    Returns
    -------
    float or ndarray

    Examples
    --------
    >>> ratio = signal_to_noise(1e4, pixels=29, sky=100, read_noise=3, background_pixels=200)
    >>> round(float(ratio), 2)
    85.69
    """
    s, n = np.asarray(star, dtype=float), np.asarray(pixels, dtype=float)
    each = (
        np.asarray(sky, dtype=float)
        + dark
        + np.asarray(read_noise, dtype=float) ** 2
        + (ROUNDING * np.asarray(gain, dtype=float)) ** 2
    )
    return s / np.sqrt(s + n * (1 + n / np.asarray(background_pixels, dtype=float)) * each)


def star_pixels(fwhm: ArrayLike, *, beta: float = 3.0) -> Any:
    """Noise-equivalent area of a star: number of pixels whose background noise enters its flux.

    ``1 / sum(P^2)`` (King 1983, PASP 95, 163) of a Moffat profile:
    ``pi a^2 (2 beta - 1) / (beta - 1)^2`` with ``a = FWHM / (2 sqrt(2^(1/beta) - 1))``.

    Parameters
    ----------
    fwhm : array_like
        Full width at half maximum, pixels.
    beta : float
        Moffat's exponent; for a Gaussian pass `numpy.inf`.

    Returns
    -------
    float or ndarray
        Pixels.
    """
    width = np.asarray(fwhm, dtype=float)
    if np.isinf(beta):
        return np.pi * width**2 / (2 * np.log(2))
    if not beta > 1:
        raise InputError(f"beta must be above 1, got {beta:g}")
    core = width**2 / (4 * (2 ** (1 / beta) - 1))
    return np.pi * core * (2 * beta - 1) / (beta - 1) ** 2


def frames_needed(snr_of_one: ArrayLike, snr: float) -> Any:
    """Number of equal frames whose mean reaches a signal-to-noise ratio: ``(snr / snr_1)^2``.

    A whole number, at least 1, as float; infinite where one frame shows nothing.
    """
    one = np.asarray(snr_of_one, dtype=float)
    with np.errstate(divide="ignore"):
        # Rounding errors must not add a frame: 4.0000000001 frames are 4.
        return np.maximum(np.ceil((snr / one) ** 2 - 1e-9), 1.0)


@dataclass(frozen=True, kw_only=True)
class HeaterOffTime:
    """Heater-off time that one filter needs.

    Attributes
    ----------
    filter : str
        The filter.
    exposure : float
        Of one frame, seconds.
    snr_of_one : float
        S/N of the star in one frame.
    frames : int
        Frames needed.
    minutes : float
        Their total exposure.
    frames_had : int
        Heater-off frames of the sharp-star set of the night; 0 when planned without frames.
    sentence : str
        Description.
    """

    filter: str
    exposure: float
    snr_of_one: float
    frames: int
    minutes: float
    frames_had: int
    sentence: str


def unheated_minutes_needed(
    frames: Table, *, flux: float, snr: float = 20.0, beta: float = 3.0, star: str = ""
) -> list[HeaterOffTime]:
    """Heater-off time needed for replaced stars, from the frames of a night.

    The noise of a replaced star is that of the sharp stack. The S/N of the star in one frame
    follows from the median noise, width and transparency of the heater-off frames of each filter
    and exposure, and from it the number of frames.

    Parameters
    ----------
    frames : `~astropy.table.Table`
        As in frames.ecsv: filter, exposure [s], heater_state, fwhm [pix], noise [adu], and
        where known group, gain [e/adu] (else 1), transparency (else 1), sharp_set (else
        every heater-off frame counts).
    flux : float
        Total light of the faintest star to be replaced, ADU of one frame.
    snr : float
        Required S/N.
    beta : float
        Moffat's exponent, for the pixels a star covers.
    star : str
        Name of the star in the sentence; "" for "stars of ... ADU".

    Returns
    -------
    list of HeaterOffTime
        One for each group with a heater-off frame, in order of name.

    Raises
    ------
    InputError
        `flux` or `snr` is not above 0, or a column is missing.
    NotEnoughFramesError
        No heater-off frame has width and noise.
    """
    check_positive(flux=flux, snr=snr)
    for name in ("filter", "exposure", "heater_state", "fwhm", "noise"):
        if name not in frames.colnames:
            raise InputError(f"frames must have a column {name}")
    state = np.array([str(cell) for cell in frames["heater_state"]])
    width, noise = column_values(frames, "fwhm"), column_values(frames, "noise")
    seconds = column_values(frames, "exposure")
    names, sharp = _groups(frames, seconds), column_values(frames, "sharp_set")
    good = (state == "off") & (width > 0) & (noise > 0) & (seconds > 0) & (names != "")
    if not good.any():
        raise NotEnoughFramesError(
            "no heater-off frame with measured stars: take some, or plan from telescope figures"
        )
    gain = np.nan_to_num(column_values(frames, "gain"), nan=1.0)
    clear = np.nan_to_num(column_values(frames, "transparency"), nan=1.0)
    needs = []
    for name in sorted({str(one) for one in names[good]}):
        rows = good & (names == name)
        # Rejected frames, with cloud or trails, are not representative.
        rows = rows & (sharp != 0) if (rows & (sharp != 0)).any() else rows
        electrons = flux * float(np.median(gain[rows])) * float(np.median(clear[rows]))
        area = star_pixels(float(np.median(width[rows])), beta=beta)
        background = float(np.median(noise[rows] * gain[rows])) ** 2
        one = float(signal_to_noise(electrons, pixels=area, sky=background))
        needs.append(
            describe_need(
                str(frames["filter"][np.argmax(rows)]),
                float(np.median(seconds[rows])),
                one,
                snr,
                had=int(rows.sum()),
                star=star or f"stars of {flux:.0f} ADU",
            )
        )
    return needs


def _groups(frames: Table, seconds: NDArray[np.float64]) -> NDArray[np.str_]:
    """Group of each frame, from its column or from filter and exposure."""
    if "group" in frames.colnames:
        return np.array([str(cell) for cell in frames["group"]])
    return np.array(
        [f"{name} {length:g}" for name, length in zip(frames["filter"], seconds, strict=True)]
    )


def describe_need(
    filter_name: str,
    exposure: float,
    snr_of_one: float,
    snr: float,
    *,
    had: int = 0,
    star: str = "that star",
) -> HeaterOffTime:
    """Number of frames, minutes and sentence from the S/N that one frame gives.

    Parameters
    ----------
    filter_name : str
        The filter; "" for a single one.
    exposure : float
        Of one frame, seconds.
    snr_of_one, snr : float
        S/N of the star in one frame, and the required one.
    had : int
        Number of heater-off frames that already exist.
    star : str
        Name of the star in the sentence.

    Returns
    -------
    HeaterOffTime

    Raises
    ------
    InputError
        `snr_of_one` is not above 0.
    """
    check_positive(snr_of_one=snr_of_one)
    count = int(frames_needed(snr_of_one, snr))
    minutes = count * exposure / 60
    label = f"{filter_name}: " if filter_name else ""
    sentence = (
        f"{label}{count} heater-off frame{'s' if count > 1 else ''} of {exposure:g} s "
        f"({_minutes_text(minutes)}) bring{'s' if count == 1 else ''} {star} to S/N {snr:g}; one "
        f"frame gives {snr_of_one:.1f}"
    )
    if had:
        enough = "enough" if had >= count else f"{count - had} too few"
        sentence += f", the night had {had}: {enough}"
    return HeaterOffTime(
        filter=filter_name,
        exposure=exposure,
        snr_of_one=snr_of_one,
        frames=count,
        minutes=minutes,
        frames_had=had,
        sentence=sentence + ".",
    )


def _minutes_text(minutes: float) -> str:
    """Minutes in a suitable unit.

    >>> [_minutes_text(m) for m in (0.5, 12.0, 150.0)]
    ['30 s', '12 min', '2.5 h']
    """
    if minutes < 1:
        return f"{60 * minutes:.0f} s"
    return f"{minutes:.0f} min" if minutes < 100 else f"{minutes / 60:.1f} h"
