"""Records as plain values, and back from the JSON in which they are kept."""

import json
import math
import re
from typing import Any, TypeVar

from cattrs import Converter, transform_error

from framesort.errors import InputError
from framesort.records._notes import NOTES, Note

__all__ = ["as_plain", "record_from_json"]

Record = TypeVar("Record")


def as_plain(record: Any) -> dict[str, Any]:
    """A record as dictionaries, lists, texts and numbers; NaN stays."""
    plain: dict[str, Any] = _CONVERTER.unstructure(record)
    return plain


def record_from_json(kind: type[Record], text: str, *, where: str, again: str) -> Record:
    """Read a record from JSON; `again` is what the user can do if it cannot be read.

    Raises
    ------
    InputError
        It is not JSON, or a value has the wrong kind; the message names it.
    """
    try:
        values = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{where}: cannot be read ({error}); {again}") from error
    try:
        if not isinstance(values, dict):
            raise ValueError("not an object")
        return _CONVERTER.structure(values, kind)
    except Exception as error:  # the converter raises groups of many kinds
        first = re.sub(r" @ \.?", ": ", str(transform_error(error, path="")[0]))
        raise InputError(f"{where}: is not what framesort wrote ({first}); {again}") from error


def _note_from_plain(value: Any, _: Any) -> Note:
    code = value["code"] if value["code"] in NOTES else "plug-in"
    return Note(code, str(value["text"]), map(str, value.get("files", ())))


def _number(value: Any, _: Any) -> float:
    """JSON has no NaN: null stands for it."""
    if value is None:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"a number was expected, got {value!r}")
    return float(value)


def _text(value: Any, _: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"a text was expected, got {value!r}")
    return value


_CONVERTER = Converter()
_CONVERTER.register_unstructure_hook(Note, Note.to_plain)
_CONVERTER.register_structure_hook(Note, _note_from_plain)
_CONVERTER.register_structure_hook(float, _number)
_CONVERTER.register_structure_hook(str, _text)
