"""Text of a log to rows and columns: encoding, separator, heading."""

import csv
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from framesort.errors import HeaterLogError
from framesort.files import StrPath

__all__ = ["Rows", "is_number", "read_rows"]

_SNIFF = 200
"""Rows used to find separator, number of columns and heading."""

_SEPARATORS = ("\t", ";", "|", ",")
"""In this order: a comma beside a semicolon is a decimal comma."""

_DATE = re.compile(r"\d{1,4}[-/.:]\d|^\d{8}T?\d{4}", re.ASCII)


@dataclass(frozen=True)
class Rows:
    """Columns of text.

    Attributes
    ----------
    names : list of str
        Heading of each column, "" without one.
    columns : list of list of str
        Fields, stripped, column by column.
    lines : list of int
        Line number of each row in the file, from 1.
    short : list of int
        Line numbers of rows with too few fields, left out.
    """

    names: list[str]
    columns: list[list[str]]
    lines: list[int]
    short: list[int]


def is_number(text: str) -> bool:
    """True for a finite number, also with a decimal comma."""
    try:
        return abs(float(text.replace(",", ".", 1))) < float("inf")
    except ValueError:
        return False


def _decode(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _find_separator(body: list[str]) -> str:
    """The separator that occurs equally often in most of the first rows; "" for blanks."""
    sample = body[:_SNIFF]
    for separator in _SEPARATORS:
        counts = Counter(line.count(separator) for line in sample)
        number, rows = max(
            ((n, rows) for n, rows in counts.items() if n), key=lambda pair: pair[1], default=(0, 0)
        )
        # More than half of the rows; of several such the first in the list, it is the rarer sign.
        if number and rows > 0.5 * len(sample):
            return separator
    return ""


def _split(line: str, separator: str) -> list[str]:
    if not separator:
        return line.split()
    if '"' in line:
        try:  # line by line, so that a stray quote cannot swallow the rows after it
            return next(csv.reader([line], delimiter=separator), [])
        except csv.Error:
            return []
    return line.split(separator)


def _is_data(fields: list[str]) -> bool:
    return any(is_number(text.strip()) or _DATE.search(text) for text in fields)


def _find_heading(
    rows: list[list[str]], comments: dict[int, str], lines: list[int], separator: str
) -> tuple[int, list[str]]:
    """Index of the first row of data, and the heading before it."""
    first = next((i for i, fields in enumerate(rows[:_SNIFF]) if _is_data(fields)), None)
    if first is None:
        return len(lines), []
    if first > 0:
        return first, [text.strip() for text in rows[first - 1]]
    above = comments.get(lines[0] - 1, "")
    names = [text.strip() for text in _split(above.lstrip("#% "), separator)]
    return 0, names if len(names) == len(rows[0]) else []


def read_rows(path: StrPath) -> Rows:
    """Read a text file of columns.

    Separator (tab, semicolon, bar, comma, blanks), encoding (UTF-8, UTF-16 with its
    mark, else Latin-1) and heading are found; lines that begin with # or % are comments.

    Raises
    ------
    HeaterLogError
        No such file, unreadable, or no row of data in it.
    """
    try:
        text = _decode(Path(path).read_bytes())
    except FileNotFoundError as error:
        raise HeaterLogError(f"{path}: no such file; check the name of the heater log") from error
    except (OSError, ValueError) as error:
        raise HeaterLogError(f"{path}: the heater log cannot be read ({error})") from error
    body, lines, comments = _strip_comments(text)
    separator = _find_separator(body)
    head = [_split(line, separator) for line in body[: 2 * _SNIFF]]
    first, names = _find_heading(head, comments, lines, separator)
    body, lines = body[first:], lines[first:]
    if not body:
        raise HeaterLogError(
            f"{path}: no row with a time and a value was found; a heater log is a text of columns"
        )
    width = Counter(len(row) for row in head[first : first + _SNIFF]).most_common(1)[0][0]
    names = (names + [""] * width)[:width]
    if separator and '"' not in text:
        counts = [line.count(separator) for line in body]
        if min(counts) == max(counts):  # one split for the whole file is much faster
            flat = separator.join(body).split(separator)
            columns = [[field.strip() for field in flat[i::width]] for i in range(width)]
            return Rows(names, columns, lines, [])
    rows = [_split(line, separator) for line in body]
    short = [number for row, number in zip(rows, lines, strict=True) if len(row) < width]
    kept = [(row, n) for row, n in zip(rows, lines, strict=True) if len(row) >= width]
    columns = [[row[i].strip() for row, _ in kept] for i in range(width)]
    return Rows(names, columns, [n for _, n in kept], short)


def _strip_comments(text: str) -> tuple[list[str], list[int], dict[int, str]]:
    """Lines with content and their numbers, and comment lines by number."""
    body = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    odd = [i for i, line in enumerate(body) if not line or line[0] in "#%" or line.isspace()]
    comments = {i + 1: body[i] for i in odd if body[i] and body[i][0] in "#%"}
    lines = list(range(1, len(body) + 1))
    if len(odd) < 20:  # the usual case, and faster than testing every line again
        for i in reversed(odd):
            del body[i], lines[i]
        return body, lines, comments
    left_out = set(odd)
    lines = [i for i in lines if i - 1 not in left_out]
    return [body[i - 1] for i in lines], lines, comments
