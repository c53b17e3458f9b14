"""What is known during the night, in frozen records: frames, minutes, sky, and all of it."""

import math
from dataclasses import dataclass, field

__all__ = ["FilterMinutes", "LiveEvent", "LiveFrame", "LiveStatus", "SkyVerdict"]

NAN = math.nan


@dataclass(frozen=True, kw_only=True)
class LiveFrame:
    """One frame as it was measured during the night. NaN where not known.

    Attributes
    ----------
    file : str
        Its path.
    start : float
        Start of the exposure, seconds since 1970 UTC.
    exposure : float
        Seconds.
    filter, group : str
        As in the table of a sorted night; only frames of one group are compared.
    heater_state : str
        "off", "part", "on" or "unknown", by what the log says so far.
    heater_power, heater_share : float
        Percent, and share of the exposure.
    fwhm : float
        Pixels.
    fwhm_ratio : float
        FWHM over the median of the group's heater-off frames so far.
    halo : float
        Half-flux radius over FWHM: grows with dew.
    spike, spike_err : float
        Share of star light in the spike, in excess of the heater-off frames so far.
    spike_raw, spike_raw_err : float
        What the frame alone shows; 0 to 2 times the error without a spike.
    transparency : float
        Flux of its stars over that on the group's best frame so far.
    sky, noise : float
        ADU.
    stars : int
        Number of stars.
    airmass : float
        Of the target in the middle of the exposure.
    air_temperature, humidity : float
        Degrees Celsius and percent, from the header or a weather log.
    dew_margin : float
        Kelvin between the corrector plate and the dew or frost point.
    reason : str
        Why it cannot be used; "" otherwise.
    """

    file: str
    start: float = NAN
    exposure: float = NAN
    filter: str = ""
    group: str = ""
    heater_state: str = "unknown"
    heater_power: float = NAN
    heater_share: float = NAN
    fwhm: float = NAN
    fwhm_ratio: float = NAN
    halo: float = NAN
    spike: float = NAN
    spike_err: float = NAN
    spike_raw: float = NAN
    spike_raw_err: float = NAN
    transparency: float = NAN
    sky: float = NAN
    noise: float = NAN
    stars: int = 0
    airmass: float = NAN
    air_temperature: float = NAN
    humidity: float = NAN
    dew_margin: float = NAN
    reason: str = ""

    @property
    def middle(self) -> float:
        """Middle of the exposure, seconds since 1970 UTC."""
        return self.start + 0.5 * self.exposure

    def compare(self, *, fwhm_ratio: float, transparency: float) -> "LiveFrame":
        """The same frame with these two.

        As `dataclasses.replace` gives it, in a tenth of the time: all frames of a night are
        compared anew with every frame that comes.
        """
        frame = object.__new__(LiveFrame)
        frame.__dict__.update(self.__dict__, fwhm_ratio=fwhm_ratio, transparency=transparency)
        return frame


@dataclass(frozen=True, kw_only=True)
class SkyVerdict:
    """What the last frames say of dew, cloud and focus.

    Attributes
    ----------
    dew, cloud, focus : float
        Probability that each is going on, 0..1.
    reasons : tuple of str
        What speaks for the most probable one, a phrase each.
    loss : float
        Share of the light that is lost to it by now.
    minutes_to_loss : float
        Minutes until dew costs a tenth of the light, by the trend; 0 where it does already, NaN
        without dew.
    """

    dew: float = 0.0
    cloud: float = 0.0
    focus: float = 0.0
    reasons: tuple[str, ...] = ()
    loss: float = 0.0
    minutes_to_loss: float = NAN


@dataclass(frozen=True, kw_only=True)
class FilterMinutes:
    """Exposure collected in one filter, minutes.

    Attributes
    ----------
    filter : str
        Its name.
    off, on : float
        With the heater off, and with it on or changed during the exposure.
    goal : float
        Heater-off minutes wanted; NaN without a goal.
    ready : float
        When the goal is reached at the present rate, seconds since 1970 UTC; NaN if never.
    """

    filter: str
    off: float = 0.0
    on: float = 0.0
    goal: float = NAN
    ready: float = NAN

    @property
    def missing(self) -> float:
        """Heater-off minutes that are missing for the goal; NaN without one."""
        return max(self.goal - self.off, 0.0) if math.isfinite(self.goal) else NAN


@dataclass(frozen=True, kw_only=True)
class LiveEvent:
    """Something that is reported to the user once.

    Attributes
    ----------
    kind : str
        "dew", "forgotten", "goal", "cloud" or "frame-bad".
    text : str
        One sentence.
    time : float
        Seconds since 1970 UTC.
    key : str
        Two events of one key are the same event.
    """

    kind: str
    text: str
    time: float
    key: str


@dataclass(frozen=True, kw_only=True)
class LiveStatus:
    """The state of the night.

    Attributes
    ----------
    sentence : str
        The present state in one sentence.
    time : float
        When it was made, seconds since 1970 UTC.
    heater : str
        Heater now: "off", "on" or "unknown", with its power where known ("on, 60 %").
    switched : float
        When the heater was switched last, seconds since 1970 UTC; NaN if unknown.
    frames_since_switch : int
        Frames whose exposure began after that.
    fwhm_since_switch : float
        Their FWHM over that of the frames before, of the last frame's group; NaN if unknown.
    frames : tuple of LiveFrame
        In order of time: all of the night, or the last thousand.
    minutes : tuple of FilterMinutes
        In order of the filters' names.
    sky : SkyVerdict
        Dew, cloud, focus.
    events : tuple of LiveEvent
        In order of time.
    hints : tuple of str
        What the user could do, a sentence each; the heater's maker has the last word.
    star_last, star_off : str
        The last frame's brightest star, and one of a heater-off frame, as data URIs of PNG
        images of one scale; "" where there is none.
    """

    sentence: str = "No frame yet."
    time: float = NAN
    heater: str = "unknown"
    switched: float = NAN
    frames_since_switch: int = 0
    fwhm_since_switch: float = NAN
    frames: tuple[LiveFrame, ...] = ()
    minutes: tuple[FilterMinutes, ...] = ()
    sky: SkyVerdict = field(default_factory=SkyVerdict)
    events: tuple[LiveEvent, ...] = ()
    hints: tuple[str, ...] = ()
    star_last: str = ""
    star_off: str = ""
