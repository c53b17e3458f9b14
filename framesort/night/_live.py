"""The frames of a running night: measured one by one, tagged with what is known so far."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from astropy.table import Table
from astropy.time import Time

from framesort.evidence import measure_spike_excess
from framesort.frames import read_frames
from framesort.heater import add_heater_columns
from framesort.live import LiveFrame
from framesort.night._read import check_patterns, measure_table
from framesort.night._run import NightRun
from framesort.planning import dew_margin
from framesort.quality import measure_transparency
from framesort.records import (
    FrameQuality,
    HeaterTrace,
    column_values,
    empty_star_list,
    unix_seconds,
)

__all__ = ["LiveNight"]

OFF_FRAMES = 30
"""Heater-off frames of a group, the last ones, that a frame is compared with."""

REFERENCES = 3
"""Frames of a group whose stars give the transparency of the others."""

OTHER_FILES = frozenset({"calibration frame", "own product", "other target"})
"""Reasons of files that are no frames of the night."""

RETAG = 3600.0
"""Seconds back over which heater states are looked up again when the log has grown."""


NO_STARS = empty_star_list()
"""In place of the star list of a frame that is kept; one for all, since each takes 12 kB."""


@dataclass(frozen=True)
class _Measured:
    """What is kept of a frame beside its `LiveFrame`.

    `flux` is that of its stars over that on the group's first reference, `light` its quality
    without the star list (None where it cannot be used), `star` the place of its brightest star,
    `weather` whether its own header has temperature and humidity.
    """

    flux: float = math.nan
    light: FrameQuality | None = None
    star: tuple[float, float] | None = None
    weather: bool = False


@dataclass
class _Reference:
    """A frame with its star list, and its flux over that of the group's first reference."""

    quality: FrameQuality
    scale: float


