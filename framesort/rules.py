"""Rules of values that users set: what each means and what it may be, written once at its field.

A dataclass declares ``name: Annotated[kind, Rule(...)] = default``. From these follow the checks
(`check_fields`), the attributes of its docstring (`document_fields`), the options of the command
line and the tables of the documentation. Nothing heavy is loaded here.
"""

import difflib
import inspect
import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import KW_ONLY, dataclass, fields
from functools import lru_cache
from types import MappingProxyType, NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from framesort.errors import InputError

__all__ = [
    "Entry",
    "Rule",
    "check_fields",
    "check_number",
    "check_value",
    "document_fields",
    "hint_name",
    "list_entries",
]

Kind = TypeVar("Kind")


@dataclass(frozen=True)
class Rule:
    """What a value means and may be.

    Attributes
    ----------
    text : str
        What it means: one phrase without a full stop at its end.
    low, high : float
        Range of a number, ends included.
    choices : tuple of str or int
        The values there are, where they are few.
    default : str
        What holds if nothing is given, in words, where the field's default does not say it.
    group : str
        Title of the group of options that it belongs to; "" where it is no option.
    metavar : str
        What stands for the value in the help of the option.
    flags : tuple of str
        Names of the option, if not the field's own.
    nargs : str
        Numbers of values that follow the option, as `argparse` has it: "+", "?"; "" for one, of a
        tuple again for each further value.
    alone : object
        Value of the option where "?" lets it stand alone.
    """

    text: str
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str | int, ...] = ()
    _: KW_ONLY
    default: str = ""
    group: str = ""
    metavar: str = ""
    flags: tuple[str, ...] = ()
    nargs: str = ""
    alone: Any = None

    @property
    def limits(self) -> str:
        """The range or the choices in words; "" if there are none."""
        if self.choices:
            names = [str(choice) for choice in self.choices]
            return " or ".join(names) if len(names) == 2 else f"one of {', '.join(names)}"
        ends = [("from", self.low), ("to", self.high)]
        return " ".join(f"{word} {_as_text(end)}" for word, end in ends if not math.isinf(end))


def _as_text(number: float) -> str:
    return str(number) if isinstance(number, int) else f"{number:.12g}"


@dataclass(frozen=True)
class Entry:
    """A field with its rule.

    Attributes
    ----------
    name : str
        Of the field.
    kind : type
        Of its values, None left out.
    optional : bool
        Whether None is allowed.
    default : object
        `dataclasses.MISSING` if it must be given.
    rule : Rule
        What it means and may be.
    """

    name: str
    kind: Any
    optional: bool
    default: Any
    rule: Rule

    @property
    def kind_text(self) -> str:
        """The kind in words: "float or None", "tuple of str"."""
        if self.rule.choices:
            names = ["{" + ", ".join(repr(choice) for choice in self.rule.choices) + "}"]
        else:
            names = [_kind_name(kind) for kind in _parts(self.kind)]
        if self.optional:
            names.append("None")
        return " or ".join(filter(None, [", ".join(names[:-1]), names[-1]]))

    @property
    def default_text(self) -> str:
        """What holds if nothing is given: "default 5", "default: recognised"; "" for nothing."""
        if self.rule.default or isinstance(self.default, str):
            return f"default: {self.rule.default or self.default}"
        if isinstance(self.default, bool):
            return "default: on" if self.default else ""
        if isinstance(self.default, int | float):
            return f"default {self.default:g}"
        return ""


def list_entries(cls: type) -> Mapping[str, Entry]:
    """The fields of a dataclass with their rules, by name, in their order.

    Raises
    ------
    TypeError
        A field has no rule.
    """
    return _list_entries(cls)


