"""What a simulated night is made of: one frozen class for each table of a scenario file."""

import math
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated

from framesort.errors import InputError
from framesort.rules import Rule, document_fields
from framesort.simulation._heater import Configuration, Heater

__all__ = [
    "COLOUR",
    "Calibration",
    "Camera",
    "Event",
    "Filter",
    "Logger",
    "Mount",
    "Nebula",
    "Run",
    "Scenario",
    "Seeing",
    "Sky",
    "Stars",
]


COLOUR = "colour"
"""What runs give as their filter when the camera has a colour filter array."""


@document_fields
@dataclass(frozen=True, kw_only=True)
class Camera:
    """The camera and the optics in front of it."""

    width: Annotated[int, Rule("image width [px]", 32, 20000)] = 1200
    height: Annotated[int, Rule("image height [px]", 32, 20000)] = 900
    pixel_size: Annotated[float, Rule("pixel size [um]", 0.1, 100)] = 3.8
    focal_length: Annotated[float, Rule("focal length [mm]", 1, 1e5)] = 560.0
    aperture: Annotated[float, Rule("diameter of the front opening [mm]", 1, 1e4)] = 280.0
    binning: Annotated[int, Rule("binning factor written to the headers", 1, 8)] = 1
    pattern: Annotated[
        str,
        Rule(
            "colour filter array, from the first pixel along x, then the next row",
            choices=("none", "RGGB", "BGGR", "GRBG", "GBRG"),
        ),
    ] = "none"
    gain: Annotated[float, Rule("electrons per ADU", 1e-3, 1e3)] = 0.8
    offset: Annotated[float, Rule("bias level [adu]", 0, 20000)] = 500.0
    read_noise: Annotated[float, Rule("read noise [e]", 0, 1000)] = 1.8
    saturation: Annotated[float, Rule("level at which pixels saturate [adu]", 100, 65535)] = 65000.0
    dark_current: Annotated[float, Rule("dark current [e/s/px]", 0, 100)] = 0.005
    hot_pixels: Annotated[int, Rule("number of hot pixels, fixed to the sensor", 0, 10**6)] = 200
    hot_current: Annotated[float, Rule("typical current of a hot pixel [e/s]", 0, 1e5)] = 20.0
    cosmic_rays: Annotated[float, Rule("cosmic rays a minute on the whole sensor", 0, 1e4)] = 2.0
    spider: Annotated[
        float, Rule("share of star light in the cross of a spider, heater or not", 0, 0.5)
    ] = 0.0
    spider_angle: Annotated[float, Rule("angle of one arm of that cross [deg]", -360, 360)] = 0.0
    vignetting: Annotated[float, Rule("loss of light in the corners, 0..1", 0, 0.95)] = 0.01
    temperature: Annotated[float, Rule("sensor temperature [deg C]", -100, 60)] = -10.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Stars:
    """The star field."""

    count: Annotated[int, Rule("number of stars on the first frame's area", 0, 10**6)] = 1600
    faintest: Annotated[float, Rule("light of the faintest stars [e/s]", 1e-6, 1e9)] = 5.0
    brightest: Annotated[float, Rule("light of the brightest star [e/s]", 1e-6, 1e9)] = 4e5
    slope: Annotated[float, Rule("number brighter than f goes as f^-slope", 0.1, 3)] = 0.75
    colour: Annotated[float, Rule("scatter of star colours between filters [dex]", 0, 2)] = 0.15


@document_fields
@dataclass(frozen=True, kw_only=True)
class Nebula:
    """The nebula and galaxies on the sky, before any blur; filters set their brightness."""

    finest: Annotated[float, Rule("smoothing of the finest structure, sigma [px]", 0, 50)] = 0.8
    coarsest: Annotated[float, Rule("size of the largest structure [px]", 10, 1e4)] = 350.0
    extent: Annotated[float, Rule("radius of the nebula, in image heights", 0.05, 5)] = 0.55
    arcs: Annotated[int, Rule("number of thin bright arcs", 0, 50)] = 5
    thickness: Annotated[float, Rule("factor on the width of thin ridges and arcs", 0.01, 10)] = 1.0
    galaxies: Annotated[int, Rule("number of small galaxies", 0, 10**4)] = 6
    galaxy: Annotated[float, Rule("scale length of the largest galaxy's disc [px]", 1, 500)] = 6.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Seeing:
    """Star profile with the heater off: a Moffat profile."""

    fwhm: Annotated[float, Rule("full width at half maximum [px]", 1, 50)] = 2.6
    beta: Annotated[float, Rule("Moffat's exponent", 1.5, 20)] = 3.0
    drift: Annotated[float, Rule("growth of the width an hour, as a share", -1, 2)] = 0.0
    jitter: Annotated[float, Rule("scatter of the width from frame to frame, as a share", 0, 1)] = (
        0.02
    )
    walk: Annotated[
        float, Rule("wandering of the width over an hour, a random walk, as a share", 0, 1)
    ] = 0.0
    focus_drift: Annotated[
        float,
        Rule(
            "defocus an hour since the start or the last refocus, in quadrature [px]",
            low=0,
            high=20,
        ),
    ] = 0.0
    corners: Annotated[
        float, Rule("growth of the width from the centre to the corners, as a share", 0, 5)
    ] = 0.0
    tilt: Annotated[
        float, Rule("growth of the width from the centre to the right edge, as a share", -0.5, 2)
    ] = 0.0
    trail: Annotated[float, Rule("typical length of tracking trails [px]", 0, 20)] = 0.3
    trail_angle: Annotated[float, Rule("their angle [deg]", -360, 360)] = 0.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Sky:
    """Transparency and the shape of the sky; its light is a key of each filter."""

    gradient: Annotated[float, Rule("slope of the sky across the image, as a share", 0, 2)] = 0.1
    gradient_angle: Annotated[float, Rule("direction in which it brightens [deg]", -360, 360)] = (
        30.0
    )
    drift: Annotated[float, Rule("growth of the sky's light an hour, as a share", -0.9, 5)] = 0.0
    extinction: Annotated[float, Rule("loss of star light an hour, as a share", -0.5, 0.9)] = 0.0
    scatter: Annotated[float, Rule("scatter of transparency from frame to frame", 0, 0.5)] = 0.01