class LiveNight:
    """All frames so far. Star lists are kept of a few reference frames only.

    Parameters
    ----------
    run : NightRun
        Settings, masters, cache: measurements are those that `sort_night` finds again.
    """

    def __init__(self, run: NightRun) -> None:
        self._run = run
        self._frames: dict[str, LiveFrame] = {}
        self._measured: dict[str, _Measured] = {}
        self._references: dict[str, list[_Reference]] = {}
        self._weather: tuple[Sequence[float], Sequence[float], Sequence[float]] = ((), (), ())

    def __contains__(self, path: object) -> bool:
        return str(path) in self._frames

    def __getitem__(self, path: str) -> LiveFrame:
        return self._frames[path]

    def __len__(self) -> int:
        return len(self._frames)

    def forget(self, path: str) -> None:
        """Drop a frame whose file was written anew."""
        self._frames.pop(path, None)
        self._measured.pop(path, None)

    def add(self, paths: Sequence[Path], trace: HeaterTrace | None) -> list[str]:
        """Read, measure and tag further frames.

        Parameters
        ----------
        paths : sequence of path
            Complete files.
        trace : HeaterTrace or None
            The heater log so far.

        Returns
        -------
        list of str
            Their paths as the frames have them, in order of time.
        """
        run, settings = self._run, self._run.settings
        table = read_frames(
            [path.absolute() for path in paths],
            power_keyword=settings.heater_keyword if trace is None else None,
            day_first=settings.day_first,
            camera_zone=settings.camera_zone,
            max_size=settings.max_size,
            targets=settings.target,
        )
        reader, _ = run.reader(table)
        check_patterns(table, reader)
        qualities = measure_table(run, table, reader)
        order = np.argsort(np.nan_to_num(unix_seconds(table["start"]), nan=np.inf), kind="stable")
        names = []
        for row in order:
            names.append(self._take(table[int(row) : int(row) + 1], qualities[int(row)]))
        self.tag(trace)
        if trace is None and "heater_power" in table.colnames:
            self._tag_from_headers(table)
        return names

    def _take(self, row: Table, quality: FrameQuality) -> str:
        """One measured row as a frame."""

        def number(name: str) -> float:
            return float(column_values(row, name)[0]) if name in row.colnames else math.nan

        name = str(row["file"][0])
        exposure = number("exposure")
        size = f"{number('width'):g}x{number('height'):g} {number('binning'):g} {number('gain'):g}"
        measured = quality.reason in ("", "wrong checksum")  # such a frame is used
        reason = str(row["reason"][0]) or ("" if measured else quality.reason)
        group = f"{row['target'][0]} {row['filter'][0]} {exposure:g} {size}"
        air, humid = number("air_temperature"), number("humidity")
        self._frames[name] = LiveFrame(
            file=name,
            start=float(unix_seconds(row["start"])[0]),
            exposure=exposure,
            filter=str(row["filter"][0]),
            group=group,
            fwhm=quality.fwhm,
            halo=quality.half_flux_radius / quality.fwhm,
            spike_raw=quality.spike_raw,
            spike_raw_err=quality.spike_raw_err,
            sky=quality.sky,
            noise=quality.noise,
            stars=quality.stars,
            airmass=_airmass(number("target_altitude")),
            air_temperature=air,
            humidity=humid,
            dew_margin=_margin(air, humid),
            reason=reason,
        )
        found = _Measured(weather=math.isfinite(air + humid))
        if not reason:
            found = replace(
                found,
                flux=self._flux_of(group, quality),
                light=replace(quality, star_list=NO_STARS),
                star=_brightest(quality),
            )
        self._measured[name] = found
        self._take_weather(name)
        return name

    def _flux_of(self, group: str, quality: FrameQuality) -> float:
        """Flux of the frame's stars over that on the group's first reference."""
        references = self._references.setdefault(group, [])
        for reference in references:
            pair = measure_transparency([reference.quality, quality], ["a", "a"])
            if np.isfinite(pair).all() and pair[0] > 0:
                flux = float(pair[1] / pair[0]) * reference.scale
                far = quality.stars > 1.3 * max(one.quality.stars for one in references)
                if far and len(references) < REFERENCES:
                    references.append(_Reference(quality, flux))
                return flux
        if not references:
            references.append(_Reference(quality, 1.0))
            return 1.0
        return math.nan

    def tag(self, trace: HeaterTrace | None) -> None:
        """Look the heater's state up in the log, for frames that it may not have covered yet."""
        if trace is None:
            return
        timed = [frame for frame in self._frames.values() if math.isfinite(frame.start)]
        latest = max((frame.start for frame in timed), default=0.0)
        known = [
            frame
            for frame in timed
            if frame.heater_state == "unknown" or frame.start >= latest - RETAG
        ]
        if not known:
            return
        table = Table({"exposure": [frame.exposure for frame in known]})
        table["start"] = Time([frame.start for frame in known], format="unix")
        add_heater_columns(table, trace)
        for frame, row in zip(known, table, strict=True):
            self._frames[frame.file] = replace(
                frame,
                heater_state=str(row["heater_state"]),
                heater_power=float(row["heater_power"]),
                heater_share=float(row["heater_share"]),
            )

    def _tag_from_headers(self, table: Table) -> None:
        """Power from the frames' own headers, constant during an exposure."""
        for name, power in zip(table["file"], column_values(table, "heater_power"), strict=True):
            state = "unknown" if math.isnan(power) else "on" if power > 0 else "off"
            share = math.nan if math.isnan(power) else float(power > 0)
            self._frames[str(name)] = replace(
                self._frames[str(name)],
                heater_state=state, heater_power=float(power), heater_share=share,
            )  # fmt: skip

    def set_weather(
        self, times: Sequence[float], air: Sequence[float], humid: Sequence[float]
    ) -> None:
        """Temperature and humidity from a weather log, for frames whose headers have none.

        Parameters
        ----------
        times, air, humid : sequence of float
            Seconds since 1970 UTC, increasing; degrees Celsius; percent. A frame takes what is
            interpolated to its middle, the last value for half an hour beyond the log's end.
        """
        self._weather = times, air, humid
        for name in self._frames:
            self._take_weather(name)

    def _take_weather(self, name: str) -> None:
        """Temperature and humidity of one frame from the weather log so far."""
        frame, (times, air, humid) = self._frames[name], self._weather
        if self._measured[name].weather or not len(times):
            return
        if times[0] - 1800 <= frame.middle <= times[-1] + 1800:
            t, h = (float(np.interp(frame.middle, times, values)) for values in (air, humid))
            self._frames[name] = replace(
                frame, air_temperature=t, humidity=h, dew_margin=_margin(t, h)
            )

    def frames(self) -> list[LiveFrame]:
        """The frames in order of time, compared with the heater-off frames so far.

        Calibration frames, framesort's own products and other targets are left out.
        """
        ordered = sorted(
            (frame for frame in self._frames.values() if frame.reason not in OTHER_FILES),
            key=lambda f: (f.start if math.isfinite(f.start) else math.inf, f.file),
        )
        off: dict[str, list[float]] = {}
        flux: dict[str, list[float]] = {}
        for frame in ordered:
            if frame.reason:
                continue
            if frame.heater_state == "off" and frame.fwhm > 0:
                off.setdefault(frame.group, []).append(frame.fwhm)
            if math.isfinite(own := self._measured[frame.file].flux):
                flux.setdefault(frame.group, []).append(own)
        width = {group: float(np.median(values)) for group, values in off.items()}
        best = {group: float(np.percentile(values, 90)) for group, values in flux.items()}
        return [
            frame.compare(
                fwhm_ratio=frame.fwhm / width.get(frame.group, math.nan),
                transparency=self._measured[frame.file].flux / best.get(frame.group, math.nan),
            )
            for frame in ordered
        ]

    def brightest(self, name: str) -> tuple[float, float] | None:
        """Place of the brightest star of a frame, pixels; None where there is none."""
        return self._measured[name].star

    def measure_spike(self, name: str) -> None:
        """Excess of the spike over the group's heater-off frames so far."""
        frame, quality = self._frames[name], self._measured[name].light
        if quality is None:
            return
        others = (
            self._measured[other.file].light
            for other in self._frames.values()
            if other.group == frame.group and other.heater_state == "off" and other.file != name
        )
        off = [light for light in others if light is not None][-OFF_FRAMES:]
        if not off:
            return
        together = [*off, quality]
        unheated = [True] * len(off) + [frame.heater_state == "off"]
        strength, error, _ = measure_spike_excess(together, ["a"] * len(together), unheated)
        self._frames[name] = replace(frame, spike=float(strength[-1]), spike_err=float(error[-1]))


def _brightest(quality: FrameQuality) -> tuple[float, float] | None:
    """Place of the brightest star, pixels."""
    stars = quality.star_list
    if not len(stars):
        return None
    best = int(np.nanargmax(np.nan_to_num(column_values(stars, "flux"), nan=-np.inf)))
    return float(stars["x"][best]), float(stars["y"][best])


def _airmass(altitude: float) -> float:
    """Airmass at an apparent altitude in degrees; NaN below the horizon.

    Kasten & Young 1989, Applied Optics 28, 4735 (from memory).
    """
    if not altitude > 0:
        return math.nan
    return 1.0 / (
        math.sin(math.radians(altitude)) + 0.50572 * math.pow(altitude + 6.07995, -1.6364)
    )


def _margin(temperature: float, humidity: float) -> float:
    """Kelvin between plate and dew or frost point; NaN where the air is not known."""
    if not (math.isfinite(temperature) and 0 < humidity <= 100):
        return math.nan
    return float(dew_margin(temperature, humidity))
