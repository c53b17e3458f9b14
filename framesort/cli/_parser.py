"""The command line's words: commands, options, help with an example each."""

import argparse
import re
from collections.abc import Sequence
from typing import TypeAlias

from framesort import __version__
from framesort.cli._compare import COMPARE_EXAMPLE, add_compare_options
from framesort.cli._mistypes import Parser
from framesort.cli._options import add_settings
from framesort.cli._plan import PLAN_EXAMPLE, add_plan_options
from framesort.cli._swap import SWAP_EXAMPLE, add_swap_options
from framesort.cli._watch import WATCH_EXAMPLE, add_live_settings, add_watch_options

__all__ = ["build_parser", "join_negative"]

Commands: TypeAlias = "argparse._SubParsersAction[Parser]"

_EXIT = (
    "Exit status: 0 done, 1 done but something was left out, 2 wrong input or call,\n"
    "3 the frames do not allow it."
)


def _add_command(
    commands: Commands,
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
        formatter_class=argparse.RawDescriptionHelpFormatter,
        parents=list(parents),
    )


def _common() -> Parser:
    common = Parser(add_help=False)
    group = common.add_argument_group("output")
    group.add_argument("--json", action="store_true", help="results on stdout as JSON")
    group.add_argument("--quiet", action="store_true", help="no progress bars")
    group.add_argument("--verbose", action="store_true", help="say why a match or a fit failed")
    group.add_argument("--debug", action="store_true", help="show the traceback of an error")
    return common


def _running(*, overwrite: bool = True, settings: bool = True) -> Parser:
    running = Parser(add_help=False)
    group = running.add_argument_group("running")
    group.add_argument("--workers", type=int, metavar="N", help="processes (default: one a core)")
    group.add_argument(
        "--executor",
        metavar="ADDRESS",
        help="measure frames on a dask.distributed cluster, by the address of its scheduler, as in "
        "tcp://head:8786; in trusted networks only",
    )
    if overwrite:
        group.add_argument("--overwrite", action="store_true", help="replace an existing result")
    if settings:
        group.add_argument(
            "--settings",
            metavar="FILE",
            help="settings from a TOML file, or the night.json of an earlier run; options win "
            "over it",
        )
    return running


def _reading_log() -> Parser:
    reading = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    add_settings(reading.add_argument_group("reading the log"))
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
    add_settings(heater)
    add_settings(sorting.add_argument_group("sets"))
    frames = sorting.add_argument_group("frames")
    add_settings(frames)
    frames.add_argument(
        "--no-cache", action="store_true", default=False, help="measure every frame anew"
    )
    add_settings(sorting.add_argument_group("calibration, where frames are not calibrated yet"))
    add_settings(sorting.add_argument_group("spike"))
    return sorting


def _watching() -> Parser:
    watching = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    add_live_settings(watching)
    return watching


def _merging() -> Parser:
    merging = Parser(add_help=False, argument_default=argparse.SUPPRESS)
    add_settings(merging.add_argument_group("stacks and stars"))
    add_settings(merging.add_argument_group("pictures"))
    return merging


def join_negative(arguments: Sequence[str]) -> list[str]:
    """Let `--log-zone -07:00` and `--clock-offset -3` stand: argparse would see options there."""
    joined: list[str] = []
    for argument in arguments:
        negative = re.match(r"-\.?\d", argument) and argument != "-0"
        if negative and joined and re.fullmatch(r"--[a-z-]+", joined[-1]):
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
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"framesort {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    common = _common()
    _add_night(commands, common)
    swap = _add_command(
        commands,
        "swap",
        "replace the stars of one stack by those of another",
        SWAP_EXAMPLE,
        [common],
    )
    add_swap_options(swap)
    _add_log(commands, common)
    _add_simulate(commands, common)
    plan = _add_command(
        commands,
        "plan",
        "plan the next night: heater-off time needed, when dew is to be expected; or a test night",
        PLAN_EXAMPLE,
        [common],
    )
    add_plan_options(plan)
    compare = _add_command(
        commands,
        "compare",
        "compare nights, or parts of one: did a change of ring, strap or power help",
        COMPARE_EXAMPLE,
        [common, _running(settings=False)],
    )
    add_compare_options(compare)
    watch = _add_command(
        commands,
        "watch",
        "during the night: measure frames as they come in, report dew, cloud and missing minutes",
        WATCH_EXAMPLE,
        [common, _running(overwrite=False), _reading_log(), _watching()],
    )
    add_watch_options(watch)
    return parser


def _add_night(commands: Commands, common: Parser) -> None:
    """The commands `night`, `sort` and `merge`."""
    running, reading, sorting, merging = _running(), _reading_log(), _sorting(), _merging()
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
        command.add_argument(
            "frames",
            nargs="+",
            metavar="FRAMES",
            help="files, folders, patterns, @list.txt, or @- for a list on standard input",
        )
        command.add_argument("--out", required=True, metavar="DIR", help="folder for the results")
    merge = _add_command(
        commands,
        "merge",
        "register and stack both sets of a sorted night, replace the stars",
        "framesort merge result",
        [common, running, merging],
    )
    merge.add_argument("folder", metavar="DIR", help="folder that `framesort sort` wrote")


def _add_log(commands: Commands, common: Parser) -> None:
    log = _add_command(
        commands,
        "log",
        "show what a heater log was understood to say",
        "framesort log ring.csv --plot ring.png",
        [common, _reading_log()],
    )
    log.add_argument("log", metavar="LOG", help="heater log")
    log.add_argument("--plot", metavar="PNG", help="draw it")


def _add_simulate(commands: Commands, common: Parser) -> None:
    simulate = _add_command(
        commands,
        "simulate",
        "make a simulated night with its truth",
        "framesort simulate demo/night.toml --out night\n"
        "  framesort simulate demo/night.toml --out night --replay 60",
        [common],
    )
    simulate.add_argument("scenario", metavar="SCENARIO", help="TOML file")
    simulate.add_argument(
        "--out", required=True, metavar="DIR", help="folder for frames, logs and truth"
    )
    simulate.add_argument(
        "--workers", type=int, metavar="N", help="processes (default: one a core)"
    )
    simulate.add_argument(
        "--overwrite",
        action="store_true",
        help="replace an existing night; with --replay, only what was replayed before",
    )
    replay = simulate.add_argument_group("replay, to see what `framesort watch` does")
    replay.add_argument(
        "--replay",
        dest="speed",
        type=float,
        metavar="SPEED",
        help="copy frames and logs into DIR/live as they were written, SPEED times as fast "
        "(60: a minute of the night a second; inf: without waiting); the night is the one "
        "that is in DIR already, or else is simulated in DIR/night first",
    )
    replay.add_argument(
        "--rename",
        action="store_true",
        help="write frames as NAME.part and rename them when complete",
    )
