"""What a comparison of configurations gives, in frozen records.

A configuration is a night, or a part of one, during which nothing about heater and front was
changed. The first one is what the others are compared with.
"""

import math
from dataclasses import dataclass, field
from typing import Any

from framesort.records._notes import Note
from framesort.records._plain import as_plain, record_from_json

__all__ = [
    "QUANTITIES",
    "Comparison",
    "ConditionDifference",
    "ConfigurationSummary",
    "Difference",
    "Effect",
    "Interval",
    "MeanStar",
    "Quantity",
    "Verdict",
]

NAN = math.nan


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A value with the ranges that contain it with probabilities of 0.68 and 0.95.

    Attributes
    ----------
    value : float
        Median.
    low, high : float
        Range of 68 %.
    low95, high95 : float
        Range of 95 %.
    """

    value: float = NAN
    low: float = NAN
    high: float = NAN
    low95: float = NAN
    high95: float = NAN

    @property
    def error(self) -> float:
        """Half the range of 68 %."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True, kw_only=True)
class Quantity:
    """Something that heat changes.

    Attributes
    ----------
    name : str
        As in `Effect.quantity`.
    label : str
        In words, for plots and tables.
    unit : str
        "share", "angle" (arcsec where the pixel scale is known, else pixels) or "".
    text : str
        What it is, in one sentence.
    """

    name: str
    label: str
    unit: str
    text: str


def _index(*quantities: Quantity) -> dict[str, Quantity]:
    return {quantity.name: quantity for quantity in quantities}


QUANTITIES: dict[str, Quantity] = _index(
    Quantity(
        name="fwhm_growth",
        label="FWHM increase",
        unit="share",
        text="FWHM over that with the heater off, less 1; smaller in poor seeing",
    ),
    Quantity(
        name="blur",
        label="added blur, from FWHM",
        unit="angle",
        text="width that gives this FWHM when added in quadrature to that with the heater off",
    ),
    Quantity(
        name="kernel_blur",
        label="added blur, from profiles",
        unit="angle",
        text="FWHM of the kernel that turns the mean star with the heater off into the heated one",
    ),
    Quantity(
        name="spike",
        label="light in the spike",
        unit="share",
        text="share of bright stars' light in the spike, in excess of the heater-off frames",
    ),
    Quantity(
        name="spike_length",
        label="length of the spike",
        unit="angle",
        text="distance over which the spike falls to 1/e",
    ),
    Quantity(
        name="eccentricity",
        label="eccentricity",
        unit="",
        text="eccentricity of the mean star less that with the heater off",
    ),
    Quantity(
        name="halo",
        label="light between 2 and 6 FWHM",
        unit="share",
        text="share of a star's light between 2 and 6 FWHM, less that with the heater off",
    ),
    Quantity(
        name="flux_loss",
        label="light lost",
        unit="share",
        text="share of the stars' measured light that is missing against heater-off frames",
    ),
)
"""Every quantity that is compared."""


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What one power does in one configuration, filter and exposure.

    Attributes
    ----------
    configuration : str
        Its name.
    quantity : str
        A key of `QUANTITIES`.
    filter : str
    exposure : float
        Seconds.
    power : float
        Percent.
    frames, off_frames : int
        Heated and heater-off frames used.
    value : Interval
        In the quantity's unit.
    """

    configuration: str
    quantity: str
    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    frames: int = 0
    off_frames: int = 0
    value: Interval = field(default_factory=Interval)


@dataclass(frozen=True, kw_only=True)
class Difference:
    """An effect in one configuration against that in the first, at equal power.

    Attributes
    ----------
    configuration, reference : str
        Names of the two.
    quantity, filter, exposure, power
        As in `Effect`; `power` is NaN and `filter` "" for all common powers, filters and
        exposures together. Where no equal ones exist `filter` names both, and `exposure` is NaN.
    first, second : Interval
        The effect in `reference` and in `configuration`; "fwhm_growth" at the seeing common to
        both, unlike in `Effect`, where it is at the configuration's own.
    difference, ratio : Interval
        Second less first, and second over first (NaN where the first is not known to be above 0).
    chance_none : float
        Two-sided probability of a difference at least as large if nothing had changed.
    frames_needed, off_frames_needed : int
        Further heated and heater-off frames, in each configuration, with which the difference
        seen would be found at 95 % in four cases of five; 0 where it is found already, -1 where no
        reasonable number (below 1000) suffices.
    """

    configuration: str
    reference: str
    quantity: str
    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    first: Interval = field(default_factory=Interval)
    second: Interval = field(default_factory=Interval)
    difference: Interval = field(default_factory=Interval)
    ratio: Interval = field(default_factory=Interval)
    chance_none: float = NAN
    frames_needed: int = 0
    off_frames_needed: int = 0


@dataclass(frozen=True, kw_only=True)
class ConditionDifference:
    """Something other than the change that differs between two configurations.

    Attributes
    ----------
    configuration, reference : str
        Names of the two.
    condition : str
        "seeing", "focus", "airmass", "exposure", "temperature", "dew margin", "camera angle",
        "saturation", "filter", "pixel scale".
    first, second : float
        Median in `reference` and in `configuration`; NaN where it is no number.
    unit : str
    matters : bool
        Large enough to be taken for a change of the heater's effect.
    sentence : str
        With its size, and what was done about it.
    """

    configuration: str
    reference: str
    condition: str
    first: float = NAN
    second: float = NAN
    unit: str = ""
    matters: bool = False
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Whether a configuration is better than the first.

    Attributes
    ----------
    configuration, reference : str
        Names of the two.
    call : str
        "better", "worse", "mixed" (one better, another worse), "no difference" (any difference
        is smaller than what matters) or "unknown".
    sentence : str
        The verdict in one sentence, with numbers.
    missing : str
        What would settle it; "" where it is settled.
    """

    configuration: str
    reference: str
    call: str = "unknown"
    sentence: str = ""
    missing: str = ""