@document_fields
@dataclass(frozen=True, kw_only=True)
class Mount:
    """How frames lie on the sky."""

    dither: Annotated[float, Rule("radius of random offsets between frames [px]", 0, 2000)] = 12.0
    drift: Annotated[float, Rule("drift an hour [px]", 0, 2000)] = 10.0
    drift_angle: Annotated[float, Rule("its direction [deg]", -360, 360)] = 20.0
    rotation: Annotated[float, Rule("field rotation an hour [deg]", -90, 90)] = 0.05
    turn: Annotated[float, Rule("camera angle on the sky at the start [deg]", -360, 360)] = 0.0
    shift: Annotated[float, Rule("offset of the pointing at the start [px]", 0, 20000)] = 0.0
    shift_angle: Annotated[float, Rule("its direction [deg]", -360, 360)] = 0.0
    margin: Annotated[
        int, Rule("sky drawn beyond the image [px]; 0: as much as the night needs", 0, 20000)
    ] = 0
    flip: Annotated[float, Rule("minute of the meridian flip (half a turn)", 0)] = math.inf
    flip_offset: Annotated[float, Rule("how far the flip misses [px]", 0, 2000)] = 25.0
    flip_turn: Annotated[float, Rule("how far it misses half a turn [deg]", -90, 90)] = 0.15


@document_fields
@dataclass(frozen=True, kw_only=True)
class Logger:
    """The heater logs."""

    interval: Annotated[float, Rule("seconds between power samples", 0.05, 3600)] = 2.0
    current_interval: Annotated[
        float, Rule("seconds between supply current samples", 0.05, 3600)
    ] = 5.0
    margin: Annotated[
        float, Rule("minutes logged before the first and after the last frame", 0)
    ] = 10.0
    clock_offset: Annotated[
        float, Rule("seconds by which the logger's clock is ahead", -1e5, 1e5)
    ] = 0.0
    utc_offset: Annotated[
        float,
        Rule("hours by which the supply current's local time is ahead of UTC", -14, 14),
    ] = 0.0
    keyword: Annotated[
        str, Rule("keyword under which frames record the mean power; none: not at all")
    ] = "none"
    base: Annotated[float, Rule("current of the rig without heater and cooler [A]", 0, 100)] = 1.9
    full: Annotated[float, Rule("current of the heater at full power [A]", 0, 100)] = 2.8
    cooler: Annotated[float, Rule("current of the camera cooler [A]", 0, 100)] = 1.1
    cooler_from: Annotated[float, Rule("minute at which the cooler starts")] = -6.0
    slew: Annotated[float, Rule("extra current of a slew [A]", 0, 100)] = 1.5
    noise: Annotated[float, Rule("scatter of a current sample [A]", 0, 10)] = 0.02


