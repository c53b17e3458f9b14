"""Every setting of a night in one frozen record.

The docstring, the checks, the options of the command line and the page on settings are made of the
rule beside each field. Nothing heavy is loaded here.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

from framesort.errors import InputError
from framesort.rules import Rule, check_fields, document_fields, hint_name, list_entries

if TYPE_CHECKING:
    from framesort.heater import LogOptions

__all__ = ["Settings"]

# A group of options each; the titles are those of the command line's help.
_log = partial(Rule, group="reading the log")
_heater = partial(Rule, group="heater")
_sets = partial(Rule, group="sets")
_frames = partial(Rule, group="frames")
_masters = partial(Rule, group="calibration, where frames are not calibrated yet")
_spike = partial(Rule, group="spike")
_stacks = partial(Rule, group="stacks and stars")
_pictures = partial(Rule, group="pictures")


@document_fields
@dataclass(frozen=True, kw_only=True)
class Settings:
    """Settings of a night; the defaults are those of the command line."""

    heater_form: Annotated[
        str,
        _log(
            "form of the log: samples, switches, states, intervals or current",
            default="recognised",
            metavar="FORM",
            flags=("--log-form",),
        ),
    ] = "auto"
    log_zone: Annotated[
        str | None,
        _log(
            "zone of a log in local time: Europe/Lisbon or -07:00",
            default="UTC, or an error if the heading says local",
            metavar="ZONE",
        ),
    ] = None
    log_start: Annotated[
        str | None,
        _log("start of a log that counts seconds or has no dates, ISO 8601", metavar="TIME"),
    ] = None
    time_column: Annotated[
        tuple[str, ...],
        _log(
            "heading or number (from 1) of the log's time; two where date and time are apart",
            default="recognised",
            metavar="COL",
        ),
    ] = ()
    stop_column: Annotated[
        tuple[str, ...], _log("heading or number of the end of an interval", metavar="COL")
    ] = ()
    value_column: Annotated[
        str | int | None,
        _log("heading or number of the heater's power, state or current", metavar="COL"),
    ] = None
    day_first: Annotated[
        bool | None,
        _log(
            "whether dates are day before month or month before day, in headers as well",
            default="seen from the dates; where not, an error in the log and unknown in headers",
        ),
    ] = None
    full_power: Annotated[
        float | None, _log("reading of the log at full power, if not percent", 0, 1e6, metavar="X")
    ] = None
    full_current: Annotated[
        float | None,
        _log(
            "amperes of the heater at full power",
            0,
            1e3,
            default="seen from the steps",
            metavar="A",
        ),
    ] = None
    max_gap: Annotated[
        float | None,
        _log(
            "seconds without a sample until the state is unknown",
            0,
            1e6,
            default="a minute or five cadences, whichever is longer",
            metavar="S",
        ),
    ] = None

    clock_offset: Annotated[
        float | str | tuple[float, ...],
        _heater(
            "seconds to add to the log's times; auto: what the stars of each night say, where that "
            "is significant; with several logs one for all, or one for each in their order",
            metavar="S|auto",
        ),
    ] = 0.0
    heater_keyword: Annotated[
        str | None, _heater("header keyword that holds the power in percent", metavar="KEY")
    ] = None
    heater_reader: Annotated[str, _heater("plug-in that reads the log", metavar="NAME")] = "builtin"

    max_share: Annotated[
        float | None,
        _sets(
            "largest heater share of a sharp frame", 0, 1, default="its stars decide", metavar="F"
        ),
    ] = None
    max_power: Annotated[
        float | None,
        _sets(
            "largest mean heater power of a sharp frame in percent; 0: heater-off frames only",
            0,
            100,
            default="its stars decide",
            metavar="PCT",
        ),
    ] = None
    max_fwhm: Annotated[
        float | None, _sets("largest FWHM of a sharp frame, pixels", 0, 1e3, metavar="PX")
    ] = None
    max_eccentricity: Annotated[
        float | None, _sets("largest eccentricity of a sharp frame", 0, 1, metavar="E")
    ] = None
    max_spike: Annotated[
        float | None, _sets("largest spike strength of a sharp frame", 0, 1, metavar="F")
    ] = None
    deep_max_fwhm: Annotated[
        float | None,
        _sets(
            "largest FWHM of the deep set, pixels",
            0,
            1e3,
            default="frames whose depth does not pay for their blur are left out",
            metavar="PX",
        ),
    ] = None
    zero_point: Annotated[
        tuple[str, ...],
        _sets(
            "magnitude of a star of 1 ADU per second, for limits in magnitudes; of one filter: "
            "L=21.5",
            metavar="[FILTER=]MAG",
        ),
    ] = ()
    min_frames: Annotated[
        int,
        _sets(
            "fill the sharp set up to so many with the best usable heater-off frames",
            1,
            10**6,
            metavar="N",
        ),
    ] = 5
    keep_in: Annotated[
        tuple[str, ...], _sets("frames to put into the sharp set", metavar="FILE", nargs="+")
    ] = ()
    leave_out: Annotated[
        tuple[str, ...], _sets("frames to leave out of both sets", metavar="FILE", nargs="+")
    ] = ()
    null: Annotated[
        bool, _sets("set lists with NUL after each path, for xargs -0", flags=("-0", "--null"))
    ] = False
    link: Annotated[bool, _sets("a folder of symbolic links beside each set list")] = False

    target: Annotated[
        tuple[str, ...],
        _frames(
            "only frames of this target (OBJECT in their headers); several: names of one field",
            default="each target is made for itself",
            metavar="NAME",
        ),
    ] = ()
    max_size: Annotated[
        float, _frames("frames of more megapixels are left out unread", 1e-3, 1e5, metavar="MPX")
    ] = 200.0
    star_measurer: Annotated[
        str,
        _frames(
            "what measures stars: builtin, segmentation (photutils), or a plug-in", metavar="NAME"
        ),
    ] = "builtin"
    camera_zone: Annotated[
        str | None, _frames("time zone of the camera's clock, for raw files", metavar="ZONE")
    ] = None

    bias: Annotated[tuple[str, ...], _masters("master bias", metavar="FILE", nargs="+")] = ()
    dark: Annotated[
        tuple[str, ...],
        _masters(
            "master dark; with a bias it is scaled to the exposure; several: one an exposure",
            metavar="FILE",
            nargs="+",
        ),
    ] = ()
    flat: Annotated[
        tuple[str, ...],
        _masters(
            "master flat, its bias taken off; several: one a filter", metavar="FILE", nargs="+"
        ),
    ] = ()
    flat_has_bias: Annotated[bool, _masters("the flats hold their bias still")] = False

    gap_angle: Annotated[
        str | float | None,
        _spike(
            'place of a gap in the ring: "5 o\'clock", 5h, or degrees counter-clockwise from the '
            "right; says whether it explains the spike",
            metavar="PLACE",
        ),
    ] = None
    camera_angle: Annotated[
        float | None,
        _spike(
            "turn the image clockwise by so many degrees and the plate's 12 o'clock is at its top",
            -360,
            360,
            metavar="DEG",
        ),
    ] = None
    mirrored: Annotated[
        bool | None,
        _spike(
            "whether the image shows the plate as in a mirror", default="not known, both are tried"
        ),
    ] = None

    grid: Annotated[
        str | None,
        _stacks(
            "FITS file whose grid is the target, or 'optimal': the smallest north-up grid that "
            "covers all frames of a drift or mosaic (they need a WCS)",
            default="that of the frame with the best stars",
            metavar="FILE",
        ),
    ] = None
    clip: Annotated[
        float, _stacks("rejection limit, standard deviations", 1, 100, metavar="SIGMA")
    ] = 3.0
    memory: Annotated[
        float, _stacks("megabytes that a worker may use to stack", 16, 1e6, metavar="MB")
    ] = 64.0
    amount: Annotated[
        float, _stacks("star replacement in part: 0 none, 1 whole", 0, 1, metavar="F")
    ] = 1.0
    detail: Annotated[
        bool,
        _stacks(
            "give nebulae and galaxies the detail that blur took, or stars only",
            metavar="on|off",
        ),
    ] = True
    colour: Annotated[
        str,
        _stacks(
            "planes of a colour filter array: missing pixels interpolated from their own colour, "
            "or pixels placed where they fall, for forty dithered frames and more",
            choices=("interpolate", "place"),
        ),
    ] = "interpolate"
    registration: Annotated[
        str,
        _stacks(
            "how frames are registered: builtin (by stars), wcs, aligned (on one grid already), or "
            "a plug-in",
            metavar="NAME",
        ),
    ] = "builtin"
    stacker: Annotated[str, _stacks("plug-in that stacks", metavar="NAME")] = "builtin"

    crop: Annotated[
        float | None,
        _pictures(
            "cut the pictures to the largest rectangle that the share F of the frames of every "
            "stack covers, all of them if no share is given",
            0,
            1,
            default="the edges are left; the same with 0",
            metavar="F",
            nargs="?",
            alone=1.0,
        ),
    ] = None
    tiff: Annotated[
        int | None,
        _pictures(
            "write the final picture, its stars and its background as TIFF too: 32 bit float, or "
            "16 bit, rounded and cut off at 0 and 65535",
            choices=(16, 32),
        ),
    ] = None
    white: Annotated[
        float | None,
        _pictures(
            "number that becomes full white in a TIFF file",
            1e-30,
            1e30,
            default="numbers as they are",
            metavar="LEVEL",
        ),
    ] = None

    def __post_init__(self) -> None:
        check_fields(self)
        self.zero_points()
        if self.crop == 0:
            object.__setattr__(self, "crop", None)
        if self.white is not None and self.tiff is None:
            raise InputError("white is for TIFF files: give tiff (--tiff 16 or 32) with it")
        if self.gap_angle is not None:
            from framesort.evidence import read_gap_angle  # loaded only where it is needed

            read_gap_angle(self.gap_angle)
        offset = self.clock_offset
        parts = tuple(offset) if isinstance(offset, list | tuple) else (offset,)
        if offset != "auto" and not all(isinstance(part, int | float) for part in parts):
            raise InputError(f"clock_offset must be seconds or 'auto', got {offset!r}")
        object.__setattr__(self, "clock_offset", parts if isinstance(offset, list) else offset)

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

    def log_options(self) -> "LogOptions":
        """How heater logs are to be read."""
        from framesort.heater import LogOptions

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
        known = list_entries(cls)
        for name in values:
            if name not in known:
                raise InputError(f"{where}: no setting {name!r}; {hint_name(name, known)}")
        try:
            return cls(**values)
        except InputError as error:
            raise InputError(f"{where}: {error}") from error