@dataclass(frozen=True, kw_only=True)
class ConfigurationSummary:
    """One configuration.

    Attributes
    ----------
    name, folder : str
        Name, and the folder of results it comes from.
    begin, end : str
        First and last exposure, UTC, ISO 8601.
    frames, off_frames, heated_frames, part_frames : int
        Usable frames, and those of each heater state.
    filters : tuple of str
    exposures, powers : tuple of float
        Seconds; percent above 0, levels within 2.5 % as one.
    pixel_scale : float
        Arcsec a pixel; NaN if unknown.
    fwhm_off : float
        Median FWHM with the heater off, pixels.
    spike_angle : float
        Degrees; NaN without a spike.
    """

    name: str
    folder: str = ""
    begin: str = ""
    end: str = ""
    frames: int = 0
    off_frames: int = 0
    heated_frames: int = 0
    part_frames: int = 0
    filters: tuple[str, ...] = ()
    exposures: tuple[float, ...] = ()
    powers: tuple[float, ...] = ()
    pixel_scale: float = NAN
    fwhm_off: float = NAN
    spike_angle: float = NAN


@dataclass(frozen=True, kw_only=True)
class MeanStar:
    """The mean star at one power of a configuration, as profiles; its image is in stars.fits.

    Attributes
    ----------
    configuration, filter : str
    exposure, power : float
        Seconds, percent.
    frames, stars : int
        Frames and star images averaged.
    image : int
        Number of its plane in stars.fits, from 0.
    radius : tuple of float
        Of `radial`, in `unit`.
    radial : tuple of float
        Median around the star, over its central value with the heater off.
    along : tuple of float
        Along the spike, both sides averaged, likewise.
    across : tuple of float
        At right angles to it.
    unit : str
        "arcsec" or "px".
    fwhm : float
        Of the mean star, in `unit`.
    """

    configuration: str
    filter: str = ""
    exposure: float = NAN
    power: float = NAN
    frames: int = 0
    stars: int = 0
    image: int = 0
    radius: tuple[float, ...] = ()
    radial: tuple[float, ...] = ()
    along: tuple[float, ...] = ()
    across: tuple[float, ...] = ()
    unit: str = "px"
    fwhm: float = NAN


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Configurations against the first of them.

    Attributes
    ----------
    sentence : str
        The verdict in one sentence.
    configurations : tuple of ConfigurationSummary
    verdicts : tuple of Verdict
        One for each configuration but the first.
    effects : tuple of Effect
    differences : tuple of Difference
    conditions : tuple of ConditionDifference
    stars : tuple of MeanStar
        Empty where the frames' pixels could not be read.
    unit : str
        Of quantities of unit "angle": "arcsec" or "px".
    notes : tuple of Note
    """

    sentence: str = ""
    configurations: tuple[ConfigurationSummary, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    effects: tuple[Effect, ...] = ()
    differences: tuple[Difference, ...] = ()
    conditions: tuple[ConditionDifference, ...] = ()
    stars: tuple[MeanStar, ...] = ()
    unit: str = "px"
    notes: tuple[Note, ...] = ()

    def to_plain(self) -> dict[str, Any]:
        """As dictionaries, lists, texts and numbers; NaN stays."""
        return as_plain(self)

    @classmethod
    def from_json(cls, text: str, *, where: str = "comparison.json") -> "Comparison":
        """Read what comparison.json holds.

        Raises
        ------
        InputError
            It is not JSON, or a value has the wrong kind; the message names it.
        """
        return record_from_json(cls, text, where=where, again="compare the nights again")
