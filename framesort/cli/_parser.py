"""The command line's words: commands, options, help with an example each."""

import argparse
from collections.abc import Sequence

from framesort import __version__
from framesort.cli._mistypes import Parser
from framesort.cli._plan import PLAN_EXAMPLE, add_plan_options
from framesort.cli._swap import SWAP_EXAMPLE, add_detail_option, add_swap_options

__all__ = ["build_parser", "join_zone"]

_EXIT = (
    "Exit status: 0 done, 1 done but something was left out, 2 wrong input or call,\n"
    "3 the frames do not allow it."
)


class _Help(argparse.RawDescriptionHelpFormatter):
    """Keeps the examples' lines as they are."""


def _add_command(
    commands: "argparse._SubParsersAction[Parser]",
    name: str,
    text: str,
    example: str,
    parents: Sequence[Parser],
) -> Parser:
    return commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=f"example:\n  {example}\n\n{_EXIT}",
        formatter_class=_Help,
        parents=list(parents),
    )


def _common() -> Parser:
    common = Parser(add_help=False)
    group = common.add_argument_group("output")
    group.add_argument("--json", action="store_true", help="results on stdout as JSON")
    group.add_argument("--quiet", action="store_true", help="no progress bars")
    group.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return common


def _running() -> Parser:
    running = Parser(add_help=False)
    group = running.add_argument_group("running")
    group.add_argument("--workers", type=int, metavar="N", help="processes (default: one a core)")
    group.add_argument("--overwrite", action="store_true", help="replace an existing result")
    group.add_argument(
        "--settings",
        metavar="FILE",
        help="settings from a TOML file, or the night.json of an earlier run; options win over it",
    )
    return running


def _reading_log() -> Parser:
    """How a heater log is to be read; the names are those of the settings."""
    reading = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    group = reading.add_argument_group("reading the log")
    group.add_argument(
        "--log-form",
        dest="heater_form",
        metavar="FORM",
        help="samples, switches, states, intervals or current (default: recognised)",
    )
    group.add_argument(
        "--log-zone", metavar="ZONE", help="zone of a log in local time: Europe/Lisbon or -07:00"
    )
    group.add_argument(
        "--log-start", metavar="TIME", help="start of a log that counts seconds or has no dates"
    )
    group.add_argument(
        "--time-column",
        action="append",
        metavar="COL",
        help="heading or number of the log's time; twice where date and time are apart",
    )
    group.add_argument(
        "--stop-column", action="append", metavar="COL", help="the same for an interval's end"
    )
    group.add_argument(
        "--value-column", metavar="COL", help="the same for the heater's power or the current"
    )
    group.add_argument(
        "--day-first",
        action=argparse.BooleanOptionalAction,
        help="dates are day before month, in headers as well (--no-day-first: month first)",
    )
    group.add_argument(
        "--full-power", type=float, metavar="X", help="reading at full power, if not percent"
    )
    group.add_argument(
        "--full-current", type=float, metavar="A", help="amperes of the heater at full power"
    )
    group.add_argument(
        "--max-gap",
        type=float,
        metavar="S",
        help="seconds without a sample until the state is unknown",
    )
    return reading


