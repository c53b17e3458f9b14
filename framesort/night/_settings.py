"""Every setting of a run in one frozen record, to and from JSON and TOML."""

import json
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from framesort.errors import InputError
from framesort.evidence import read_gap_angle
from framesort.frames import MAX_SIZE
from framesort.heater import LogOptions

__all__ = ["Settings", "read_logs", "read_settings"]


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Settings of a night; the defaults are those of the command line.

    Attributes
    ----------
    heater_form : str
        Form of the heater log, "auto" to recognise it.
    log_zone : str or None
        Zone of a log in local time: IANA name or offset such as "-07:00".
    camera_zone : str or None
        Zone of the clock of a camera that writes raw files, as `log_zone`.
    day_first : bool or None
        Order of an ambiguous date in the log, where None makes it an error, and in the
        frames' headers, where None leaves the time unknown.
    full_current : float or None
        Amperes of the heater at full power, for a log of the supply's current.
    full_power : float or None
        Reading of the log that means full power, where it is not percent.
    max_gap : float or None
        Seconds without a sample after which the heater's state is not known.
    log_start : str or None
        Start of a log that counts seconds or has times of day without dates, ISO 8601.
    time_column, stop_column : tuple of str
        Headings or numbers (from 1) of the log's columns of time, and of an interval's end; two
        where date and time of day are apart; empty: found by their headings.
    value_column : str or None
        The same for the column that holds the heater's power, state or the current.
    clock_offset : float, "auto" or tuple of float
        Seconds to add to the log's times so that they agree with the camera's; "auto" applies
        what the stars say where that is significant, for each night on its own; one for each
        log where there are several.
    heater_keyword : str or None
        Keyword of the frames' own headers that holds the heater's power in percent, where
        there is no log.
    heater_reader, star_measurer, registration, stacker : str
        Plug-ins; "builtin" for this library's own.
    max_share, max_power : float or None
        Largest heater share, and largest mean heater power in percent, of a frame of the sharp-star
        set; None: its stars alone decide.
    max_fwhm, max_eccentricity, max_spike : float or None
        Further limits of the sharp-star set.
    deep_max_fwhm : float or None
        Largest FWHM of the deep-signal set, pixels; None: frames without which the deep stack
        is deeper for faint stars are left out.
    min_frames : int
        The sharp-star set is filled up to this many with the best usable heater-off frames.
    zero_point : tuple of str
        Magnitude of a star that gives 1 ADU per second, "21.5" or "L=21.5" for one filter.
    target : tuple of str
        Take frames of these targets only (OBJECT of their headers), together as one field; empty:
        all targets, each for itself.
    max_size : float
        Megapixels from which on a frame is left out before its pixels are read.
    keep_in, leave_out : tuple of str
        Files put into the sharp-star set, or kept out of both.
    bias, dark, flat : tuple of str
        Master frames with which frames are calibrated as they are read.
    flat_has_bias : bool
        The flats hold their bias still.
    colour : {"interpolate", "place"}
        How planes are made of a colour filter array: missing pixels interpolated from their own
        colour, or each colour's pixels placed where they fall, which needs many dithered frames.
    gap_angle : str, float or None
        Place of a gap in the heater's ring: a clock position on the plate, or degrees
        counter-clockwise from +x.
    camera_angle : float or None
        Degrees by which the image must be turned clockwise so that the plate's 12 o'clock is at
        its top.
    mirrored : bool or None
        Whether the image shows the plate as in a mirror.
    grid : str or None
        FITS file whose grid is the target, or "optimal" for the smallest north-up grid that
        covers all frames by their WCS; None for the frame with the best stars.
    clip : float
        Rejection limit in standard deviations.
    memory : float
        Megabytes that each worker may use for frames' pixels while stacking.
    amount : float
        Star replacement in part: 0 none, 1 whole.
    detail : bool
        Give the detail that blur took back to nebulae and galaxies too; False: stars only.
    crop : float or None
        Cut the pictures to the largest rectangle that this share of the frames of every stack
        covers, 1 for all of them; None or 0 to leave the edges.
    tiff : {32, 16} or None
        Write the final picture and its two layers as TIFF too, with so many bits.
    white : float or None
        The number that becomes full white in these, see `framesort.images.write_picture`.
    null : bool
        Set lists end paths with NUL in place of a line break.
    link : bool
        A folder of symbolic links beside each set list.
    """

    heater_form: str = "auto"
    log_zone: str | None = None
    camera_zone: str | None = None
    day_first: bool | None = None
    full_current: float | None = None
    full_power: float | None = None
    max_gap: float | None = None
    log_start: str | None = None
    time_column: tuple[str, ...] = ()
    stop_column: tuple[str, ...] = ()
    value_column: str | None = None
    clock_offset: float | str | tuple[float, ...] = 0.0
    heater_keyword: str | None = None
    heater_reader: str = "builtin"
    star_measurer: str = "builtin"
    registration: str = "builtin"
    stacker: str = "builtin"
    max_share: float | None = None
    max_power: float | None = None
    max_fwhm: float | None = None
    max_eccentricity: float | None = None
    max_spike: float | None = None
    deep_max_fwhm: float | None = None
    zero_point: tuple[str, ...] = ()
    min_frames: int = 5
    target: tuple[str, ...] = ()
    max_size: float = MAX_SIZE
    keep_in: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    bias: tuple[str, ...] = ()
    dark: tuple[str, ...] = ()
    flat: tuple[str, ...] = ()
    flat_has_bias: bool = False
    colour: str = "interpolate"
    gap_angle: str | float | None = None
    camera_angle: float | None = None
    mirrored: bool | None = None
    grid: str | None = None
    clip: float = 3.0
    memory: float = 64.0
    amount: float = 1.0
    detail: bool = True
    crop: float | None = None
    tiff: int | None = None
    white: float | None = None
    null: bool = False
    link: bool = False

    def __post_init__(self) -> None:
        for name in (
            "target",
            "keep_in",
            "leave_out",
            "time_column",
            "stop_column",
            "zero_point",
            "bias",
            "dark",
            "flat",
        ):
            value = getattr(self, name)
            if isinstance(value, str):
                raise InputError(f"{name} must be a list, got {value!r}")
            object.__setattr__(self, name, tuple(value))
        for name, low, high in (
            ("max_share", 0.0, 1.0),
            ("max_power", 0.0, 100.0),
            ("deep_max_fwhm", 0.0, 1e3),
            ("max_fwhm", 0.0, 1e3),
            ("max_eccentricity", 0.0, 1.0),
            ("max_spike", 0.0, 1.0),
            ("min_frames", 1, 10**6),
            ("clip", 1.0, 100.0),
            ("memory", 50.0, 1e6),
            ("amount", 0.0, 1.0),
            ("crop", 0.0, 1.0),
            ("white", 1e-30, 1e30),
            ("max_size", 1e-3, 1e5),
            ("max_gap", 0.0, 1e6),
            ("full_current", 0.0, 1e3),
            ("full_power", 0.0, 1e6),
            ("camera_angle", -360.0, 360.0),
        ):
            value = getattr(self, name)
            if value is not None and not (isinstance(value, int | float) and low <= value <= high):
                raise InputError(f"{name} must be a number from {low:g} to {high:g}, got {value!r}")
        self.zero_points()
        for name in ("null", "link", "flat_has_bias", "detail"):
            if not isinstance(getattr(self, name), bool):
                raise InputError(f"{name} must be true or false, got {getattr(self, name)!r}")
        for name in ("heater_reader", "star_measurer", "registration", "stacker"):
            if not isinstance(getattr(self, name), str):
                raise InputError(f"{name} must be a name, got {getattr(self, name)!r}")
        if self.crop == 0:
            object.__setattr__(self, "crop", None)
        if self.tiff not in (None, 16, 32):
            raise InputError(f"tiff must be 16 or 32, got {self.tiff!r}")
        if self.white is not None and self.tiff is None:
            raise InputError("white is for TIFF files: give tiff (--tiff 16 or 32) with it")
        if self.colour not in ("interpolate", "place"):
            raise InputError(f"colour must be interpolate or place, got {self.colour!r}")
        if self.mirrored not in (None, True, False):
            raise InputError(f"mirrored must be true or false, got {self.mirrored!r}")
        if self.gap_angle is not None:
            read_gap_angle(self.gap_angle)
        offset = self.clock_offset
        if isinstance(offset, list | tuple):
            object.__setattr__(self, "clock_offset", tuple(offset))
        parts = tuple(offset) if isinstance(offset, list | tuple) else (offset,)
        if offset != "auto" and not all(isinstance(part, int | float) for part in parts):
            raise InputError(f"clock_offset must be seconds or 'auto', got {offset!r}")

    def zero_points(self) -> dict[str, float]:
        """Magnitude of a star of 1 ADU per second by filter; "" holds for all others.

        Raises
        ------
        InputError
            An entry is not MAGNITUDE or FILTER=MAGNITUDE.
        """
        points = {}
        for entry in self.zero_point:
            name, _, value = str(entry).rpartition("=")
            try:
                points[name] = float(value)
            except ValueError:
                raise InputError(
                    f"zero_point must be MAGNITUDE or FILTER=MAGNITUDE, got {entry!r}"
                ) from None
        return points

    def log_options(self) -> LogOptions:
        """How heater logs are to be read."""
        return LogOptions(
            form=self.heater_form,
            zone=self.log_zone,
            day_first=self.day_first,
            full_current=self.full_current,
            full_power=self.full_power,
            max_gap=self.max_gap,
            start=self.log_start,
            time_column=self.time_column or None,
            stop_column=self.stop_column or None,
            value_column=self.value_column,
        )

    def as_dict(self) -> dict[str, Any]:
        """The settings as plain values that JSON and TOML hold."""
        return {name: list(v) if isinstance(v, tuple) else v for name, v in asdict(self).items()}

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any], *, where: str = "settings") -> "Settings":
        """Make settings of a mapping.

        Raises
        ------
        InputError
            A name is not a setting or a value does not fit; the message names it.
        """
        known = {field.name for field in fields(cls)}
        for name in values:
            if name not in known:
                raise InputError(f"{where}: no setting {name!r}; known: {', '.join(sorted(known))}")
        try:
            return cls(**values)
        except InputError as error:
            raise InputError(f"{where}: {error}") from error
        except TypeError as error:
            raise InputError(f"{where}: a value has the wrong kind ({error})") from error


def read_settings(path: str | Path) -> Settings:
    """Read settings from a TOML file, or from the night.json of an earlier run.

    Raises
    ------
    InputError
        The file cannot be read, or holds what is no setting.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".json":
            values = json.loads(text)
            values = values.get("settings", {}) if isinstance(values, dict) else {}
        else:
            values = tomllib.loads(text)
    except OSError as error:
        raise InputError(f"{path}: settings cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:  # JSON, TOML and UTF-8 errors are ValueErrors
        raise InputError(f"{path}: settings cannot be understood ({error})") from error
    return Settings.from_mapping(values, where=str(path))


def read_logs(path: str | Path) -> list[str]:
    """The heater logs of an earlier run, as its night.json names them; none without a log.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    try:
        values = json.loads(Path(path).read_text(encoding="utf-8"))
        named = str(values["heater"]["log"])
    except OSError as error:
        raise InputError(f"{path}: settings cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: settings cannot be understood ({error})") from error
    except (KeyError, TypeError):
        return []
    return [name for name in named.split("; ") if name]
