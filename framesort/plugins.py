"""Entry points through which a user's own steps come in, and the built-in steps by name.

Built-in steps are found by the module that holds them, so that they need no installed metadata.
A package offers a step by an entry point in its pyproject.toml, for example::

    [project.entry-points."framesort.heater_log"]
    ring-logger = "my_package:read_ring_log"

and `--heater-reader ring-logger`, or the setting of that name, chooses it.
"""

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import entry_points
from inspect import Parameter, signature
from typing import Any

from framesort.errors import FramesortError, InputError
from framesort.records import FrameQuality, HeaterTrace, Stack, Transform

__all__ = ["STEPS", "Plugin", "find_plugin", "list_plugins"]

STEPS: dict[str, str] = {
    "heater_log": "reads a heater log: (path, *, form, zone, ...) -> HeaterTrace",
    "star_measurer": "measures one image: (image, *, saturation) -> FrameQuality",
    "registration": (
        "places frames: (star_lists, *, paths, groups, reference, grid, ...) -> list of Transform"
    ),
    "stacker": "stacks sets: (paths, transforms, *, sets, shape, header, ...) -> dict of Stack",
}
"""The steps that can be replaced and what each takes and gives; the group is ``framesort.STEP``."""

BUILT_IN = "builtin"

_OWN: dict[str, dict[str, str]] = {
    "heater_log": {BUILT_IN: "framesort.heater:read_heater_log"},
    "star_measurer": {
        BUILT_IN: "framesort.stars:measure_image",
        "segmentation": "framesort.quality:measure_segments",
    },
    "registration": {
        BUILT_IN: "framesort.registration:register_frames",
        "aligned": "framesort.registration:place_aligned",
        "wcs": "framesort.registration:place_by_wcs",
    },
    "stacker": {BUILT_IN: "framesort.stacking:stack_frames"},
}
"""Built-in steps: name to module and function. A package cannot take one of these names."""


_GROUPS: dict[str, tuple[str, ...]] = {
    "heater_log": ("options",),
    "stacker": ("values", "method", "execution"),
}
"""Options that are records of options: a step may name the record, or its fields one by one."""


@dataclass(frozen=True)
class Plugin:
    """A step found by name; call it as the step is called. It can be sent to another process.

    A step is given only those options that it names, so that it need not name what it does not
    use; one with ``**options`` is given all. A record of options, such as
    `~framesort.heater.LogOptions`, is given to a step that names it so (`options`); to others
    its fields are given like single options.

    What the step raises on purpose (a `FramesortError`) passes through; anything else, and a
    result of another kind than the step's, becomes an `InputError` that names the plug-in.
    """

    step: str
    name: str

    def __call__(self, *args: Any, **kwargs: Any) -> Any:
        """Run the step."""
        function = _load(self.step, self.name)
        try:
            result = function(*args, **_accepted(function, self.step, kwargs))
        except FramesortError:
            raise
        except Exception as error:
            if self.name in _OWN[self.step]:
                raise
            raise InputError(
                f"plug-in {self.name!r} ({self.step}) failed: {type(error).__name__}: {error}"
            ) from error
        wrong = _what_is_wrong(self.step, result, args, kwargs)
        if wrong:
            raise InputError(f"plug-in {self.name!r} ({self.step}) gave {wrong}")
        return result


def _what_is_wrong(step: str, result: Any, args: tuple[Any, ...], options: dict[str, Any]) -> str:
    """Why a result cannot be what a step gives, in words; "" where it can."""
    kind = type(result).__name__
    if step == "heater_log":
        return "" if isinstance(result, HeaterTrace) else f"{kind}, a HeaterTrace is needed"
    if step == "star_measurer":
        return "" if isinstance(result, FrameQuality) else f"{kind}, a FrameQuality is needed"
    if step == "registration":
        if not isinstance(result, list | tuple) or not all(
            isinstance(item, Transform) for item in result
        ):
            return f"{kind}, a list of Transform is needed"
        count = len(args[0]) if args else len(result)
        return "" if len(result) == count else f"{len(result)} transforms for {count} frames"
    if not isinstance(result, dict) or not all(isinstance(s, Stack) for s in result.values()):
        return f"{kind}, a dict of Stack is needed"
    missing = sorted(set(options.get("sets", {})) - set(result))
    if missing:
        return f"no stack of the set {missing[0]!r}"
    shape = options.get("shape")
    for name, stack in result.items():
        if shape is not None and tuple(stack.data.shape[-2:]) != tuple(shape):
            return f"a stack {name!r} of {stack.data.shape} pixels where the grid has {shape}"
    return ""


def _accepted(function: Callable[..., Any], step: str, options: dict[str, Any]) -> dict[str, Any]:
    """The options that a function names, or all if it takes any."""
    try:
        known = signature(function).parameters.values()
    except (TypeError, ValueError):  # a compiled function may have no signature
        return options
    any_name = [p.name for p in known if p.kind is Parameter.VAR_KEYWORD]
    names = {parameter.name for parameter in known}.difference(any_name)
    for group in _GROUPS.get(step, ()):
        if group in options and group not in names:
            options = options | vars(options[group])
            del options[group]
    if any_name:
        return options
    return {name: value for name, value in options.items() if name in names}


def list_plugins(step: str) -> tuple[str, ...]:
    """Names under which a step can be had, sorted.

    Raises
    ------
    InputError
        There is no such step.
    """
    if step not in STEPS:
        raise InputError(f"step must be one of {', '.join(STEPS)}, got {step!r}")
    offered = {entry.name for entry in entry_points(group=f"framesort.{step}")}
    return tuple(sorted(offered | set(_OWN[step])))


def find_plugin(step: str, name: str = BUILT_IN) -> Plugin:
    """Look a step up by name and make sure that it can be loaded.

    Parameters
    ----------
    step : str
        A key of `STEPS`.
    name : str
        "builtin" for this library's own.

    Raises
    ------
    InputError
        The name is not installed, or loading it fails; the message names it.
    """
    _load(step, name)
    return Plugin(step, name)


def _load(step: str, name: str) -> Callable[..., Any]:
    """The function of that name, by its module where it is built in, else by its entry point."""
    if name in _OWN.get(step, ()):
        module, _, attribute = _OWN[step][name].partition(":")
        own: Callable[..., Any] = getattr(import_module(module), attribute)
        return own
    known = list_plugins(step)
    if name not in known:
        raise InputError(f"no plug-in {name!r} for {step}; installed: {', '.join(known)}")
    entry = entry_points(group=f"framesort.{step}")[name]
    try:
        function = entry.load()
    except Exception as error:
        cause = f"{type(error).__name__}: {error}"
        raise InputError(f"plug-in {name!r} ({entry.value}) cannot be loaded: {cause}") from error
    if not callable(function):
        raise InputError(f"plug-in {name!r} ({entry.value}) is not a function")
    other: Callable[..., Any] = function
    return other