def _sorting() -> Parser:
    sorting = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    heater = sorting.add_argument_group("heater")
    heater.add_argument(
        "--heater",
        metavar="LOG",
        action="append",
        default=None,
        help="heater log, or a constant power in percent; without it states are estimated from "
        "the stars; give it again for each further night's log",
    )
    heater.add_argument(
        "--clock-offset",
        type=_offset,
        metavar="S|auto",
        action="append",
        help="seconds to add to the log's times; auto: what the stars of each night say; with "
        "several logs one for all, or again for each in their order",
    )
    heater.add_argument(
        "--heater-keyword", metavar="KEY", help="header keyword that holds the power in percent"
    )
    heater.add_argument(
        "--heater-reader", metavar="NAME", help="plug-in that reads the log (default: builtin)"
    )
    sets = sorting.add_argument_group("sets")
    sets.add_argument(
        "--max-share",
        type=float,
        metavar="F",
        help="largest heater share of a sharp frame (default: its stars decide)",
    )
    sets.add_argument(
        "--max-power",
        type=float,
        metavar="PCT",
        help="largest mean heater power of a sharp frame; 0: heater-off frames only "
        "(default: its stars decide)",
    )
    sets.add_argument("--max-fwhm", type=float, metavar="PX", help="largest FWHM of a sharp frame")
    sets.add_argument(
        "--max-eccentricity", type=float, metavar="E", help="largest eccentricity of a sharp frame"
    )
    sets.add_argument("--max-spike", type=float, metavar="F", help="largest spike of a sharp frame")
    sets.add_argument(
        "--deep-max-fwhm",
        type=float,
        metavar="PX",
        help="largest FWHM of the deep set (default: frames whose depth does not pay for their "
        "blur are left out)",
    )
    sets.add_argument(
        "--zero-point",
        action="append",
        metavar="[FILTER=]MAG",
        help="magnitude of a star of 1 ADU per second, for limits in magnitudes",
    )
    sets.add_argument(
        "--min-frames", type=int, metavar="N", help="fill the sharp set up to so many (default 5)"
    )
    sets.add_argument(
        "--keep-in", nargs="+", metavar="FILE", help="frames to put into the sharp set"
    )
    sets.add_argument(
        "--leave-out", nargs="+", metavar="FILE", help="frames to leave out of both sets"
    )
    sets.add_argument(
        "-0", "--null", action="store_true", help="set lists with NUL after each path, for xargs -0"
    )
    sets.add_argument(
        "--link", action="store_true", help="a folder of symbolic links beside each set list"
    )
    _add_calibration(sorting)
    sorting.add_argument(
        "--target",
        action="append",
        metavar="NAME",
        help="only frames of this target (OBJECT in their headers); again for names of the same "
        "field; without it each target is made for itself",
    )
    sorting.add_argument(
        "--max-size",
        type=float,
        metavar="MPX",
        help="frames of more megapixels are left out unread (default 200)",
    )
    sorting.add_argument(
        "--no-cache", action="store_true", default=False, help="measure every frame anew"
    )
    sorting.add_argument(
        "--star-measurer", metavar="NAME", help="builtin, segmentation (photutils), or a plug-in"
    )
    sorting.add_argument(
        "--camera-zone", metavar="ZONE", help="time zone of the camera's clock, for raw files"
    )
    return sorting


def _add_calibration(sorting: Parser) -> None:
    masters = sorting.add_argument_group("calibration, where frames are not calibrated yet")
    for kind, text in (
        ("bias", "master bias"),
        ("dark", "master dark; with a bias it is scaled to the exposure; several: one an exposure"),
        ("flat", "master flat, its bias taken off; several: one a filter"),
    ):
        masters.add_argument(f"--{kind}", nargs="+", metavar="FILE", help=text)
    masters.add_argument(
        "--flat-has-bias", action="store_true", help="the flats hold their bias still"
    )
    gap = sorting.add_argument_group("spike")
    gap.add_argument(
        "--gap-angle",
        metavar="PLACE",
        help='place of a gap in the ring: "5 o\'clock", 5h, or degrees counter-clockwise from '
        "the right; says whether it explains the spike",
    )
    gap.add_argument(
        "--camera-angle",
        type=float,
        metavar="DEG",
        help="turn the image clockwise by so much and the plate's 12 o'clock is at its top",
    )
    gap.add_argument(
        "--mirrored",
        action=argparse.BooleanOptionalAction,
        help="the image shows the plate as in a mirror (default: not known, both are tried)",
    )


def _merging() -> Parser:
    merging = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    group = merging.add_argument_group("stacks and stars")
    group.add_argument(
        "--grid",
        metavar="FILE",
        help="FITS file whose grid is the target, or 'optimal': the smallest that covers all "
        "frames of a drift or mosaic (they need a WCS)",
    )
    group.add_argument("--clip", type=float, metavar="SIGMA", help="rejection limit (default 3)")
    group.add_argument(
        "--memory", type=float, metavar="MB", help="memory a worker may use to stack (default 64)"
    )
    group.add_argument(
        "--amount", type=float, metavar="F", help="star replacement in part, 0..1 (default 1)"
    )
    add_detail_option(group)
    group.add_argument(
        "--colour",
        choices=("interpolate", "place"),
        help="planes of a colour filter array: missing pixels interpolated from their own colour "
        "(default), or pixels placed where they fall, for forty dithered frames and more",
    )
    group.add_argument(
        "--registration",
        metavar="NAME",
        help="builtin (by stars), wcs, aligned (on one grid already), or a plug-in",
    )
    group.add_argument("--stacker", metavar="NAME", help="plug-in that stacks (default: builtin)")
    pictures = merging.add_argument_group("pictures")
    pictures.add_argument(
        "--crop",
        type=float,
        nargs="?",
        const=1.0,
        metavar="F",
        help="cut the pictures to the largest rectangle that all frames of both stacks cover, or "
        "the share F of them (0: leave the edges)",
    )
    pictures.add_argument(
        "--tiff",
        type=int,
        choices=(16, 32),
        help="write the final picture, its stars and its background as TIFF too: 32 bit float, or "
        "16 bit, rounded and cut off at 0 and 65535",
    )
    pictures.add_argument(
        "--white",
        type=float,
        metavar="LEVEL",
        help="number that becomes full white in a TIFF file (default: numbers as they are)",
    )
    return merging


