"""The command `compare`: its options, its call, its result on the screen."""

import argparse
from argparse import Namespace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from framesort.records import Comparison

__all__ = ["COMPARE_EXAMPLE", "add_compare_options", "run_compare"]

COMPARE_EXAMPLE = """framesort compare bare/ taped/ --out compared
  framesort compare monday/ friday/ --name bare --name taped --out compared
  framesort compare result --split 2026-03-01T23:40 --out compared
  framesort compare result --by frames.csv --out compared"""


def add_compare_options(compare: argparse.ArgumentParser) -> None:
    """Arguments and options of the command."""
    compare.add_argument(
        "nights",
        nargs="+",
        metavar="NIGHT",
        help="folders that `framesort sort` or `night` wrote; the first is what the others are "
        "compared with",
    )
    compare.add_argument("--out", required=True, metavar="DIR", help="folder for the results")
    parts = compare.add_argument_group("configurations")
    parts.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="NAME",
        help="what to call a configuration; once for each, in their order",
    )
    parts.add_argument(
        "--split",
        action="append",
        default=[],
        metavar="TIME",
        help="compare parts of one night, before and after this time (UTC unless it has a zone); "
        "may be given again",
    )
    parts.add_argument(
        "--by",
        metavar="TABLE",
        help="compare frames by the column configuration of a CSV table with a column file; "
        "TABLE:COLUMN for another column",
    )
    parts.add_argument(
        "--pixel-scale",
        action="append",
        type=float,
        default=[],
        metavar="ARCSEC",
        help="arcsec a pixel where headers do not give it; once for all, or for each configuration",
    )
    parts.add_argument(
        "--no-pixels",
        action="store_true",
        help="do not read the frames again: no mean stars, halo and added blur from profiles",
    )


def run_compare(options: Namespace) -> int:
    """Compare the nights; exit status 1 if something was left out."""
    import shlex

    from framesort.cli._console import bars, print_json, print_note, print_text
    from framesort.night import CompareOptions, compare_nights
    from framesort.workers import open_executor

    with open_executor(options.workers, cluster=options.executor) as pool:
        result = compare_nights(
            options.nights,
            out=options.out,
            options=CompareOptions(
                names=tuple(options.name),
                split=tuple(options.split),
                by=options.by,
                pixel_scales=tuple(options.pixel_scale),
                pixels=not options.no_pixels,
            ),
            overwrite=options.overwrite,
            command=shlex.join(["framesort", *options.words]),
            executor=pool,
            progress=bars(options.quiet),
        )
    comparison = result.comparison
    for note in comparison.notes:
        if options.verbose or note.severity != "info":
            print_note(f"{'WARNING' if note.severity == 'error' else 'note'}: {note}")
    if options.json:
        print_json({"folder": str(result.folder), "status": result.status, **comparison.to_plain()})
        return result.status
    print_text("\n".join(_lines(comparison)))
    print_text(f"Page: {result.folder / 'report.html'}")
    return result.status


def _lines(comparison: "Comparison") -> list[str]:
    """Verdicts first, then what else differed."""
    lines = []
    for verdict in comparison.verdicts:
        lines += [text for text in (verdict.sentence, verdict.missing) if text]
    lines += [condition.sentence for condition in comparison.conditions]
    return lines
