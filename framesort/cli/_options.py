"""Options that are settings: names, kinds, help and defaults from the rules of `Settings`."""

import argparse
from collections.abc import Callable
from typing import Any, get_origin

from framesort.rules import Entry, list_entries
from framesort.settings import Settings

__all__ = ["add_setting", "add_settings", "option_flags", "option_help"]


def add_settings(group: argparse._ArgumentGroup) -> None:
    """Add the settings whose rules name the group by its title, in the order of the fields."""
    for entry in list_entries(Settings).values():
        if entry.rule.group == group.title:
            add_setting(group, entry.name)


def add_setting(group: argparse._ArgumentGroup, name: str, **changes: Any) -> None:
    """Add one setting; `changes` are keywords of `add_argument` that differ for this command."""
    entry = list_entries(Settings)[name]
    keywords = {"dest": name, "help": option_help(entry), **_keywords(entry), **changes}
    group.add_argument(*option_flags(entry), **keywords)


def option_flags(entry: Entry) -> tuple[str, ...]:
    """Names of the option of a setting."""
    return entry.rule.flags or ("--" + entry.name.replace("_", "-"),)


def option_help(entry: Entry) -> str:
    """Help of an option: what it means and what holds without it."""
    text = entry.rule.text + "; may be given again" * _is_repeated(entry)
    if entry.default_text:
        text += f" ({entry.default_text})"
    return text.replace("%", "%%")


def _is_repeated(entry: Entry) -> bool:
    """Whether each further value takes the option again."""
    several = get_origin(entry.kind) is tuple or entry.name == "clock_offset"
    return several and not entry.rule.nargs


def _keywords(entry: Entry) -> dict[str, Any]:
    """Keywords of `add_argument` for the kind and the number of values."""
    rule = entry.rule
    if entry.kind is bool and entry.optional:
        return {"action": argparse.BooleanOptionalAction}
    if entry.default is False:
        return {"action": "store_true"}
    keywords: dict[str, Any] = {"type": _kind(entry)}
    if rule.choices:
        keywords["choices"] = rule.choices
    if rule.metavar:
        keywords["metavar"] = rule.metavar
    if rule.nargs:
        keywords["nargs"] = rule.nargs
        keywords["const"] = rule.alone
    elif _is_repeated(entry):
        keywords["action"] = "append"
    return keywords


def _kind(entry: Entry) -> Callable[[str], Any]:
    """What makes a value of a word of the command line."""
    if entry.name == "clock_offset":
        return _seconds_or_auto
    kinds: dict[Any, Callable[[str], Any]] = {bool: _on_or_off, int: int, float: float}
    return kinds.get(entry.kind, str)


def _seconds_or_auto(text: str) -> float | str:
    if text == "auto":
        return text
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"seconds or auto, got {text!r}") from None


def _on_or_off(text: str) -> bool:
    if text not in ("on", "off"):
        raise argparse.ArgumentTypeError(f"on or off, got {text!r}")
    return text == "on"