def _offset(text: str) -> float | str:
    return text if text == "auto" else float(text)


def join_zone(arguments: Sequence[str]) -> list[str]:
    """Let `--log-zone -07:00` and its like stand: argparse would take the offset for an option."""
    joined: list[str] = []
    for argument in arguments:
        zoned = joined and joined[-1] in ("--log-zone", "--forecast-zone", "--camera-zone")
        if zoned and argument[:2].lstrip("-").isdigit():
            joined[-1] += f"={argument}"
        else:
            joined.append(argument)
    return joined


def build_parser() -> Parser:
    """The parser with every command; the chosen one is in ``command``."""
    parser = Parser(
        prog="framesort",
        description="Sorts and merges the frames of a night by the state of the dew heater.",
        epilog="example:\n  framesort night lights/ --heater ring.csv --out result\n\n"
        "`framesort COMMAND --help` shows more, with an example each.\n" + _EXIT,
        formatter_class=_Help,
    )
    parser.add_argument("--version", action="version", version=f"framesort {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    common, running, sorting, merging = _common(), _running(), _sorting(), _merging()
    reading = _reading_log()
    frames_help = "files, folders, patterns, @list.txt, or @- for a list on standard input"

    night = _add_command(
        commands,
        "night",
        "sort a night and merge it: everything in one go",
        "framesort night lights/ --heater ring.csv --out result",
        [common, running, reading, sorting, merging],
    )
    sort = _add_command(
        commands,
        "sort",
        "measure and tag frames, choose the two sets",
        "framesort sort lights/*.fits --heater ring.csv --log-zone Europe/Lisbon --out result\n"
        "  find lights/ -name '*.fits' -print0 | framesort sort @- --link --json --out result",
        [common, running, reading, sorting],
    )
    for command in (night, sort):
        command.add_argument("frames", nargs="+", metavar="FRAMES", help=frames_help)
        command.add_argument("--out", required=True, metavar="DIR", help="folder for the results")

    merge = _add_command(
        commands,
        "merge",
        "register and stack both sets of a sorted night, replace the stars",
        "framesort merge result",
        [common, running, merging],
    )
    merge.add_argument("folder", metavar="DIR", help="folder that `framesort sort` wrote")

    swap = _add_command(
        commands,
        "swap",
        "replace the stars of one stack by those of another",
        SWAP_EXAMPLE,
        [common],
    )
    add_swap_options(swap)

    log = _add_command(
        commands,
        "log",
        "show what a heater log was understood to say",
        "framesort log ring.csv --plot ring.png",
        [common, reading],
    )
    log.add_argument("log", metavar="LOG", help="heater log")
    log.add_argument("--plot", metavar="PNG", help="draw it")

    simulate = _add_command(
        commands,
        "simulate",
        "make a simulated night with its truth",
        "framesort simulate demo/night.toml --out night",
        [common],
    )
    simulate.add_argument("scenario", metavar="SCENARIO", help="TOML file")
    simulate.add_argument(
        "--out", required=True, metavar="DIR", help="folder for frames, logs and truth"
    )
    simulate.add_argument(
        "--workers", type=int, metavar="N", help="processes (default: one a core)"
    )
    simulate.add_argument("--overwrite", action="store_true", help="replace an existing night")

    _add_plan(commands, common)
    return parser


def _add_plan(commands: "argparse._SubParsersAction[Parser]", common: Parser) -> None:
    plan = _add_command(
        commands,
        "plan",
        "plan the next night: heater-off time needed, when dew is to be expected",
        PLAN_EXAMPLE,
        [common],
    )
    add_plan_options(plan)
