"""When each frame of a simulated night is taken and in what state everything is then."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from framesort.errors import InputError
from framesort.records import HeaterTrace
from framesort.simulation._onset import follow_power, split_power, weigh_parts
from framesort.simulation._scenario import Event, Run, Scenario

__all__ = ["PlannedExposure", "heater_trace", "plan_exposures"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PlannedExposure:
    """One exposure before it is drawn.

    Attributes
    ----------
    number : int
        From 1, in order of time.
    filter : str
        Name of the filter.
    start : float
        Seconds since 1970, UTC.
    exposure : float
        Seconds.
    matrix : (3, 3) ndarray
        Takes (x, y, 1) of the frame to (x, y, 1) of the first frame.
    pointing : (3, 3) ndarray
        Takes (x, y, 1) of the frame to (x, y, 1) of an image without any offset or turn.
    fwhm : float
        Unheated width of the profile, pixels, before pixel and trail.
    trail, trail_angle : float
        Tracking trail, pixels and degrees.
    transparency : float
        Share of star light that arrives.
    sky : float
        Factor of the sky's light.
    halo : float
        Share of star light that dew spreads to a wide halo.
    heating : tuple of (share, percent)
        Parts of the star light by the power that acts on them: the heater's, or the effect that
        follows it with a delay; see `Heater`.
    power : float
        Mean power of the heater itself, percent.
    configuration : str
        Name of the configuration that holds, "" for none.
    tracks : tuple of Event
        Satellites and aircraft that cross.
    remarks : tuple of str
        What else happened, a word each.
    """

    number: int
    filter: str
    start: float
    exposure: float
    matrix: NDArray[np.float64]
    pointing: NDArray[np.float64]
    fwhm: float
    trail: float
    trail_angle: float
    transparency: float
    sky: float
    halo: float
    heating: tuple[tuple[float, float], ...]
    power: float = 0.0
    configuration: str = ""
    tracks: tuple[Event, ...] = ()
    remarks: tuple[str, ...] = ()


def heater_trace(scenario: Scenario) -> HeaterTrace:
    """Power of the heater through the night, as it truly was; off before the first event."""
    start = scenario.start.timestamp()
    times = [start + 60 * minute for minute, _ in scenario.heater.events]
    power = [0.0, *(percent for _, percent in scenario.heater.events)]
    edges = np.array([-np.inf, *times, np.inf])
    return HeaterTrace(edges=edges, power=np.array(power), source="given")


def _schedule(scenario: Scenario) -> list[tuple[Run, float]]:
    """Each frame's run and start in seconds after the night's start, in whole milliseconds."""
    frames, clock = [], 0.0
    for run in scenario.run:
        clock += 60 * run.wait
        for _ in range(run.count):
            frames.append((run, round(clock, 3)))
            clock += run.exposure + run.pause
    return frames


def _assign(scenario: Scenario, frames: list[tuple[Run, float]]) -> dict[int, list[Event]]:
    """Which frame (index) each sudden event hits: the one running, else the next."""
    hits: dict[int, list[Event]] = {}
    ends = np.array([begin + run.exposure for run, begin in frames])
    for i, event in enumerate(scenario.event):
        if event.kind in ("satellite", "aircraft", "trail"):
            if 60 * event.minute >= ends[-1]:
                raise InputError(
                    f"event[{i + 1}].minute must be within the night of {ends[-1] / 60:.1f} "
                    f"minutes, got {event.minute:g}"
                )
            hits.setdefault(int(np.argmax(ends > 60 * event.minute)), []).append(event)
    return hits


def _during(scenario: Scenario, kind: str, minute: float) -> list[Event]:
    """Lasting events of a kind at a minute."""
    return [one for one in scenario.event if one.kind == kind and one.minute < minute < one.until]


def _walk(scenario: Scenario, frames: list[tuple[Run, float]]) -> NDArray[np.float64]:
    """Logarithm of the width's random walk at each frame, 0 at the first."""
    hours = np.array([begin for _, begin in frames]) / 3600
    rng = np.random.default_rng([scenario.seed, 15])
    steps = rng.normal(0, 1, len(hours)) * np.sqrt(np.diff(hours, prepend=hours[:1]))
    return np.asarray(scenario.seeing.walk * np.cumsum(steps))


