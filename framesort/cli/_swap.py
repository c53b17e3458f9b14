"""The command `swap`: its options, its call, its result on the screen."""

import argparse
from argparse import Namespace
from pathlib import Path
from typing import Any

from framesort.cli._options import add_setting
from framesort.settings import Settings

__all__ = ["SWAP_EXAMPLE", "add_swap_options", "run_swap"]

SWAP_EXAMPLE = """framesort swap deep.fits sharp.fits --out final.fits
  framesort swap deep.tif sharp.tif --out final.tif --keep comet.csv
  framesort swap luminance.fits red.fits green.fits blue.fits --out colour.fits"""


def add_swap_options(swap: argparse.ArgumentParser) -> None:
    """Arguments and options of the command."""
    swap.add_argument("deep", metavar="DEEP", help="FITS or TIFF whose faint light is kept")
    swap.add_argument(
        "sharp",
        nargs="+",
        metavar="SHARP",
        help="FITS or TIFF whose stars are kept; several of one plane become the planes of one",
    )
    swap.add_argument(
        "--out",
        required=True,
        metavar="FINAL",
        help="picture to write, .fits or .tif; star layer, background, mask and table beside it",
    )
    swap.add_argument("--overwrite", action="store_true", help="replace an existing result")
    stars = swap.add_argument_group("stars")
    add_setting(stars, "amount", default=Settings.amount)
    add_setting(stars, "detail", default=Settings.detail)
    stars.add_argument(
        "--keep", metavar="TABLE", help="places to leave alone: x, y or ra, dec, and radius"
    )
    stars.add_argument(
        "--force", metavar="TABLE", help="places to treat as stars: x, y or ra, dec, and radius"
    )
    stars.add_argument(
        "--brightest", type=float, metavar="FLUX", help="leave stars with more flux alone"
    )
    stars.add_argument(
        "--faintest", type=float, metavar="FLUX", help="leave stars with less flux alone"
    )
    stars.add_argument(
        "--flux-scale",
        type=_flux_scale,
        metavar="picture|star|F",
        help="one scale for all stars, each star's own deep flux, or a known factor "
        "(default: picture; star where only DEEP has colour)",
    )
    pictures = swap.add_argument_group("pictures")
    pictures.add_argument(
        "--aligned", action="store_true", help="both are on one grid already; do not register"
    )
    pictures.add_argument(
        "--mono", action="store_true", help="of a colour SHARP use the mean, if DEEP has one plane"
    )
    pictures.add_argument(
        "--bits",
        type=int,
        choices=(16, 32),
        help="of a TIFF file (default 32; 16 where DEEP is)",
    )
    add_setting(pictures, "white")


def _flux_scale(text: str) -> str | float:
    if text in ("picture", "star"):
        return text
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"picture, star or a number, got {text!r}") from None


def run_swap(options: Namespace) -> int:
    """Swap the stars and say what came of it."""
    from framesort.cli._console import bars, number, print_json, print_note, print_text
    from framesort.night import SwapOptions, swap_stars

    stage = bars(options.quiet)
    result = swap_stars(
        options.deep,
        options.sharp,
        out=options.out,
        bits=options.bits,
        white=options.white,
        overwrite=options.overwrite,
        options=SwapOptions(
            aligned=options.aligned,
            mono=options.mono,
            amount=options.amount,
            detail=options.detail,
            brightest=options.brightest,
            faintest=options.faintest,
            flux_scale=options.flux_scale,
        ),
        keep=options.keep,
        force=options.force,
        progress=None if stage is None else stage("replacing stars"),
    )
    reasons = [str(reason) for reason in result.table["reason"]]
    replaced = sum(not reason for reason in reasons)
    check = result.check
    for note in result.notes:
        print_note(f"{'note' if note.severity == 'info' else 'warning'}: {note}")
    if options.json:
        record: dict[str, Any] = {
            "final": options.out,
            "files": [str(path) for path in result.files],
            "replaced": replaced,
            "left": len(reasons) - replaced,
            "reasons": {code: reasons.count(code) for code in sorted(set(reasons) - {""})},
            "flux_scale": result.table.meta.get("flux_scale"),
            "notes": [note.to_plain() for note in result.notes],
        }
        if check is not None:
            record["fwhm"] = {
                "deep": check.fwhm_deep, "sharp": check.fwhm_sharp, "final": check.fwhm_final
            }  # fmt: skip
        print_json(record)
        return result.status
    print_text(f"{options.out}: {replaced} stars replaced, {len(reasons) - replaced} not replaced")
    if check is not None:
        print_text(
            f"star width {number(check.fwhm_deep)} px deep, {number(check.fwhm_sharp)} px sharp, "
            f"{number(check.fwhm_final)} px in the result"
        )
    print_text("beside it: " + ", ".join(Path(path).name for path in result.files[1:]))
    return result.status
