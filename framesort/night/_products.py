"""The files of a result folder: tables, lists, stacks and layers, each whole or not at all."""

import os
import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from astropy.io import fits
from astropy.table import Table

from framesort import __version__
from framesort.files import safe_name, write_fits, write_table, write_text
from framesort.night._folder import TABLE
from framesort.night._merge import MergedGroup
from framesort.records import HeaterTrace, Replacement
from framesort.stacking import write_stack

__all__ = ["remove_products", "write_group", "write_layers", "write_night_tables"]

PRODUCTS = ("deep.fits", "sharp.fits", "final.fits", "stars.fits", "background.fits", "stars.ecsv")
"""Files of a group's folder."""


def remove_products(folder: Path, labels: Iterable[str]) -> None:
    """Remove pictures of an earlier run, which would not belong to a night sorted anew."""
    for label in labels:
        for name in PRODUCTS:
            (folder / safe_name(label) / name).unlink(missing_ok=True)
    (folder / "preview.png").unlink(missing_ok=True)


def write_night_tables(folder: Path, table: Table, trace: HeaterTrace | None) -> None:
    """Write frames.ecsv, the set lists and, where there is a log, heater.ecsv."""
    plain = table.copy(copy_data=False)
    plain.meta = {"framesort": __version__}
    write_table(folder / TABLE, plain)
    lists = folder / "sets"
    if lists.is_dir():  # lists of groups that are no more would mislead
        shutil.rmtree(lists)
    for label in sorted({str(row["group"]) for row in table if row["grade"]}):
        for name in ("sharp", "deep"):
            rows = [row for row in table if row["group"] == label and row[f"{name}_set"]]
            _write_list(lists / f"{label}-{name}.txt", [str(row["file"]) for row in rows])
    if trace is not None:
        steps = Table(
            {"start": trace.edges[:-1], "stop": trace.edges[1:], "power": trace.power},
            units={"start": "s", "stop": "s", "power": "%"},
            meta={"time": "seconds since 1970-01-01T00:00:00 UTC", "source": trace.source},
        )
        write_table(folder / "heater.ecsv", steps)


def _write_list(path: Path, names: Sequence[str]) -> None:
    """One path a line; a name that itself holds a line break makes the list NUL-separated."""
    end = "\0" if any("\n" in name or "\r" in name for name in names) else "\n"
    write_text(path, "".join(os.path.abspath(name) + end for name in names))


def write_group(folder: Path, group: MergedGroup) -> None:
    """Write the stacks of a group and, where stars were replaced, the picture and its layers."""
    place = folder / group.label
    write_stack(place / "deep.fits", group.deep)
    kept = {"deep.fits"}
    if group.sharp is not None:
        write_stack(place / "sharp.fits", group.sharp)
        kept.add("sharp.fits")
    if group.sharp is None or group.replacement is None:
        # Pictures of an earlier run would not belong to these stacks.
        for name in set(PRODUCTS) - kept:
            (place / name).unlink(missing_ok=True)
        return
    write_layers(
        place / "final.fits",
        group.replacement,
        group.deep.header,
        made_of=f"{len(group.deep.frames)} frames deep, {len(group.sharp.frames)} sharp",
    )


def write_layers(
    path: Path,
    replacement: Replacement,
    header: fits.Header,
    *,
    made_of: str,
    prefix: str = "",
    overwrite: bool = True,
) -> None:
    """Write the picture to `path`, beside it its two layers and the table of stars.

    The final picture comes last, so that it stands for the whole.
    """
    done = int(sum(1 for row in replacement.table if not row["reason"]))
    cards = header.copy()
    for keyword in [key for key in cards if key[:4] in ("FRAM", "NOTE", "REJ0")]:
        del cards[keyword]
    count = f"{done} stars of {len(replacement.table)}"
    cards["HISTORY"] = f"framesort {__version__}: stars replaced, {made_of}; {count}"
    for note in replacement.notes:
        cards["HISTORY"] = note.encode("ascii", "replace").decode()
    layers = (
        (
            "stars.fits",
            replacement.stars,
            "star layer; adds up to the final picture with background",
        ),
        ("background.fits", replacement.background, "deep stack without stars"),
    )
    write_table(path.with_name(f"{prefix}stars.ecsv"), replacement.table, overwrite=overwrite)
    for name, pixels, text in layers:
        layer = cards.copy()
        layer["HISTORY"] = f"this layer: {text}"
        write_fits(path.with_name(prefix + name), pixels, layer, overwrite=overwrite)
    write_fits(
        path,
        replacement.final,
        cards,
        extensions={"STARMASK": replacement.mask},
        overwrite=overwrite,
    )