def _turn_and_shift(
    scenario: Scenario, minute: float, offset: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Matrix from a frame at this minute to the sky's grid."""
    mount, camera = scenario.mount, scenario.camera
    centre = np.array([(camera.width - 1) / 2, (camera.height - 1) / 2])
    angle = mount.turn + mount.rotation * minute / 60
    shift = offset + _vector(mount.shift, mount.shift_angle)
    shift = shift + _vector(mount.drift * minute / 60, mount.drift_angle)
    if minute >= mount.flip:
        angle += 180 + mount.flip_turn
        shift = shift + mount.flip_offset * np.array([0.8, -0.6])
    turn = np.deg2rad(angle)
    matrix = np.eye(3)
    matrix[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    matrix[:2, 2] = centre + shift - matrix[:2, :2] @ centre
    return matrix


def _vector(length: float, angle: float) -> NDArray[np.float64]:
    turn = np.deg2rad(angle)
    return length * np.array([np.cos(turn), np.sin(turn)])


class _Weather(NamedTuple):
    """Share of star light that arrives, factor of the sky's, share in dew's halo, words."""

    clear: float
    bright: float
    halo: float
    remarks: tuple[str, ...]


def _weather(scenario: Scenario, minute: float, rng: np.random.Generator) -> _Weather:
    """Transparency, sky and dew in the middle of a frame."""
    sky, remarks = scenario.sky, []
    clear = (1 - sky.extinction) ** (minute / 60) * (1 - abs(rng.normal(0, sky.scatter)))
    bright, halo = 1 + sky.drift * minute / 60, 0.0
    for event in scenario.event:
        lasting = event.kind in ("cloud", "dew", "seeing", "wind")
        if lasting and event.minute < minute < event.until:
            along = (minute - event.minute) / (event.until - event.minute)
            remarks.append(event.kind)
            if event.kind == "cloud":
                depth = event.strength * np.sin(np.pi * along) ** 2
                clear, bright = clear * (1 - depth), bright * (1 + 0.6 * depth)
            elif event.kind == "dew":
                clear, halo = clear * (1 - event.strength * along), 0.6 * event.strength * along
    return _Weather(float(clear), float(bright), float(halo), tuple(remarks))


def plan_exposures(scenario: Scenario) -> list[PlannedExposure]:
    """Plan every exposure of a night.

    Raises
    ------
    InputError
        A sudden event lies after the last frame.
    """
    rng = np.random.default_rng([scenario.seed, 10])
    # A generator of their own: the rest of the night does not depend on them.
    gusts = np.random.default_rng([scenario.seed, 14])
    frames, trace = _schedule(scenario), heater_trace(scenario)
    effect = follow_power(trace, warming=scenario.heater.warming, cooling=scenario.heater.cooling)
    hits = _assign(scenario, frames)
    seeing, night = scenario.seeing, scenario.start.timestamp()
    walk = _walk(scenario, frames)
    exposures, wobble = [], 0.0
    first: NDArray[np.floating] = np.eye(3)
    refocus = [0.0, *(event.minute for event in scenario.event if event.kind == "refocus")]
    for i, (run, begin) in enumerate(frames):
        minute = (begin + run.exposure / 2) / 60
        # Uniform in a disc: direction of a normal pair, root of a uniform number.
        spot = rng.normal(size=2)
        offset = scenario.mount.dither * np.sqrt(rng.uniform()) * spot / np.hypot(*spot)
        matrix = _turn_and_shift(scenario, minute, offset)
        first = np.linalg.inv(matrix) if i == 0 else first
        weather = _weather(scenario, minute, rng)
        wobble = 0.6 * wobble + 0.8 * rng.normal(0, seeing.jitter)  # seeing has a memory
        width = seeing.fwhm * (1 + seeing.drift * minute / 60) * np.exp(wobble + walk[i])
        width *= 1 + sum(event.strength for event in _during(scenario, "seeing", minute))
        focus = seeing.focus_drift * (minute - max(m for m in refocus if m <= minute)) / 60
        trail = seeing.trail * abs(rng.normal())
        trails = [event for event in hits.get(i, []) if event.kind == "trail"]
        for event in _during(scenario, "wind", minute):
            trails.append(replace(event, length=event.length * abs(gusts.normal(1, 0.3))))
        tracks = tuple(event for event in hits.get(i, []) if event.kind != "trail")
        start = night + begin
        stop = start + run.exposure
        exposures.append(
            PlannedExposure(
                number=i + 1,
                filter=run.filter,
                start=start,
                exposure=run.exposure,
                matrix=first @ matrix if i else np.eye(3),
                pointing=matrix,
                fwhm=float(np.hypot(width, focus)),
                trail=trails[0].length if trails else float(trail),
                trail_angle=trails[0].angle if trails else seeing.trail_angle,
                transparency=weather.clear,
                sky=weather.bright,
                halo=weather.halo,
                heating=weigh_parts(scenario.heater, effect.split(start, stop)),
                power=sum(part * percent for part, percent in split_power(trace, start, stop)),
                configuration=scenario.configuration_at(begin / 60),
                tracks=tracks,
                remarks=(
                    *weather.remarks,
                    *(["trail"] if trails else []),
                    *(track.kind for track in tracks),
                    *(["after flip"] if minute >= scenario.mount.flip else []),
                ),
            )
        )
    return exposures
