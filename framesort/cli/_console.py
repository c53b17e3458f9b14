"""What goes to the screen: bars on a terminal only, tables in plain text, JSON for machines."""

import logging
import math
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from tqdm import tqdm

from framesort.cli._mistypes import options_only
from framesort.files import json_text
from framesort.night import StageProgress
from framesort.workers import Progress

__all__ = [
    "bars",
    "number",
    "plain",
    "print_json",
    "print_note",
    "print_text",
    "show_log",
    "table_text",
]


_CONTROL = re.compile("[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""What steers a terminal or turns its lines around; file names, headers and logs may hold it."""


def plain(text: str) -> str:
    """The text with control characters shown, not obeyed."""
    return _CONTROL.sub(lambda sign: ascii(sign[0])[1:-1], text)


def print_note(text: str) -> None:
    """One message on standard error."""
    print(f"framesort: {plain(options_only(text))}", file=sys.stderr)


def print_text(text: str) -> None:
    """Lines of the answer on standard output."""
    shown = "\n".join(plain(line) for line in text.split("\n"))
    try:
        print(shown)
    except UnicodeEncodeError:  # a terminal that does not know all letters
        print(shown.encode("ascii", "backslashreplace").decode())


class _LogLines(logging.Handler):
    """Lines of the log on standard error, above a progress bar."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line: the time, the subpackage, the message."""
        record.name = ".".join(record.name.split(".")[1:2])
        tqdm.write(plain(self.format(record)), file=sys.stderr)


@contextmanager
def show_log(wanted: bool) -> Iterator[None]:
    """Show what this library logs, debug messages included, while the block runs."""
    logger = logging.getLogger("framesort")
    handler, before = _LogLines(), logger.level
    handler.setFormatter(logging.Formatter("%(asctime)s %(name)s: %(message)s", "%H:%M:%S"))
    if wanted:
        logger.addHandler(handler)
        logger.setLevel(logging.DEBUG)
    try:
        yield
    finally:
        logger.removeHandler(handler)
        logger.setLevel(before)


def bars(quiet: bool) -> StageProgress | None:
    """Progress bars on standard error, or None where nobody watches."""
    if quiet or not sys.stderr.isatty():
        return None

    def stage(name: str) -> Progress:
        def bar(items: Iterable[Any]) -> Iterable[Any]:
            shown: Iterable[Any] = tqdm(
                items, desc=f"{name:24s}", file=sys.stderr, leave=False, unit=""
            )
            return shown

        return bar

    return stage


def print_json(value: Any) -> None:
    """A result on standard output for machines."""
    print(json_text(value))


def number(value: float | None, form: str = ".2f") -> str:
    """A number as text, a dash for what is not known."""
    return "-" if value is None or not math.isfinite(value) else format(value, form)


def table_text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Rows in columns: texts to the left, numbers to the right."""
    lines = [[plain(cell) for cell in row] for row in (header, *rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(header))]

    def cell(text: str, width: int) -> str:
        numeric = text[:1].isdigit() or text == "-"
        return text.rjust(width) if numeric else text.ljust(width)

    return "\n".join(
        "  ".join(cell(text, width) for text, width in zip(line, widths, strict=True)).rstrip()
        for line in lines
    )