@lru_cache
def _list_entries(cls: Any) -> Mapping[str, Entry]:
    hints = get_type_hints(cls, include_extras=True)
    entries = {}
    for field in fields(cls):
        rules = [one for one in get_args(hints[field.name])[1:] if isinstance(one, Rule)]
        if len(rules) != 1:
            raise TypeError(f"{cls.__name__}.{field.name} has no rule")
        kind = get_args(hints[field.name])[0]
        parts = [part for part in _parts(kind) if part is not NoneType]
        optional = len(parts) < len(_parts(kind))
        alone = Union[tuple(parts)] if optional else kind  # noqa: UP007 (parts of unknown number)
        entries[field.name] = Entry(field.name, alone, optional, field.default, rules[0])
    return MappingProxyType(entries)


def _parts(kind: Any) -> tuple[Any, ...]:
    return get_args(kind) if get_origin(kind) in (Union, UnionType) else (kind,)


def _kind_name(kind: Any) -> str:
    if get_origin(kind) is tuple:
        return f"tuple of {_kind_name(get_args(kind)[0])}"
    return str(getattr(kind, "__name__", kind))


def check_number(name: str, value: Any, rule: Rule, *, whole: bool = False) -> float:
    """A number as it is given, whole or not, if it is in the range of its rule.

    Raises
    ------
    InputError
        It is no number or not in the range; the message names it, the range and the value.
    """
    number = isinstance(value, int if whole else int | float) and not isinstance(value, bool)
    if not (number and rule.low <= value <= rule.high):
        kind = " ".join(filter(None, ["whole" * whole, "number", rule.limits]))
        raise InputError(f"{name} must be a {kind}, got {value!r}")
    return value if whole else float(value)


def check_value(name: str, value: Any, kind: Any, rule: Rule) -> Any:
    """A value as its field holds it: lists become tuples, whole numbers floats where they are.

    Values of several kinds are left as they are: their class checks them.

    Raises
    ------
    InputError
        It does not fit; the message names it, what it must be, and the value.
    """
    if rule.choices:
        if value not in rule.choices:
            raise InputError(f"{name} must be {rule.limits}, got {value!r}")
    elif kind is bool:
        if not isinstance(value, bool):
            raise InputError(f"{name} must be true or false, got {value!r}")
    elif get_origin(kind) is tuple:
        if isinstance(value, str | bytes) or not isinstance(value, Iterable):
            raise InputError(f"{name} must be a list, got {value!r}")
        return tuple(value)
    elif kind in (int, float):
        return check_number(name, value, rule, whole=kind is int)
    elif kind is str and not isinstance(value, str):
        raise InputError(f"{name} must be a text, got {value!r}")
    return value


def hint_name(name: str, known: Iterable[str]) -> str:
    """For an unknown name: the one that was probably meant, or all there are."""
    names = list(known)
    near = difflib.get_close_matches(name, names, n=1)
    return f"did you mean {near[0]}?" if near else f"known are {', '.join(names)}"


def check_fields(record: Any) -> None:
    """Hold every field of a frozen dataclass to its rule, for its ``__post_init__``.

    Raises
    ------
    InputError
        A value does not fit; the message names it, what it must be, and the value.
    """
    for entry in list_entries(type(record)).values():
        value = getattr(record, entry.name)
        if value is not None or not entry.optional:
            value = check_value(entry.name, value, entry.kind, entry.rule)
            object.__setattr__(record, entry.name, value)


def document_fields(cls: type[Kind]) -> type[Kind]:
    """Decorate a dataclass: its docstring ends with its fields and what their rules say."""
    lines = [inspect.cleandoc(cls.__doc__ or ""), "", "Attributes", "----------"]
    for entry in list_entries(cls).values():
        text = f"{entry.rule.text[0].upper()}{entry.rule.text[1:]}"
        limits = "" if entry.rule.choices else entry.rule.limits
        notes = "; ".join(filter(None, [limits, entry.default_text]))
        text += f" ({notes})." if notes else "."
        lines.append(f"{entry.name} : {entry.kind_text}")
        lines.append(textwrap.fill(text, 92, initial_indent=" " * 4, subsequent_indent=" " * 4))
    cls.__doc__ = "\n".join(lines)
    # The signature as help() shows it: kinds without the rules.
    vars(cls)["__init__"].__annotations__.update(get_type_hints(cls))
    return cls