@document_fields
@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Dark and flat frames put among the others."""

    darks: Annotated[int, Rule("number of dark frames", 0, 1000)] = 0
    flats: Annotated[int, Rule("number of flat frames of each filter", 0, 1000)] = 0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Filter:
    """A filter: what of each light it lets through."""

    name: Annotated[str, Rule("name in the headers")]
    stars: Annotated[float, Rule("share of star light it lets through", 0, 10)] = 1.0
    diffuse: Annotated[float, Rule("brightest part of the smooth nebula [e/s/px]", 0, 1e5)] = 1.0
    filaments: Annotated[float, Rule("brightest filaments [e/s/px]", 0, 1e5)] = 1.0
    galaxies: Annotated[float, Rule("brightest galaxy's centre [e/s/px]", 0, 1e5)] = 1.0
    sky: Annotated[float, Rule("sky [e/s/px]", 0, 1e5)] = 5.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Run:
    """A run of equal frames, following the one before."""

    filter: Annotated[str, Rule("name of the filter; colour with a colour filter array")]
    exposure: Annotated[float, Rule("exposure time [s]", 1e-3, 1e5)]
    count: Annotated[int, Rule("number of frames", 1, 10**5)]
    pause: Annotated[float, Rule("seconds between frames", 0, 1e5)] = 8.0
    wait: Annotated[float, Rule("minutes to wait before the run", 0, 1e4)] = 0.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Event:
    """Something that happens during the night; which keys count depends on the kind.

    A cloud has minute, until, strength (share of light lost); dew the same (loss and halo grow
    steadily to it); seeing minute, until, strength (share by which stars are wider); wind minute,
    until, length (typical trail), angle; a satellite or an aircraft minute, strength [e per px
    of its length], angle; a trail minute, length, angle; a refocus minute.
    """

    kind: Annotated[
        str,
        Rule(
            "what",
            choices=(
                "cloud",
                "dew",
                "seeing",
                "wind",
                "satellite",
                "aircraft",
                "trail",
                "refocus",
            ),
        ),
    ]
    minute: Annotated[float, Rule("when, minutes after the start", 0)]
    until: Annotated[float, Rule("end of a cloud, dew, seeing or wind [minutes]", 0)] = 0.0
    strength: Annotated[
        float, Rule("share of light lost or of width gained, or light of a track", 0, 1e7)
    ] = 0.5
    length: Annotated[float, Rule("length of a trail [px]", 0, 500)] = 8.0
    angle: Annotated[float, Rule("angle of a track or trail [deg]", -360, 360)] = 20.0


@document_fields
@dataclass(frozen=True, kw_only=True)
class Scenario:
    """A simulated night: what `simulate_night` draws."""

    start: Annotated[datetime, Rule("start of the first exposure")]
    title: Annotated[str, Rule("what to call it")] = "simulated night"
    seed: Annotated[int, Rule("seed of the random numbers", 0, 2**63 - 1)] = 0
    sky_seed: Annotated[
        int, Rule("seed of stars, nebula and sensor; -1: as seed", -1, 2**63 - 1)
    ] = -1
    object: Annotated[str, Rule("OBJECT in the headers")] = "simulated nebula"
    observer: Annotated[str, Rule("OBSERVER in the headers")] = "simulated observer"
    site: Annotated[str, Rule("SITENAME in the headers")] = "simulated site"
    telescope: Annotated[str, Rule("TELESCOP in the headers")] = "simulated telescope"
    camera: Annotated[Camera, Rule("table")] = Camera()
    stars: Annotated[Stars, Rule("table")] = Stars()
    nebula: Annotated[Nebula, Rule("table")] = Nebula()
    seeing: Annotated[Seeing, Rule("table")] = Seeing()
    sky: Annotated[Sky, Rule("table")] = Sky()
    mount: Annotated[Mount, Rule("table")] = Mount()
    heater: Annotated[Heater, Rule("table")] = Heater()  # noqa: RUF009  (frozen)
    logger: Annotated[Logger, Rule("table")] = Logger()
    calibration: Annotated[Calibration, Rule("table")] = Calibration()
    filter: Annotated[tuple[Filter, ...], Rule("list of tables")]
    run: Annotated[tuple[Run, ...], Rule("list of tables")]
    event: Annotated[tuple[Event, ...], Rule("list of tables")] = ()
    configuration: Annotated[tuple[Configuration, ...], Rule("list of tables")] = ()

    @property
    def world(self) -> int:
        """Seed of what several nights share: stars, nebula and sensor."""
        return self.seed if self.sky_seed < 0 else self.sky_seed

    def configuration_at(self, minute: float) -> str:
        """Name of the configuration that holds at a minute, "" where none does yet."""
        names = [one.name for one in self.configuration if one.minute <= minute]
        return names[-1] if names else ""

    def heater_in(self, configuration: str) -> Heater:
        """The heater in a configuration; as it stands where the name is ""."""
        for one in self.configuration:
            if one.name == configuration:
                return replace(
                    self.heater,
                    blur=self.heater.blur * one.blur,
                    spike=self.heater.spike * one.spike,
                    spike_length=self.heater.spike_length * one.spike_length,
                )
        return self.heater

    def filters_of(self, run_filter: str) -> tuple[Filter, ...]:
        """The filters that frames of a run see through: one, or R, G, B of a filter array."""
        if self.camera.pattern != "none" and run_filter == COLOUR:
            return tuple(self.filter_named(name) for name in "RGB")
        return (self.filter_named(run_filter),)

    def first_run(self, filter_name: str) -> Run:
        """The first run of frames that see through a filter.

        Raises
        ------
        InputError
            The night has none.
        """
        for run in self.run:
            if any(one.name == filter_name for one in self.filters_of(run.filter)):
                return run
        raise InputError(f"filter must be one that a run uses, got {filter_name!r}")

    @property
    def filters_used(self) -> tuple[Filter, ...]:
        """The filters that some run sees through."""
        names = {one.name for run in self.run for one in self.filters_of(run.filter)}
        return tuple(one for one in self.filter if one.name in names)

    def filter_named(self, name: str) -> Filter:
        """The filter of this name.

        Raises
        ------
        InputError
            The scenario has none.
        """
        for one in self.filter:
            if one.name == name:
                return one
        names = ", ".join(one.name for one in self.filter)
        raise InputError(f"filter must be one of {names}, got {name!r}")
