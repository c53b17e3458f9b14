"""Reads a scenario file and checks it key by key."""

import itertools
import os
import tomllib
from dataclasses import MISSING, is_dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin

from framesort.errors import InputError
from framesort.rules import Rule, check_value, hint_name, list_entries
from framesort.simulation._scenario import COLOUR, Scenario

__all__ = ["read_scenario"]

Kind = TypeVar("Kind")


def read_scenario(path: str | os.PathLike[str]) -> Scenario:
    """Read a scenario from a TOML file.

    Parameters
    ----------
    path : path
        Every key that is not given has the default of its class; `start` and at
        least one `[[filter]]` and one `[[run]]` must be given.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        The file cannot be read, or a key is unknown, missing or outside its range;
        one line with the key, the rule and the value.
    """
    try:
        values = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: cannot be read as TOML ({error})") from error
    try:
        scenario = _build(Scenario, values, "")
        _check_whole(scenario)
    except InputError as error:
        raise InputError(f"{path}: {error}") from error
    return scenario


def _build(kind: type[Kind], values: Any, where: str) -> Kind:
    if not isinstance(values, dict):
        raise InputError(f"{where.rstrip('.')} must be a table, got {values!r}")
    known = list_entries(kind)
    for name in values:
        if name not in known:
            raise InputError(f"{where}{name} is not a key of a scenario; {hint_name(name, known)}")
    made = {}
    for name, entry in known.items():
        if name in values:
            made[name] = _convert(entry.kind, values[name], f"{where}{name}", entry.rule)
        elif entry.default is MISSING:
            raise InputError(f"{where}{name} must be given: {entry.rule.text}")
    return kind(**made)


def _convert(kind: Any, value: Any, name: str, rule: Rule) -> Any:
    """One value of the file as the field wants it, or an `InputError` that names the rule."""
    if get_origin(kind) is tuple:
        inner = get_args(kind)[0]
        if not isinstance(value, list):
            raise InputError(f"{name} must be a list, got {value!r}")
        if isinstance(inner, type) and is_dataclass(inner):
            return tuple(_build(inner, one, f"{name}[{i + 1}].") for i, one in enumerate(value))
        return tuple(_pair(one, f"{name}[{i + 1}]") for i, one in enumerate(value))
    if is_dataclass(kind):
        return _build(kind, value, f"{name}.")  # type: ignore[arg-type]
    if kind is datetime:
        if not isinstance(value, datetime):
            raise InputError(
                f"{name} must be a date and time as 2025-05-06T21:00:00Z, got {value!r}"
            )
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    if kind is str and isinstance(value, str) and not value.strip():
        raise InputError(f"{name} must be a text, got {value!r}")
    return check_value(name, value, kind, rule)


def _pair(value: Any, name: str) -> tuple[float, float]:
    numbers = isinstance(value, list) and all(type(one) in (int, float) for one in value)
    if not numbers or len(value) != 2:
        raise InputError(f"{name} must be [minute, percent], got {value!r}")
    if not 0 <= value[1] <= 100:
        raise InputError(f"{name} must have a percentage from 0 to 100, got {value[1]!r}")
    return float(value[0]), float(value[1])


def _check_whole(scenario: Scenario) -> None:
    """The rules that bind several keys."""
    for name in ("filter", "run"):
        if not getattr(scenario, name):
            raise InputError(f"{name} must have at least one entry")
    names = [one.name for one in scenario.filter]
    if len(set(names)) < len(names):
        raise InputError(f"filter names must differ, got {', '.join(names)}")
    colour = scenario.camera.pattern != "none"
    if colour and not set("RGB") <= set(names):
        raise InputError(f"camera.pattern needs filters R, G and B, got {', '.join(names)}")
    for i, run in enumerate(scenario.run):
        if run.filter not in ([COLOUR] if colour else names):
            known = COLOUR if colour else ", ".join(names)
            raise InputError(f"run[{i + 1}].filter must be one of {known}, got {run.filter!r}")
    minutes = [minute for minute, _ in scenario.heater.events]
    if any(b <= a for a, b in itertools.pairwise(minutes)):
        raise InputError(f"heater.events must be in order of time, got minutes {minutes}")
    _check_configurations(scenario)
    if scenario.stars.brightest < scenario.stars.faintest:
        raise InputError(
            f"stars.brightest must be at least stars.faintest ({scenario.stars.faintest:g}), "
            f"got {scenario.stars.brightest:g}"
        )
    for i, event in enumerate(scenario.event):
        if event.kind in ("cloud", "dew", "seeing", "wind"):
            if event.until <= event.minute:
                raise InputError(
                    f"event[{i + 1}].until must be after minute {event.minute:g}, "
                    f"got {event.until:g}"
                )
            if event.kind in ("cloud", "dew") and event.strength > 1:
                raise InputError(
                    f"event[{i + 1}].strength must be from 0 to 1 for a {event.kind}, "
                    f"got {event.strength:g}"
                )


def _check_configurations(scenario: Scenario) -> None:
    """In order of time, one set of factors for each name, no spike above all of the light."""
    minutes = [one.minute for one in scenario.configuration]
    if any(b <= a for a, b in itertools.pairwise(minutes)):
        raise InputError(f"configuration must be in order of time, got minutes {minutes}")
    factors: dict[str, tuple[float, float, float]] = {}
    for i, one in enumerate(scenario.configuration):
        mine = one.blur, one.spike, one.spike_length
        if factors.setdefault(one.name, mine) != mine:
            raise InputError(
                f"configuration[{i + 1}] must have the factors of the earlier {one.name!r}, "
                f"got {mine}"
            )
        share = scenario.heater.spike * one.spike
        if share > 0.9:
            raise InputError(
                f"configuration[{i + 1}].spike must leave the spike at most 0.9 of the light, "
                f"got {one.spike:g} times {scenario.heater.spike:g}"
            )
