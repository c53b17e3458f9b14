"""Sorts and merges the frames of a night by the state of the dew heater.

The names below are what most scripts need. Each is loaded when it is first used, so that
``import framesort`` takes no time; everything else is in the subpackages
(``framesort.heater``, ``framesort.stars``, ``framesort.stacking`` and so on).

process_night
    Sort a night and merge it into one picture: ``framesort night``.
sort_night
    Measure and tag frames, choose the two sets, write a folder: ``framesort sort``.
merge_night
    Stack both sets of a sorted folder and replace the stars: ``framesort merge``.
sort_frames
    Measure and tag frames, choose the two sets; results stay in memory.
swap_stars
    Replace the stars of one stack by those of another, files to files: ``framesort swap``.
replace_stars
    Replace the stars of one array by those of another.
Settings
    Everything that can be set for a night.
read_heater_log
    Heater power against time from a log: ``framesort log``.
find_stars
    Find and measure the stars of one image.
measure_image
    Star quality of one image: width, shape, streak, sky.
register_frames
    Place frames on one grid by their stars.
stack_frames
    Stack frames, with weights and rejection, in bounded memory.
write_report
    Write the report page of a folder of results.
FramesortError
    Base of every error that is raised on purpose.
"""

import logging
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from framesort.errors import FramesortError
    from framesort.heater import read_heater_log
    from framesort.night import (
        merge_night,
        process_night,
        sort_frames,
        sort_night,
        swap_stars,
    )
    from framesort.registration import register_frames
    from framesort.replacement import replace_stars
    from framesort.report import write_report
    from framesort.settings import Settings
    from framesort.stacking import stack_frames
    from framesort.stars import find_stars, measure_image

__all__ = [
    "FramesortError",
    "Settings",
    "find_stars",
    "measure_image",
    "merge_night",
    "process_night",
    "read_heater_log",
    "register_frames",
    "replace_stars",
    "sort_frames",
    "sort_night",
    "stack_frames",
    "swap_stars",
    "write_report",
]

__version__ = "0.1.0"

_HOMES = {
    "errors": ("FramesortError",),
    "heater": ("read_heater_log",),
    "night": (
        "merge_night", "process_night", "sort_frames", "sort_night", "swap_stars",
    ),
    "registration": ("register_frames",),
    "replacement": ("replace_stars",),
    "report": ("write_report",),
    "settings": ("Settings",),
    "stacking": ("stack_frames",),
    "stars": ("find_stars", "measure_image"),
}  # fmt: skip
"""Subpackage to the names that are offered here as well."""

_HOME = {name: home for home, names in _HOMES.items() for name in names}


logging.getLogger(__name__).addHandler(logging.NullHandler())


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'framesort' has no attribute {name!r}")
    value = getattr(import_module(f"framesort.{_HOME[name]}"), name)
    globals()[name] = value  # the next look finds it at once
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
