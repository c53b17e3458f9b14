"""Tables as ECSV."""

import io
import warnings
from pathlib import Path

from astropy.table import Table
from astropy.utils.exceptions import AstropyWarning
from erfa import ErfaWarning

from framesort.files._text import StrPath
from framesort.files._write import write_text

__all__ = ["read_table", "write_table"]


def read_table(path: StrPath) -> Table:
    """Read what `write_table` wrote, names of files included that are no UTF-8.

    Raises
    ------
    Exception
        Whatever the reader raises for a file that is no such table.
    """
    lines = Path(path).read_bytes().decode(errors="surrogateescape").split("\n")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AstropyWarning)  # types that a hand has changed
        warnings.simplefilter("ignore", ErfaWarning)  # times of a clock that is decades out
        return Table.read(lines, format="ascii.ecsv")


def write_table(path: StrPath, table: Table, *, overwrite: bool = True) -> None:
    """Write a table as ECSV, whole or not at all."""
    text = io.StringIO()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ErfaWarning)  # times of a clock that is decades out
        table.write(text, format="ascii.ecsv")
    write_text(path, text.getvalue(), overwrite=overwrite)
